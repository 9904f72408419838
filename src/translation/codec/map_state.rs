//! Owns the state of the translation as a full map holds it, and the bytes of its tables.
//!
//! The length of the tables follows from the counts alone. Tables whose order means nothing are in
//! ascending order, without duplicates; encoding and decoding both insist. What comes before the
//! tables is not known here.

use crate::extent::LbaExtent;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::{Reader, Writer};
use crate::translation::lifetime::Lifetime;
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors, count};

/// An address of 2^40 sectors ends where no drive does: there may be millions of these.
const ADDRESS_BYTES: u64 = 5;
const LENGTH_BYTES: u64 = 6;
const EXTENT_ENTRY_BYTES: u64 = 2 * ADDRESS_BYTES + LENGTH_BYTES;
const COUNTS_BYTES: u64 = 5 * 4;
const LIFETIME_BYTES: u64 = 4 * 8;
const PLACE_BYTES: u64 = 16;
const PASS_BYTES: u64 = 16;
const HEAD_BYTES: u64 = 12;
const AGE_BYTES: u64 = 12;

/// What stands for [`Target::Hole`] in place of an address.
const HOLE: u64 = (1 << (8 * ADDRESS_BYTES)) - 1;

/// Where a mapped extent is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Target {
    /// One after another from this sector on.
    At(Pba),
    /// Nowhere: it reads as zeroes.
    Hole,
}

/// A band that is not in its factory state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BandPlace {
    /// Which band.
    pub band: HomeBand,
    /// The physical band that is its home.
    pub at: BandId,
    /// Sectors of it that a pass wrote.
    pub written: Sectors,
}

/// A pass over a spare that is under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SparePass {
    /// The band it rewrites.
    pub band: HomeBand,
    /// The spare it fills.
    pub spare: BandId,
    /// End of what the pass has written.
    pub upto: Sectors,
}

/// Where a region of the staging area goes on; the region is the entry's place in its table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegionHead {
    /// The staging band that takes the next entry.
    pub band: BandId,
    /// First free sector of it.
    pub next: Sectors,
}

/// Age of a staging band in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BandAge {
    /// Which staging band.
    pub band: BandId,
    /// When it was taken into use, in whatever order the translation counts.
    pub age: u64,
}

/// The durable state of the translation, as a full map holds it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MapState {
    /// Mapped host ranges: ascending and disjoint.
    pub extents: Vec<(LbaExtent, Target)>,
    /// Bands that are not in their factory state: ascending by band.
    pub band_places: Vec<BandPlace>,
    /// Passes over spares: ascending by band.
    pub passes: Vec<SparePass>,
    /// Heads of the regions of the staging area, by region.
    pub heads: Vec<RegionHead>,
    /// Ages of the staging bands in use: ascending by band.
    pub ages: Vec<BandAge>,
    /// Counts since the image was made.
    pub lifetime: Lifetime,
}

impl MapState {
    /// Entries of each table.
    pub fn counts(&self) -> MapCounts {
        MapCounts {
            extents: self.extents.len(),
            band_places: self.band_places.len(),
            passes: self.passes.len(),
            heads: self.heads.len(),
            ages: self.ages.len(),
        }
    }
}

/// Entries of each table of a full map.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MapCounts {
    /// Mapped host ranges.
    pub extents: usize,
    /// Bands that are not in their factory state.
    pub band_places: usize,
    /// Passes over spares.
    pub passes: usize,
    /// Regions of the staging area.
    pub heads: usize,
    /// Staging bands in use.
    pub ages: usize,
}

/// The tables of a full map about to be encoded, in the order and under the rules of [`MapState`].
/// The two that can be long come as iterators.
#[derive(Clone, Debug)]
pub struct MapTables<'a, Extents, BandPlaces> {
    /// Mapped host ranges.
    pub extents: Extents,
    /// Bands that are not in their factory state.
    pub band_places: BandPlaces,
    /// Passes over spares.
    pub passes: &'a [SparePass],
    /// Heads of the regions.
    pub heads: &'a [RegionHead],
    /// Ages of staging bands.
    pub ages: &'a [BandAge],
    /// Counts since the image was made.
    pub lifetime: Lifetime,
}

