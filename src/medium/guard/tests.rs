//! Owns the tests of the guard rule: every short band exhaustively, then generated lists against a
//! plain model that keeps every sector's state.

use proptest::prelude::*;

use super::*;
use crate::medium::movement::{PlanId, Purpose, Record};
use crate::medium::sample;
use crate::units::HomeBand;

fn plan(steps: Vec<Step>) -> Plan {
    Plan {
        id: PlanId(1),
        allocate: Vec::new(),
        steps,
    }
}

fn movement(pba: Pba, sectors: u64, write: bool) -> Movement {
    let (from, to) = if write {
        (Place::Scratch { offset: 0 }, Place::sector(pba))
    } else {
        (Place::sector(pba), Place::Discard)
    };
    Movement {
        from,
        to,
        bytes: sectors * 4096,
        purpose: Purpose::CleanWrite,
        buffered: false,
    }
}

fn check(guard: &mut Guard, layout: &Layout, at: Pba, sectors: u64, write: bool) -> bool {
    let step = Step::Move(movement(at, sectors, write));
    guard.check(layout, &plan(vec![step])).is_ok()
}

#[test]
fn every_write_of_a_short_band_is_judged_by_the_pass() {
    let layout = Layout::new(&sample::tiny()).unwrap();
    let spare = layout.band(BandId(layout.spares_for(HomeBand(0)).start));
    let length = spare.sectors.0;
    for next in 0..=length {
        for at in 0..length {
            let mut guard = Guard::new(&layout);
            guard.set_written(spare.id, Sectors(next));
            let sectors = (length - at).min(5);
            let legal = check(
                &mut guard,
                &layout,
                spare.start + Sectors(at),
                sectors,
                true,
            );
            assert_eq!(legal, at == next || at == 0, "at {at}, written {next}");
            let expected = if legal { at + sectors } else { next };
            assert_eq!(guard.written(spare.id), Sectors(expected));
        }
    }
}

#[test]
fn every_read_of_a_short_band_is_judged_by_the_pass() {
    let layout = Layout::new(&sample::tiny()).unwrap();
    let home = layout.band(layout.factory_place(HomeBand(3)));
    let length = home.sectors.0;
    for next in 0..=length {
        let mut guard = Guard::new(&layout);
        guard.set_written(home.id, Sectors(next));
        for at in 0..length {
            for sectors in 1..=length - at {
                let legal = check(
                    &mut guard,
                    &layout,
                    home.start + Sectors(at),
                    sectors,
                    false,
                );
                assert_eq!(legal, at + sectors <= next);
            }
        }
    }
}

#[test]
fn a_new_drive_holds_what_the_profile_says() {
    for formatted in [false, true] {
        let mut profile = sample::large();
        profile.drive.formatted = formatted;
        let layout = Layout::new(&profile).unwrap();
        let guard = Guard::new(&layout);
        for home in [0, 1, layout.home_bands() / 2, layout.home_bands() - 1].map(HomeBand) {
            let band = layout.band(layout.factory_place(home));
            let expected = if formatted { band.sectors } else { Sectors(0) };
            assert_eq!(guard.written(band.id), expected);
            for spare in layout.spares_for(home) {
                assert_eq!(guard.written(BandId(spare)), Sectors(0));
            }
        }
        assert_eq!(guard.written(layout.map_half(1)), Sectors(0));
        assert_eq!(
            guard.written(BandId(layout.regions()[0].bands.start)),
            Sectors(0)
        );
    }
}

#[test]
fn a_change_of_one_band_leaves_its_neighbours_as_they_were_made() {
    let layout = Layout::new(&sample::large()).unwrap();
    let mut guard = Guard::new(&layout);
    let before: Vec<Sectors> = (0..layout.bands())
        .map(|b| guard.written(BandId(b)))
        .collect();
    let band = layout.factory_place(HomeBand(50_000));
    guard.set_written(band, Sectors(7));
    for (id, before) in (0..layout.bands()).map(BandId).zip(before) {
        let expected = if id == band { Sectors(7) } else { before };
        assert_eq!(guard.written(id), expected);
    }
}

#[test]
fn a_run_over_two_bands_obeys_the_rule_in_both() {
    let layout = Layout::new(&sample::tiny()).unwrap();
    let (a, b) = (
        layout.factory_place(HomeBand(0)),
        layout.factory_place(HomeBand(1)),
    );
    let first = layout.band(a);
    let mut guard = Guard::new(&layout);
    guard.set_written(a, Sectors(first.sectors.0 - 2));
    assert!(check(&mut guard, &layout, Pba(first.end().0 - 2), 5, true));
    assert_eq!(guard.written(a), first.sectors);
    assert_eq!(guard.written(b), Sectors(3));
    assert!(check(&mut guard, &layout, Pba(first.end().0 - 2), 5, false));
    assert!(!check(
        &mut guard,
        &layout,
        Pba(first.end().0 - 2),
        6,
        false
    ));
}

#[test]
fn tracks_that_do_not_overlap_take_any_access() {
    for profile in [
        sample::conventional(sample::tiny()),
        sample::on_flash(sample::tiny()),
    ] {
        let layout = Layout::new(&profile).unwrap();
        let mut guard = Guard::new(&layout);
        for area in layout.areas() {
            let guarded = area.bands > 0 && layout.band(BandId(area.first_band)).guarded;
            assert_eq!(guarded, area.on_tracks() && profile.staging.is_some());
            if !guarded {
                assert!(check(&mut guard, &layout, area.start + Sectors(3), 2, true));
                assert!(check(
                    &mut guard,
                    &layout,
                    area.start + Sectors(9),
                    4,
                    false
                ));
            }
        }
    }
}

