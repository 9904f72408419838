//! Owns the steps of ageing: fill, leave the drive alone, stage.
//!
//! The drive is left alone once, between filling and staging, so that it cleans what filling left.
//! After that nothing is idle: what is staged stays. At the end everything is durable, the map is not
//! merged, and the image looks like that of a drive whose power was cut.

use std::collections::BTreeMap;

use super::bench::{Bench, Unsynced};
use super::condition::{AgeError, Reached, Wanted};
use super::scatter::{Walk, some_of};
use super::scheme::{Merge, Scheme, Start, scheme};
use super::survey::{Holds, Survey, layout};
use crate::drive::Drive;
use crate::drive::request::Status;
use crate::extent::LbaExtent;
use crate::lab::dice::Dice;
use crate::medium::layout::Layout;
use crate::medium::store::Store;
use crate::profile::Staging;
use crate::units::{BandId, SECTOR_BYTES, count};

/// The map takes no entry when it has fewer extents left than a piece may need.
const EXTENTS_SPARE: u64 = 2;
/// Steps between two reports of progress.
const PROGRESS_EVERY: u64 = 256;

/// An image, twice.
pub struct Image<'a> {
    /// For the mover.
    pub carried: Box<dyn Store>,
    /// To be synced at the end.
    pub synced: &'a dyn Store,
}

/// Told from time to time how many steps of how many are done.
pub type Progress<'a> = dyn FnMut(u64, u64) + 'a;

/// Goes through all that [`run`] would do, without an image: says what cannot be reached before anything
/// is changed. The drive never knows what the bytes are, so [`run`] meets the same.
///
/// # Errors
/// See [`AgeError`].
pub fn rehearse(
    drive: &Drive,
    wanted: &Wanted,
    progress: &mut Progress<'_>,
) -> Result<(), AgeError> {
    if !wanted.stages() {
        // What is wrong with filling is found before the first write.
        return Ok(());
    }
    let staging = staging_of(drive)?;
    carry_out(
        &mut Bench::rehearsal(drive.clone()),
        &staging,
        wanted,
        progress,
    )
}

/// Brings the drive of an image that was just opened to the condition that is wanted.
///
/// # Errors
/// See [`AgeError`]. Where staging is refused filling is done, and so is what the drive cleans when
/// idle: [`rehearse`] finds that out beforehand.
pub fn run(
    drive: Drive,
    image: Image<'_>,
    wanted: &Wanted,
    progress: &mut Progress<'_>,
) -> Result<Reached, AgeError> {
    let staging = staging_of(&drive)?;
    let empty = Survey::of(&drive).filled() == 0;
    let store: Box<dyn Store> = if empty {
        Box::new(Unsynced(image.carried))
    } else {
        image.carried
    };
    let mut bench = Bench::new(drive, store);
    carry_out(&mut bench, &staging, wanted, progress)?;
    image.synced.sync().map_err(AgeError::Sync)?;
    Ok(reached(&bench, &staging))
}

fn staging_of(drive: &Drive) -> Result<Staging, AgeError> {
    let staging = drive.profile().staging.clone();
    staging.ok_or(AgeError::Conventional)
}

fn carry_out(
    bench: &mut Bench,
    staging: &Staging,
    wanted: &Wanted,
    progress: &mut Progress<'_>,
) -> Result<(), AgeError> {
    let fills = Survey::of(&bench.drive).to_fill(wanted)?;
    let all = count(fills.len());
    for (at, extent) in (0..).zip(fills) {
        bench.zero(Bench::byte_of(extent.start), extent.sectors.bytes())?;
        if at % PROGRESS_EVERY == 0 {
            progress(at, all);
        }
    }
    bench.flush()?;
    bench.leave_alone()?;
    if wanted.stages() {
        stage(bench, staging, wanted, progress)?;
    }
    bench.flush()
}