/// Bytes of the counts and tables with so many entries.
pub(super) fn bytes_of(counts: &MapCounts) -> u64 {
    COUNTS_BYTES
        + LIFETIME_BYTES
        + count(counts.extents) * EXTENT_ENTRY_BYTES
        + count(counts.band_places) * PLACE_BYTES
        + count(counts.passes) * PASS_BYTES
        + count(counts.heads) * HEAD_BYTES
        + count(counts.ages) * AGE_BYTES
}

/// Appends the counts and the tables.
///
/// # Panics
/// If the tables have not as many entries as `counts` says, or are not in order.
pub(super) fn write(
    writer: &mut Writer,
    counts: &MapCounts,
    tables: MapTables<
        '_,
        impl Iterator<Item = (LbaExtent, Target)>,
        impl Iterator<Item = BandPlace>,
    >,
) {
    writer.count(counts.extents);
    writer.count(counts.band_places);
    writer.count(counts.passes);
    writer.count(counts.heads);
    writer.count(counts.ages);
    writer.u64(tables.lifetime.entries);
    writer.u64(tables.lifetime.staged.0);
    writer.u64(tables.lifetime.bands_renewed);
    writer.u64(tables.lifetime.rewritten.0);
    write_extents(writer, counts.extents, tables.extents);
    write_places(writer, counts.band_places, tables.band_places);
    write_short_tables(writer, counts, tables.passes, tables.heads, tables.ages);
}

/// Takes the counts and the tables.
pub(super) fn read(reader: &mut Reader<'_>) -> Result<MapState, RecordError> {
    let counts = MapCounts {
        extents: reader.count("extents", EXTENT_ENTRY_BYTES)?,
        band_places: reader.count("band_places", PLACE_BYTES)?,
        passes: reader.count("passes", PASS_BYTES)?,
        heads: reader.count("heads", HEAD_BYTES)?,
        ages: reader.count("ages", AGE_BYTES)?,
    };
    let rest_bytes = bytes_of(&counts) - COUNTS_BYTES;
    if rest_bytes != reader.remaining() {
        let expected = "counts whose tables fill the record";
        return Err(reader.bad("ages", 4, count(counts.ages), expected));
    }
    let lifetime = Lifetime {
        entries: reader.u64("lifetime_entries")?,
        staged: reader.sectors("lifetime_staged")?,
        bands_renewed: reader.u64("lifetime_bands_renewed")?,
        rewritten: reader.sectors("lifetime_rewritten")?,
    };
    read_state(reader, &counts, lifetime)
}

fn write_extents(
    writer: &mut Writer,
    expected: usize,
    extents: impl Iterator<Item = (LbaExtent, Target)>,
) {
    let mut end = Lba(0);
    let mut written = 0;
    for (extent, target) in extents {
        assert!(extent.start >= end, "extents out of order: {extent:?}");
        end = extent.end();
        let target = match target {
            Target::At(pba) => {
                let last = pba.0.saturating_add(extent.sectors.0);
                assert!(last <= HOLE, "no medium has a sector {pba}");
                pba.0
            }
            Target::Hole => HOLE,
        };
        writer.short(extent.start.0, ADDRESS_BYTES);
        writer.short(target, ADDRESS_BYTES);
        writer.short(extent.sectors.0, LENGTH_BYTES);
        written += 1;
    }
    assert_eq!(written, expected, "extents");
}

fn write_places(writer: &mut Writer, expected: usize, places: impl Iterator<Item = BandPlace>) {
    let mut order = Ascending::default();
    let mut written = 0;
    for place in places {
        assert!(
            order.admits(place.band.0),
            "band places out of order: {place:?}"
        );
        writer.u32(place.band.0);
        writer.u32(place.at.0);
        writer.u64(place.written.0);
        written += 1;
    }
    assert_eq!(written, expected, "band places");
}