#[test]
fn records_on_the_map_count_with_their_padding() {
    let layout = Layout::new(&sample::tiny()).unwrap();
    let mut guard = Guard::new(&layout);
    let map = layout.band(layout.map_half(0));
    let record = |at, sectors| {
        Step::Record(Record {
            bytes: vec![0; 4096],
            at,
            sectors: Sectors(sectors),
            seals: Vec::new(),
            purpose: Purpose::MapMerge,
        })
    };
    guard
        .check(&layout, &plan(vec![record(map.start, 4)]))
        .unwrap();
    assert_eq!(guard.written(map.id), Sectors(4));
    let off = guard.check(&layout, &plan(vec![record(map.start + Sectors(1), 4)]));
    assert_eq!(
        off.unwrap_err().what,
        Offence::WriteOffThePass { at: Sectors(1) }
    );
    guard
        .check(&layout, &plan(vec![record(map.start + Sectors(4), 1)]))
        .unwrap();
    assert_eq!(guard.written(map.id), Sectors(5));
    guard
        .check(
            &layout,
            &plan(vec![record(layout.journal().start + Sectors(5), 1)]),
        )
        .unwrap();
}

#[test]
fn a_violation_tells_the_movement_the_band_and_what_came_before() {
    let layout = Layout::new(&sample::tiny()).unwrap();
    let mut guard = Guard::new(&layout);
    let band = layout.band(layout.factory_place(HomeBand(2)));
    let mut steps: Vec<Step> = (0..11)
        .map(|n| Step::Move(movement(band.start + Sectors(n), 1, false)))
        .collect();
    steps.push(Step::Barrier);
    steps.push(Step::Move(movement(band.start + Sectors(4), 2, true)));
    let violation = guard.check(&layout, &plan(steps)).unwrap_err();
    assert_eq!(violation.band, band);
    assert_eq!(violation.next, band.sectors);
    assert_eq!(violation.what, Offence::WriteOffThePass { at: Sectors(4) });
    let before: Vec<Movement> = (3..11)
        .map(|n| movement(band.start + Sectors(n), 1, false))
        .collect();
    assert_eq!(violation.recent, before);
    let account = violation.to_string();
    for part in [
        format!("band {}", band.id),
        format!("written {0} of {0}", band.sectors),
        format!("to sector {}", band.start + Sectors(4)),
        "clean-write of 8192 bytes".to_owned(),
    ] {
        assert!(
            account.contains(&part),
            "{part:?} is missing in:\n{account}"
        );
    }
    assert_eq!(account.lines().count(), 4 + before.len());
}

#[test]
fn a_write_destroys_the_overlapped_tracks_behind_it() {
    let mut profile = sample::tiny();
    profile.bands.size = crate::profile::BandSize::Tracks(5);
    profile.bands.guard_tracks = 2;
    profile.bands.overlap_tracks = 2;
    let layout = Layout::new(&profile).unwrap();
    let band = layout.band(layout.factory_place(HomeBand(0)));
    let per_track = u64::from(band.sectors_per_track);
    for start in 0..band.sectors.0 {
        for sectors in 1..=band.sectors.0 - start {
            let run = PbaExtent::new(band.start + Sectors(start), Sectors(sectors));
            let destroyed = Guard::destroyed_by(&layout, run);
            // By definition: each written track overlaps the two behind it; what the run itself
            // wrote later than that survives.
            for sector in 0..band.sectors.0 {
                let track = sector / per_track;
                let overlapped = (start..start + sectors)
                    .any(|w| w / per_track < track && track <= w / per_track + 2);
                let survives = (start..start + sectors).contains(&sector) || sector < start;
                let pba = band.start + Sectors(sector);
                let lost = destroyed.is_some_and(|extent| extent.contains(pba));
                assert_eq!(
                    lost,
                    overlapped && !survives,
                    "{start}+{sectors}: sector {sector}"
                );
            }
        }
    }
    let control = Layout::new(&sample::conventional(sample::tiny())).unwrap();
    let home = control.band(control.factory_place(HomeBand(0)));
    let first = PbaExtent::new(home.start, Sectors(1));
    assert_eq!(Guard::destroyed_by(&control, first), None);
}

proptest! {
    /// Against a model that marks each sector readable or not.
    #[test]
    fn the_count_agrees_with_a_map_of_every_sector(
        steps in prop::collection::vec((any::<bool>(), any::<u16>(), 1u64..30, 0u8..3), 1..60),
    ) {
        let layout = Layout::new(&sample::tiny()).unwrap();
        let band = layout.band(BandId(layout.spares_for(HomeBand(0)).start));
        let length = band.sectors.0;
        let mut guard = Guard::new(&layout);
        let mut readable = vec![false; index(length)];
        for (write, at, sectors, aim) in steps {
            let next = readable.iter().take_while(|r| **r).count();
            let at = match aim {
                0 => u64::from(at) % length,
                1 => 0,
                _ => u64::try_from(next).unwrap() % length,
            };
            let sectors = sectors.min(length - at);
            let (from, to) = (index(at), index(at + sectors));
            let legal = if write {
                let keeps = !readable[from..].iter().any(|r| *r);
                at == 0 || keeps && readable[..from].iter().all(|r| *r)
            } else {
                readable[from..to].iter().all(|r| *r)
            };
            let found = check(&mut guard, &layout, band.start + Sectors(at), sectors, write);
            prop_assert_eq!(found, legal);
            if legal && write {
                readable[from..to].fill(true);
                readable[to..].fill(false);
            }
            let next = readable.iter().take_while(|r| **r).count();
            prop_assert_eq!(guard.written(band.id).0, u64::try_from(next).unwrap());
        }
    }
}