fn stage(
    bench: &mut Bench,
    staging: &Staging,
    wanted: &Wanted,
    progress: &mut Progress<'_>,
) -> Result<(), AgeError> {
    let survey = Survey::of(&bench.drive);
    let start = start(bench, staging, &survey);
    let scheme = scheme(&start, wanted)?;
    let mut dice = Dice::of_stream(wanted.seed, 1);
    let mut targets = Targets::choose(&mut dice, layout(&bench.drive), &survey, &scheme);
    let mut status = bench.drive.status(bench.now);
    let first_entry = status.counters.entries;
    loop {
        let written = status.counters.entries - first_entry;
        let left = match scheme.slots_used {
            None => scheme.entries.saturating_sub(written) * scheme.slots,
            // Slots that nothing live is in may be freed by the first entries: then more follow.
            Some(wanted) => wanted.saturating_sub(status.staging_slots_used),
        };
        if left == 0 {
            break;
        }
        let long = scheme.is_long(left, merge(&status, staging));
        let ranges = targets.entry(&scheme, long);
        bench.rewrite(&ranges)?;
        let before = status.counters.entries;
        status = bench.drive.status(bench.now);
        let entries = status.counters.entries;
        if entries == before || status.counters.bands_cleaned > start.bands_cleaned {
            break;
        }
        if written.is_multiple_of(PROGRESS_EVERY) {
            progress(written, scheme.entries);
        }
    }
    verify(bench, staging, &scheme)
}

/// How far the next merge of the map is, for this drive and for the next opening of its image.
fn merge(status: &Status, staging: &Staging) -> Merge {
    let every = u64::from(staging.merge_every_entries);
    let due = u64::from(status.entries_to_merge);
    // This opening has written the map, without forgetting the entries before it; the next one does.
    let counted = match status.counters.merges {
        0 => every.saturating_sub(status.counters.entries),
        _ => due,
    };
    let due = due.max(1);
    Merge {
        every,
        due,
        counted: counted.max(due),
    }
}

fn start(bench: &Bench, staging: &Staging, survey: &Survey) -> Start {
    let drive = &bench.drive;
    let (status, profile, layout) = (drive.status(bench.now), drive.profile(), layout(drive));
    let bands = layout
        .regions()
        .iter()
        .flat_map(|region| region.bands.clone());
    let slots = bands.map(|band| layout.slot_sectors(BandId(band)).0);
    let slot_sectors = slots.min().expect("a staging area has bands");
    // Longer runs would go past the staging area.
    let run = match profile.write_cache.bypass_run_bytes {
        0 => u64::MAX,
        bytes => bytes - 1,
    };
    let entry_bytes = staging.entry_bytes_max.min(run);
    let entry_sectors = entry_bytes / SECTOR_BYTES;
    let sharing = slot_sectors.min(u64::from(profile.drive.queue_depth));
    let clean = survey.bands.iter().filter(|band| band.2 != Holds::Staged);
    let smallest = survey.bands.iter().map(|band| band.1.sectors.0).min();
    let limit = staging.bytes / SECTOR_BYTES;
    Start {
        slots: status.staging_slots,
        slots_used: status.staging_slots_used,
        extents_free: (status.extents - status.extents_used).saturating_sub(EXTENTS_SPARE),
        sectors_free: limit.saturating_sub(status.staging_slots_used * slot_sectors),
        dirty_bands: status.dirty_bands,
        clean_bands: count(clean.count()),
        band_sectors: smallest.unwrap_or(0),
        slot_sectors,
        entry_slots: (entry_sectors / slot_sectors).max(1),
        entry_pieces: sharing.min(entry_sectors).max(1),
        merge: merge(&status, staging),
        bands_cleaned: status.counters.bands_cleaned,
    }
}

/// Bands that become dirty, and their places, by the region of the staging area that takes them.
struct Targets {
    regions: BTreeMap<usize, Region>,
}

struct Region {
    bands: Vec<(LbaExtent, Walk)>,
    next: usize,
    /// Log slots that it has.
    slots: u64,
    /// Those given to it here.
    given: u64,
}

