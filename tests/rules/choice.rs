//! Which band is cleaned next, and between which marks: idle, and when a write lacks room.

use imbrex::profile::{BandChoice, CleaningStyle, Profile, Staging, StagingMedium, StagingPlace};

use crate::stopwatch::{Stopwatch, WRITE, Wanted};
use crate::{KIB, MIB, PAGE, SECOND_NS, uncached};

/// A band in the outer zone of the tiny drive.
const BAND: u64 = 256 * KIB;

/// A write of one page of a band of the tiny drive: an entry, and a slot, of its own.
fn page((band, page): (u64, u64)) -> Wanted {
    (WRITE, band * BAND + page * PAGE, PAGE)
}

fn tiny(change: impl FnOnce(&mut Profile)) -> Stopwatch {
    Stopwatch::of("tiny", |profile| {
        uncached(profile);
        change(profile);
    })
}

/// The bands that are cleaned meanwhile, in order.
fn cleaned(drive: &mut Stopwatch, act: impl FnOnce(&mut Stopwatch)) -> Vec<u32> {
    drive.drive.record_jobs(true);
    act(drive);
    let mut jobs = Vec::new();
    drive.drive.drain_jobs(&mut jobs);
    let bands = jobs.iter().filter_map(|job| job.cleaning);
    let mut bands: Vec<u32> = bands.map(|band| band.0).collect();
    bands.dedup();
    bands
}

fn idle(drive: &mut Stopwatch) {
    drive.pause(60 * SECOND_NS);
}

const CHOICES: [BandChoice; 3] = [
    BandChoice::Oldest,
    BandChoice::Fullest,
    BandChoice::Ascending,
];

#[test]
fn idle_cleaning_takes_bands_in_the_order_of_the_profile() {
    for (choice, order) in CHOICES.into_iter().zip([[9, 6, 2], [6, 2, 9], [2, 6, 9]]) {
        let mut drive = tiny(|profile| profile.cleaning.choice = choice);
        let pages = [(9, 0), (6, 0), (6, 20), (6, 40), (2, 0), (2, 20)];
        drive.closed_loop(1, pages.map(page));
        assert_eq!(cleaned(&mut drive, idle), order, "{choice:?}");
    }
}

#[test]
fn ascending_cleaning_goes_on_behind_the_band_cleaned_last() {
    let mut drive = tiny(|profile| profile.cleaning.choice = BandChoice::Ascending);
    drive.closed_loop(1, [page((6, 0))]);
    assert_eq!(cleaned(&mut drive, idle), [6]);
    drive.closed_loop(1, [(3, 0), (9, 0), (6, 0)].map(page));
    assert_eq!(cleaned(&mut drive, idle), [9, 3, 6]);
}

/// A staging band has 8 slots. Band 4 is staged first, and again in the second of them, where nothing is
/// as old as what band 7 has in the first.
#[test]
fn a_band_is_as_old_as_the_oldest_entry_that_it_still_needs() {
    let mut drive = tiny(|profile| profile.cleaning.choice = BandChoice::Oldest);
    let filler = [(1, 0); 8];
    let pages = [(4, 0), (7, 0)].into_iter().chain(filler).chain([(4, 0)]);
    drive.closed_loop(1, pages.map(page));
    assert_eq!(cleaned(&mut drive, idle), [7, 1, 4]);
}

/// All 64 slots are taken, 8 to a staging band. The first holds a page of band 9 and seven of band 2, so
/// both have to be cleaned for a slot; band 6 has the most, band 2 the lowest number.
#[test]
fn a_write_that_lacks_a_slot_has_the_oldest_bands_cleaned_whatever_is_chosen_when_idle() {
    for choice in CHOICES {
        let mut drive = tiny(|profile| profile.cleaning.choice = choice);
        let pages = [(9, 0)].into_iter();
        let pages = pages.chain((0..10).map(|i| (2, i * 4)));
        let pages = pages.chain((0..53).map(|i| (6, i)));
        drive.closed_loop(1, pages.map(page));
        assert_eq!(drive.drive.status(drive.now).staging_slots_used, 64);
        let bands = cleaned(&mut drive, |drive| {
            drive.closed_loop(1, [page((11, 0))]);
        });
        assert_eq!(bands, [9, 2], "{choice:?}");
    }
}

