//! Owns the map records: a full map, and deltas that bring it up to date.
//!
//! A full map can be tens of megabytes: it is encoded straight into one buffer from iterators, and
//! its length follows from the counts alone. In which half of the map area a record belongs is not
//! known here.

use crate::extent::LbaExtent;
use crate::translation::change::Change;
use crate::translation::codec::changes::{self, CHANGE_BYTES_MIN};
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::Reader;
use crate::translation::codec::header::{self, HEADER_BYTES, Header, RecordKind, Sought};
use crate::translation::codec::map_state::{
    self, BandPlace, MapCounts, MapState, MapTables, Target,
};
use crate::units::{Pba, Sectors};

/// What every map record says of itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MapHeader {
    /// How often the image had been opened.
    pub epoch: u64,
    /// Counts the full maps; a delta carries that of the full map it belongs to.
    pub generation: u64,
    /// The state includes every journal record up to and including this sequence number.
    pub sequence: u64,
    /// Where the journal record after that goes.
    pub journal_position: Pba,
    /// Its own address.
    pub at: Pba,
}

/// A decoded map record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MapRecord {
    /// The whole state.
    Full {
        /// What it says of itself.
        header: MapHeader,
        /// The state.
        state: MapState,
    },
    /// What changed since the record before it.
    Delta {
        /// What it says of itself.
        header: MapHeader,
        /// 0 for the first delta after its full map, and so on.
        index: u64,
        /// The changes, in order.
        changes: Vec<Change>,
    },
}

/// Sectors of an encoded full map with so many entries.
pub fn full_sectors(counts: &MapCounts) -> Sectors {
    Sectors::holding(full_bytes(counts))
}

fn full_bytes(counts: &MapCounts) -> u64 {
    HEADER_BYTES + 8 + 8 + map_state::bytes_of(counts)
}

/// Sectors of an encoded delta with these changes.
pub fn delta_sectors(changes: &[Change]) -> Sectors {
    Sectors::holding(delta_bytes(changes))
}

fn delta_bytes(changes: &[Change]) -> u64 {
    HEADER_BYTES + 8 + 8 + 8 + 4 + changes::bytes_of(changes)
}

/// A full map's bytes, padded with zeroes to whole sectors, its checksum not filled in.
///
/// # Panics
/// On what a planner never asks for: tables that have not as many entries as `counts` says, or not
/// in order, or a map longer than [`RecordKind::sectors_max`].
pub fn encode_full(
    header: &MapHeader,
    counts: &MapCounts,
    tables: MapTables<
        '_,
        impl Iterator<Item = (LbaExtent, Target)>,
        impl Iterator<Item = BandPlace>,
    >,
) -> Vec<u8> {
    let common = common(header, RecordKind::MapFull, full_bytes(counts));
    let mut writer = header::begin(&common);
    writer.u64(header.generation);
    writer.u64(header.journal_position.0);
    map_state::write(&mut writer, counts, tables);
    header::finish(writer, &common)
}

/// [`encode_full`] from a state in memory.
pub fn encode_state(header: &MapHeader, state: &MapState) -> Vec<u8> {
    let tables = MapTables {
        extents: state.extents.iter().copied(),
        band_places: state.band_places.iter().copied(),
        passes: &state.passes,
        heads: &state.heads,
        ages: &state.ages,
        lifetime: state.lifetime,
    };
    encode_full(header, &state.counts(), tables)
}

/// A delta's bytes, padded with zeroes to whole sectors, its checksum not filled in.
///
/// # Panics
/// As [`crate::translation::codec::record::encode_journal`] does.
pub fn encode_delta(header: &MapHeader, delta_index: u64, changes: &[Change]) -> Vec<u8> {
    let common = common(header, RecordKind::MapDelta, delta_bytes(changes));
    let mut writer = header::begin(&common);
    writer.u64(header.generation);
    writer.u64(header.journal_position.0);
    writer.u64(delta_index);
    writer.count(changes.len());
    changes::write(&mut writer, changes);
    header::finish(writer, &common)
}

/// How many sectors must be read to decode the map record that begins with `first_sector`, looked
/// for at `at`. At most [`RecordKind::sectors_max`]; bound it by what is left of the map half too.
/// The checksum is not looked at.
pub fn peek_map_sectors(first_sector: &[u8], at: Pba) -> Result<Sectors, RecordError> {
    Ok(header::peek(first_sector, &sought(at))?.sectors())
}

/// Decodes the map record at the front of `bytes`, looked for at `at`.
pub fn decode_map(bytes: &[u8], at: Pba) -> Result<MapRecord, RecordError> {
    let (common, mut reader) = header::open(bytes, &sought(at))?;
    let record = read_body(&common, &mut reader)?;
    reader.finish()?;
    Ok(record)
}

fn common(header: &MapHeader, kind: RecordKind, length: u64) -> Header {
    Header {
        kind,
        epoch: header.epoch,
        sequence: header.sequence,
        at: header.at,
        length,
    }
}

pub(super) fn sought(at: Pba) -> Sought {
    Sought {
        at,
        kinds: &[RecordKind::MapFull, RecordKind::MapDelta],
        words: "3 (full map) or 4 (map delta)",
    }
}

pub(super) fn read_body(
    common: &Header,
    reader: &mut Reader<'_>,
) -> Result<MapRecord, RecordError> {
    let header = MapHeader {
        epoch: common.epoch,
        generation: reader.counter("generation")?,
        sequence: common.sequence,
        journal_position: reader.pba("journal_position")?,
        at: common.at,
    };
    if common.kind == RecordKind::MapDelta {
        return Ok(MapRecord::Delta {
            header,
            index: reader.u64("index")?,
            changes: {
                let entries = reader.count("changes", CHANGE_BYTES_MIN)?;
                changes::read(reader, entries)?
            },
        });
    }
    Ok(MapRecord::Full {
        header,
        state: map_state::read(reader)?,
    })
}