impl Targets {
    /// Bands that hold data where there are enough of them; shared among the regions by their size.
    fn choose(dice: &mut Dice, layout: &Layout, survey: &Survey, scheme: &Scheme) -> Targets {
        let of = |wanted: &[Holds]| -> Vec<LbaExtent> {
            let bands = survey.bands.iter().filter(|band| wanted.contains(&band.2));
            bands.map(|band| band.1).collect()
        };
        let (candidates, take) = if scheme.bands == 0 {
            let dirty = of(&[Holds::Staged]);
            let all = count(dirty.len());
            (dirty, all)
        } else {
            let data = of(&[Holds::Data]);
            let enough = count(data.len()) >= scheme.bands;
            let any = [Holds::Data, Holds::Nothing];
            (if enough { data } else { of(&any) }, scheme.bands)
        };
        let mut by_region: BTreeMap<usize, Vec<LbaExtent>> = BTreeMap::new();
        for extent in candidates {
            let region = layout.region_of(extent.start);
            by_region.entry(region).or_default().push(extent);
        }
        let mut left = take;
        let mut slots_left: u64 = by_region
            .keys()
            .map(|region| layout.regions()[*region].slots)
            .sum();
        let mut bands_left: u64 = by_region.values().map(|bands| count(bands.len())).sum();
        let mut regions = BTreeMap::new();
        for (region, bands) in by_region {
            let (slots, here) = (layout.regions()[region].slots, count(bands.len()));
            bands_left -= here;
            let share = (left * slots).div_ceil(slots_left.max(1));
            // What the regions after it could not take.
            let share = share.max(left.saturating_sub(bands_left)).min(here);
            (left, slots_left) = (left - share, slots_left - slots);
            let chosen = some_of(dice, bands, share).into_iter().map(|extent| {
                let units = (extent.sectors.0 / scheme.unit_sectors).max(1);
                (extent, Walk::new(dice, units))
            });
            let bands: Vec<(LbaExtent, Walk)> = chosen.collect();
            if !bands.is_empty() {
                regions.insert(
                    region,
                    Region {
                        bands,
                        next: 0,
                        slots,
                        given: 0,
                    },
                );
            }
        }
        Targets { regions }
    }

    /// The places of the next entry: first byte and how many.
    fn entry(&mut self, scheme: &Scheme, long: bool) -> Vec<(u64, u64)> {
        let region = self.emptiest();
        region.given += if long { 2 } else { 1 };
        let sectors = |piece| match (piece, long) {
            (0, true) => scheme.long_sectors,
            _ => scheme.piece_sectors,
        };
        (0..scheme.pieces)
            .map(|piece| {
                let at = region.place(scheme.unit_sectors);
                (at * SECTOR_BYTES, sectors(piece) * SECTOR_BYTES)
            })
            .collect()
    }

    /// The region that has been given the smallest share of its slots so far.
    fn emptiest(&mut self) -> &mut Region {
        let regions = self.regions.values_mut();
        let least = regions.min_by(|one, other| {
            let cross = |a: &Region, b: &Region| u128::from(a.given) * u128::from(b.slots);
            cross(one, other).cmp(&cross(other, one))
        });
        least.expect("a scheme that writes has bands")
    }
}

impl Region {
    /// The next place in it, as a sector of the host.
    fn place(&mut self, unit_sectors: u64) -> u64 {
        let at = self.next;
        self.next = (at + 1) % self.bands.len();
        let (extent, walk) = &mut self.bands[at];
        extent.start.0 + walk.next() * unit_sectors
    }
}

fn verify(bench: &Bench, staging: &Staging, scheme: &Scheme) -> Result<(), AgeError> {
    let status = bench.drive.status(bench.now);
    let (slots, dirty) = (status.staging_slots_used, status.dirty_bands);
    let entries = merge(&status, staging).counted;
    let wanted_slots = scheme.slots_used.unwrap_or(slots);
    let wanted_entries = scheme.entries_to_merge.unwrap_or(entries);
    let wanted_dirty = scheme.dirty_bands.unwrap_or(dirty);
    if (slots, dirty, entries) == (wanted_slots, wanted_dirty, wanted_entries) {
        return Ok(());
    }
    Err(AgeError::Missed {
        slots,
        wanted_slots,
        dirty,
        wanted_dirty,
        entries,
        wanted_entries,
    })
}

fn reached(bench: &Bench, staging: &Staging) -> Reached {
    let survey = Survey::of(&bench.drive);
    let status = bench.drive.status(bench.now);
    Reached {
        filled_bands: survey.filled(),
        home_bands: count(survey.bands.len()),
        staging_slots_used: status.staging_slots_used,
        staging_slots: status.staging_slots,
        extents_used: status.extents_used,
        extents: status.extents,
        dirty_bands: status.dirty_bands,
        entries_to_merge: merge(&status, staging).counted,
        requests: bench.requests,
        model_ns: bench.now.0,
    }
}