fn write_short_tables(
    writer: &mut Writer,
    counts: &MapCounts,
    passes: &[SparePass],
    heads: &[RegionHead],
    ages: &[BandAge],
) {
    assert_eq!(passes.len(), counts.passes, "passes");
    assert_eq!(heads.len(), counts.heads, "heads");
    assert_eq!(ages.len(), counts.ages, "ages");
    let mut order = Ascending::default();
    for pass in passes {
        assert!(order.admits(pass.band.0), "passes out of order: {pass:?}");
        writer.u32(pass.band.0);
        writer.u32(pass.spare.0);
        writer.u64(pass.upto.0);
    }
    for head in heads {
        writer.u32(head.band.0);
        writer.u64(head.next.0);
    }
    let mut order = Ascending::default();
    for age in ages {
        assert!(order.admits(age.band.0), "ages out of order: {age:?}");
        writer.u32(age.band.0);
        writer.u64(age.age);
    }
}

fn read_state(
    reader: &mut Reader<'_>,
    counts: &MapCounts,
    lifetime: Lifetime,
) -> Result<MapState, RecordError> {
    let mut state = MapState {
        extents: Vec::with_capacity(counts.extents),
        band_places: Vec::with_capacity(counts.band_places),
        passes: Vec::with_capacity(counts.passes),
        heads: Vec::with_capacity(counts.heads),
        ages: Vec::with_capacity(counts.ages),
        lifetime,
    };
    let mut end = Lba(0);
    for _ in 0..counts.extents {
        let (extent, target) = read_extent(reader, end)?;
        end = extent.end();
        state.extents.push((extent, target));
    }
    let mut order = Ascending::default();
    for _ in 0..counts.band_places {
        state.band_places.push(BandPlace {
            band: read_ascending(reader, "place.band", &mut order).map(HomeBand)?,
            at: reader.band("place.at")?,
            written: reader.sectors("place.written")?,
        });
    }
    let mut order = Ascending::default();
    for _ in 0..counts.passes {
        state.passes.push(SparePass {
            band: read_ascending(reader, "pass.band", &mut order).map(HomeBand)?,
            spare: reader.band("pass.spare")?,
            upto: reader.sectors("pass.upto")?,
        });
    }
    for _ in 0..counts.heads {
        state.heads.push(RegionHead {
            band: reader.band("head.band")?,
            next: reader.sectors("head.next")?,
        });
    }
    let mut order = Ascending::default();
    for _ in 0..counts.ages {
        state.ages.push(BandAge {
            band: read_ascending(reader, "age.band", &mut order).map(BandId)?,
            age: reader.u64("age.age")?,
        });
    }
    Ok(state)
}

fn read_extent(reader: &mut Reader<'_>, end: Lba) -> Result<(LbaExtent, Target), RecordError> {
    let start = Lba(reader.short("extent.start", ADDRESS_BYTES)?);
    if start < end {
        let expected = "no less than the end before it";
        return Err(reader.bad("extent.start", ADDRESS_BYTES, start.0, expected));
    }
    let target = reader.short("extent.target", ADDRESS_BYTES)?;
    let sectors = Sectors(reader.short("extent.sectors", LENGTH_BYTES)?);
    let ends = |first: u64| first + sectors.0 <= HOLE;
    if sectors.0 == 0 || !ends(start.0) || (target != HOLE && !ends(target)) {
        let expected = "at least 1, and no further than the last address";
        return Err(reader.bad("extent.sectors", LENGTH_BYTES, sectors.0, expected));
    }
    let target = match target {
        HOLE => Target::Hole,
        at => Target::At(Pba(at)),
    };
    Ok((LbaExtent::new(start, sectors), target))
}

fn read_ascending(
    reader: &mut Reader<'_>,
    field: &'static str,
    order: &mut Ascending,
) -> Result<u32, RecordError> {
    let band = reader.u32(field)?;
    if !order.admits(band) {
        return Err(reader.bad(field, 4, u64::from(band), "more than in the entry before"));
    }
    Ok(band)
}

/// Tells whether numbers ascend strictly.
#[derive(Default)]
struct Ascending {
    last: Option<u32>,
}

impl Ascending {
    fn admits(&mut self, next: u32) -> bool {
        let ascends = self.last.is_none_or(|last| last < next);
        self.last = Some(next);
        ascends
    }
}