/// Eight extents at most, of which an entry may need two: the eighth run waits.
#[test]
fn a_write_that_lacks_extents_has_the_fullest_band_cleaned_whatever_is_chosen_when_idle() {
    for choice in CHOICES {
        let mut drive = tiny(|profile| {
            profile.cleaning.choice = choice;
            profile.staging.as_mut().unwrap().extents = 8;
        });
        let oldest = [(9, 0), (9, 20)];
        let lowest = [(2, 0), (2, 20)];
        let fullest = [(6, 0), (6, 20), (6, 40)];
        let pages = oldest.into_iter().chain(lowest).chain(fullest);
        drive.closed_loop(1, pages.map(page));
        let bands = cleaned(&mut drive, |drive| {
            drive.closed_loop(1, [page((11, 0))]);
        });
        assert_eq!(bands, [6], "{choice:?}");
    }
}

/// Two regions of at least 32 slots. The inner one runs full; what is oldest of all lies in the other.
#[test]
fn a_region_without_room_has_its_own_bands_cleaned() {
    let mut drive = tiny(|profile| {
        for zone in &mut profile.platters.zones {
            zone.tracks *= 2;
        }
        profile.staging.as_mut().unwrap().medium = StagingMedium::Disk {
            place: StagingPlace::Spread(2),
            quanta_per_track: 2,
            out_of_band_rev_milli: 2_000,
        };
    });
    let layout = drive.drive.translation().unwrap().layout();
    let inner = layout.regions()[1].lba.start;
    let (first, _) = layout.home_of(inner);
    drive.closed_loop(1, [(WRITE, 0, PAGE)]);
    let wanted = (0..60).map(|i| (WRITE, inner.0 * PAGE + i * 5 * PAGE, PAGE));
    let bands = cleaned(&mut drive, |drive| {
        drive.closed_loop(1, wanted);
    });
    assert_eq!(bands.first(), Some(&first.0), "{bands:?}");
    assert!(bands.iter().all(|band| *band >= first.0), "{bands:?}");
    let status = drive.drive.status(drive.now);
    assert!(status.staging_slots_used < status.staging_slots);
}

/// A lazy drive that cleans from 80 % on down to 20 %, a limit of whose staging area is 100.
fn lazy(limit: impl FnOnce(&mut Staging)) -> Stopwatch {
    Stopwatch::of("desktop-5tb", |profile| {
        uncached(profile);
        profile.cleaning.style = CleaningStyle::Lazy;
        profile.cleaning.high_mark_percent = 80;
        profile.cleaning.low_mark_percent = 20;
        limit(profile.staging.as_mut().unwrap());
    })
}

/// Pages of as many bands: each is one slot and one extent.
fn in_bands_of_their_own(count: u64) -> impl Iterator<Item = Wanted> {
    (0..count).map(|i| (WRITE, i * 64 * MIB, PAGE))
}

#[test]
fn lazy_cleaning_begins_at_its_high_mark_and_ends_at_its_low_mark() {
    let mut drive = lazy(|staging| staging.extents = 100);
    drive.closed_loop(1, in_bands_of_their_own(79));
    drive.pause(600 * SECOND_NS);
    assert_eq!(drive.drive.status(drive.now).dirty_bands, 79);
    drive.closed_loop(1, in_bands_of_their_own(80).skip(79));
    drive.pause(600 * SECOND_NS);
    assert_eq!(drive.drive.status(drive.now).dirty_bands, 20);
}

#[test]
fn the_high_mark_counts_slots_as_well_as_extents() {
    for (writes, cleans) in [(79, false), (80, true)] {
        let mut drive = lazy(|staging| staging.slots = 100);
        drive.closed_loop(1, in_bands_of_their_own(writes));
        assert_eq!(drive.drive.status(drive.now).staging_slots_used, writes);
        drive.pause(600 * SECOND_NS);
        let dirty = drive.drive.status(drive.now).dirty_bands;
        assert_eq!(dirty < writes, cleans, "{writes}: {dirty}");
    }
}
