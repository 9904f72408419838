//! The promises of `docs/semantics.md`, each kept by the test of its name.
//!
//! Every kind of drive is put to the test in virtual time; a power cut loses, keeps or tears what no
//! sync has made durable. Here every request is answered before the next is asked: what concurrent
//! requests may do is for `drive_against_reference` to find out.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names the drive

mod drives;
mod rig;
mod served;

use std::cell::RefCell;
use std::collections::BTreeSet;

use drives::{
    Array, Fating, SECOND_NS, SECTOR, cut_power_anywhere, each_kind, fua, is_managed, kept, kinds,
    lost, places, slice, torn, write,
};
use imbrex::drive::request::{Refusal, Whereabouts};
use imbrex::host::handle::{Answer, Ask as HostAsk, HostError};
use imbrex::image::open;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::store::Store;
use imbrex::profile::{CleaningStyle, Profile};
use imbrex::time::Duration;
use imbrex::units::HomeBand;
use rig::{Ask, PIECE, Rig};
use served::{Served, new_image};

#[test]
fn acknowledged_writes_are_read_back() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for (i, (at, pieces)) in places(1, 300, rig.pieces(), 3).into_iter().enumerate() {
            array.write(&mut rig, at, pieces);
            assert_eq!(rig.values(at, pieces), array.0[slice(at, pieces)]);
            if i % 40 == 0 {
                rig.rest(SECOND_NS);
            }
        }
        array.check(&mut rig);
    });
}

#[test]
fn reads_of_never_written_ranges_are_zeroes() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        rig.done(write(800, 8));
        let all = rig.pieces();
        assert!(rig.values(0, 800).iter().all(|piece| *piece == Some(0)));
        assert!(
            rig.values(808, all - 808)
                .iter()
                .all(|piece| *piece == Some(0))
        );
    });
}

#[test]
fn unaligned_writes_change_only_their_bytes() {
    each_kind(|profile| {
        let served = Served::start(&new_image(profile), false);
        let mut array = vec![0; 200_000];
        for i in 0..150_usize {
            let (at, bytes) = (i * 7_919 % 190_000, 1 + i * 613 % 9_000);
            let data: Vec<u8> = (0..bytes)
                .map(|b| u8::try_from((b + i) % 251).unwrap())
                .collect();
            array[at..at + bytes].copy_from_slice(&data);
            served.write(u64::try_from(at).unwrap(), data).unwrap();
        }
        assert!(served.read(0, 200_000) == array);
        served.stop().unwrap();
    });
}

/// Asks for zeroes, in every way there is.
fn zeroings(at: u64, pieces: u64) -> [Ask; 3] {
    let zero = |may_deallocate| Ask::Zero {
        at,
        pieces,
        fua: may_deallocate,
        may_deallocate,
    };
    [Ask::Trim { at, pieces }, zero(false), zero(true)]
}

/// Everything written, some of it zeroed by `kind`: zeroes there, nothing else changed, also later.
fn check_zeroing(kind: usize) {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for at in (0..rig.pieces()).step_by(128) {
            array.write(&mut rig, at, 128);
        }
        for (i, (at, pieces)) in places(2, 60, rig.pieces(), 5).into_iter().enumerate() {
            let pieces = if i % 20 == 0 { 600 } else { pieces };
            let at = at.min(rig.pieces() - pieces);
            rig.done(zeroings(at, pieces)[kind]);
            array.zero(at, pieces);
            assert_eq!(rig.values(at, pieces), array.0[slice(at, pieces)]);
        }
        array.check(&mut rig);
        rig.rest(60 * SECOND_NS);
        array.check(&mut rig);
    });
}

#[test]
fn trimmed_ranges_read_as_zeroes() {
    check_zeroing(0);
}

#[test]
fn zeroed_ranges_read_as_zeroes() {
    check_zeroing(1);
    check_zeroing(2);
}

#[test]
fn ranges_that_live_nowhere_read_as_zeroes() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        let all = rig.pieces();
        for (at, pieces) in places(3, 60, all, 8) {
            rig.done(write(at, pieces));
        }
        let (at, pieces) = (all / 3, all / 3);
        rig.done(Ask::Trim { at, pieces });
        let mut at = 0;
        let mut kinds = BTreeSet::new();
        for (bytes, place) in rig.opened.drive.whereabouts(0, all * PIECE) {
            kinds.insert(format!("{place:?}"));
            let pieces = bytes / PIECE;
            if place == Whereabouts::Nowhere {
                assert!(rig.values(at, pieces).iter().all(|piece| *piece == Some(0)));
            }
            at += pieces;
        }
        assert_eq!(at, all, "all of the drive lives somewhere or nowhere");
        let told_apart = is_managed(profile) && !profile.drive.formatted;
        assert!(!told_apart || kinds.contains("Nowhere"), "{kinds:?}");
    });
}

#[test]
fn requests_past_the_end_are_refused() {
    let profile = &kinds()[0];
    let served = Served::start(&new_image(profile), false);
    let end = profile.drive.capacity_bytes;
    let ranges = [
        (end, 1),
        (end - 1, 2),
        (u64::MAX, 1),
        (u64::MAX - 1, u64::MAX),
    ];
    for (offset, bytes) in ranges {
        let may_deallocate = true;
        let fua = false;
        for ask in [
            HostAsk::Read { offset, bytes },
            HostAsk::Trim { offset, bytes, fua },
            HostAsk::WriteZeroes {
                offset,
                bytes,
                fua,
                may_deallocate,
            },
        ] {
            let outcome = served.handle.ask(ask);
            let refused = HostError::Refused(Refusal::OutOfBounds {
                offset,
                bytes,
                capacity: end,
            });
            assert_eq!(outcome, Err(refused));
        }
    }
    served.write(end - 2, vec![1; 3]).unwrap_err();
    assert_eq!(
        served.read(end - 4, 4),
        [0; 4],
        "not even the part that fits"
    );
    served.stop().unwrap();
}

#[test]
fn flushed_data_survives_a_power_cut() {
    each_kind(|profile| {
        let prepare = |rig: &mut Rig| {
            let mut array = Array::new(rig);
            for (at, pieces) in places(4, 40, rig.pieces(), 8) {
                array.write(rig, at, pieces);
            }
            rig.done(Ask::Flush);
            array
        };
        cut_power_anywhere(profile, prepare, |rig, array| array.check(rig));
    });
}

#[test]
fn flushed_trims_survive_a_power_cut() {
    each_kind(|profile| {
        let prepare = |rig: &mut Rig| {
            let mut array = Array::new(rig);
            for at in (0..6_000).step_by(120) {
                array.write(rig, at, 120);
            }
            for (at, pieces) in [(0, 520), (800, 8), (1_003, 40), (2_000, 1_500)] {
                rig.done(Ask::Trim { at, pieces });
                array.zero(at, pieces);
            }
            rig.done(Ask::Flush);
            array
        };
        cut_power_anywhere(profile, prepare, |rig, array| array.check(rig));
    });
}

#[test]
fn fua_writes_survive_a_power_cut() {
    each_kind(|profile| {
        let prepare = |rig: &mut Rig| {
            let mut kept = Vec::new();
            for (at, pieces) in places(5, 6, rig.pieces(), 8) {
                // What is only cached must not stand before it.
                rig.done(write(at, pieces));
                let by = rig.done(fua(at, pieces));
                kept.push((at, pieces, by));
            }
            kept
        };
        cut_power_anywhere(profile, prepare, |rig, kept| {
            for &(at, pieces, by) in kept {
                let values = rig.values(at, pieces);
                assert!(values.iter().all(|value| *value == Some(by)), "{values:?}");
            }
        });
    });
}

#[test]
fn with_the_cache_off_every_acknowledged_write_survives() {
    each_kind(|profile| {
        if profile.write_cache.enabled {
            return;
        }
        let prepare = |rig: &mut Rig| {
            let mut array = Array::new(rig);
            for (at, pieces) in places(6, 30, rig.pieces(), 5) {
                array.write(rig, at, pieces);
            }
            array
        };
        cut_power_anywhere(profile, prepare, |rig, array| array.check(rig));
    });
}

#[test]
fn a_flush_covers_what_was_acknowledged_before_it() {
    each_kind(|profile| {
        let served = Served::start(&new_image(profile), false);
        let other = served.handle.clone();
        for i in 0..20_u8 {
            let offset = u64::from(i) * 40_960;
            served.write(offset, vec![i + 1; 8_192]).unwrap();
            other.ask(HostAsk::Flush).unwrap();
            let after = Served::start(&served.store.power_cut(&mut lost), true);
            assert_eq!(after.read(offset, 8_192), vec![i + 1; 8_192]);
            after.stop().unwrap();
        }
        served.stop().unwrap();
    });
}

#[test]
fn unflushed_data_is_old_or_new() {
    let outcomes = RefCell::new(BTreeSet::new());
    each_kind(|profile| {
        let spots = |all| places(7, 5, all, 8);
        let prepare = |rig: &mut Rig| {
            let write_all = |rig: &mut Rig| -> Vec<u64> {
                let spots = spots(rig.pieces());
                spots
                    .iter()
                    .map(|&(at, pieces)| rig.done(write(at, pieces)))
                    .collect()
            };
            let old = write_all(rig);
            rig.done(Ask::Flush);
            let new = write_all(rig);
            (old, new)
        };
        cut_power_anywhere(profile, prepare, |rig, (old, new)| {
            for (i, (at, pieces)) in spots(rig.pieces()).into_iter().enumerate() {
                for value in rig.values(at, pieces) {
                    assert!(value == Some(old[i]) || value == Some(new[i]), "{value:?}");
                    outcomes
                        .borrow_mut()
                        .insert((is_managed(profile), value == Some(new[i])));
                }
            }
        });
    });
    assert_eq!(
        outcomes.into_inner().len(),
        4,
        "both were seen, on both sorts of drive"
    );
}

#[test]
fn a_sector_is_never_torn() {
    each_kind(|profile| {
        if !is_managed(profile) {
            return;
        }
        let spots = |all| places(8, 8, all, SECTOR);
        let prepare = |rig: &mut Rig| {
            for flushed in [true, false] {
                for (at, pieces) in spots(rig.pieces()) {
                    rig.done(write(at, pieces));
                }
                if flushed {
                    rig.done(Ask::Flush);
                }
            }
        };
        cut_power_anywhere(profile, prepare, |rig, ()| {
            for (at, pieces) in spots(rig.pieces()) {
                for sector in rig
                    .values(at, pieces)
                    .chunks(usize::try_from(SECTOR).unwrap())
                {
                    assert!(sector.iter().all(|piece| *piece == sector[0]), "{sector:?}");
                }
            }
        });
    });
}

#[test]
fn an_orderly_end_loses_nothing() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for (at, pieces) in places(9, 50, rig.pieces(), 8) {
            array.write(&mut rig, at, pieces);
        }
        rig.shut_down();
        let mut rig = rig.cut_power(0, &mut lost);
        assert_eq!(rig.opened.report.replayed, 0, "the map covers everything");
        array.check(&mut rig);
    });
}

#[test]
fn opening_twice_changes_nothing() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        for (at, pieces) in places(10, 50, rig.pieces(), 8) {
            rig.done(write(at, pieces));
        }
        rig.begin_step();
        let half = rig.steps_waiting() / 2;
        let cut = rig.store().power_cut(&mut torn);
        let report = open::open(&cut, false).unwrap().report;
        let again = open::open(&cut, false).unwrap().report;
        assert_eq!(
            report, again,
            "what opening only planned has not changed the image"
        );
        let mut rig = rig.cut_power(half, &mut torn);
        let first = rig.values(0, rig.pieces());
        let fates: [Fating; 3] = [lost, torn, kept];
        for fate in fates {
            rig = rig.cut_power(0, &mut |sector| fate(sector));
            assert!(rig.values(0, rig.pieces()) == first);
        }
    });
}

fn bytes_of(store: &MemoryStore) -> Vec<u8> {
    let mut bytes = vec![0; usize::try_from(store.bytes().unwrap()).unwrap()];
    store.read_at(&mut bytes, 0).unwrap();
    bytes
}

#[test]
fn a_read_only_drive_is_never_written() {
    each_kind(|profile| {
        let mut rig = Rig::new(profile);
        for (at, pieces) in places(11, 50, rig.pieces(), 8) {
            rig.done(write(at, pieces));
        }
        // The journal has something to replay, and bands are dirty.
        let store = rig.store().power_cut(&mut kept);
        let before = bytes_of(&store);
        let served = Served::start(&store, true);
        let (offset, bytes, fua, may_deallocate) = (4_096, 4_096, false, true);
        for ask in [
            HostAsk::Write {
                offset,
                data: vec![1; 4_096],
                fua,
            },
            HostAsk::Trim { offset, bytes, fua },
            HostAsk::WriteZeroes {
                offset,
                bytes,
                fua,
                may_deallocate,
            },
        ] {
            assert_eq!(served.handle.ask(ask), Err(HostError::ReadOnly));
        }
        served.read(0, profile.drive.capacity_bytes / 2);
        assert_eq!(served.handle.ask(HostAsk::Flush), Ok(Answer::Done));
        served.stop().unwrap();
        assert!(bytes_of(&store) == before);
        assert_eq!((store.sectors_at_stake(), store.syncs()), (0, 0));
    });
}

#[test]
fn cleaning_changes_no_byte() {
    each_kind(|profile| {
        if !is_managed(profile) || profile.cleaning.style == CleaningStyle::Lazy {
            return;
        }
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for (at, pieces) in places(12, 60, rig.pieces(), 8) {
            array.write(&mut rig, at, pieces);
        }
        rig.rest(600 * SECOND_NS);
        let status = rig.opened.drive.status(rig.now);
        assert!(status.counters.bands_cleaned > 0);
        assert_eq!(status.dirty_bands, 0, "it had time for everything");
        array.check(&mut rig);
    });
}

#[test]
fn writes_under_cleaning_are_not_lost() {
    each_kind(|profile| {
        if !is_managed(profile) || profile.cleaning.style == CleaningStyle::Lazy {
            return;
        }
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for (at, pieces) in places(13, 40, rig.pieces(), 8) {
            array.write(&mut rig, at, pieces);
        }
        let mut under_cleaning = 0;
        for i in 0..400 {
            rig.step();
            let band = rig.opened.drive.status(rig.now).cleaning_band;
            if let Some(band) = band.filter(|_| i % 3 == 0) {
                let layout = rig.opened.drive.translation().unwrap().layout();
                let whole = layout.home_extent(HomeBand(band));
                let sector = whole.start.0 + i % whole.sectors.0;
                array.write(&mut rig, sector * SECTOR, SECTOR);
                rig.done(Ask::Flush);
                under_cleaning += 1;
                rig.rest(SECOND_NS);
            }
        }
        assert!(under_cleaning > 10, "only {under_cleaning} writes");
        array.check(&mut rig);
        array.check(&mut rig.cut_power(0, &mut lost));
    });
}

#[test]
fn a_full_staging_area_delays_and_never_refuses() {
    each_kind(|profile| {
        if !is_managed(profile) {
            return;
        }
        let mut rig = Rig::new(profile);
        let mut array = Array::new(&rig);
        for (at, _) in places(14, 600, rig.pieces(), 8) {
            array.write(&mut rig, at, SECTOR);
        }
        let counters = rig.opened.drive.status(rig.now).counters;
        assert!(counters.bands_cleaned_foreground > 0, "{counters:?}");
        assert!(
            rig.completions
                .iter()
                .any(|c| c.breakdown.room > Duration::ZERO)
        );
        array.check(&mut rig);
    });
}

#[test]
fn a_failed_drive_acknowledges_nothing_more() {
    for profile in kinds() {
        for n in 1..25 {
            let store = new_image(&profile);
            let served = Served::start(&store, false);
            store.fail_nth(n);
            let mut flushed = 0;
            let mut failed = false;
            for i in 0..20_u8 {
                let written = served.write(u64::from(i) * 8_192, vec![i + 1; 4_096]);
                let made_durable = written.and_then(|_| served.handle.ask(HostAsk::Flush));
                assert!(!failed || made_durable.is_err(), "operation {n} had failed");
                match made_durable {
                    Ok(_) => flushed = i + 1,
                    Err(HostError::Failed(_)) => failed = true,
                    Err(other) => panic!("{other}"),
                }
            }
            assert!(failed, "{}: operation {n} never came", profile.name);
            let after = Served::start(&store.power_cut(&mut lost), true);
            for i in 0..flushed {
                assert_eq!(after.read(u64::from(i) * 8_192, 4_096), [i + 1; 4_096]);
            }
            after.stop().unwrap();
            served.stop().unwrap_err();
        }
    }
}

fn mixed_work(profile: &Profile) -> Rig {
    let mut rig = Rig::new(profile);
    for (i, (at, pieces)) in places(15, 200, rig.pieces(), 4).into_iter().enumerate() {
        match i % 10 {
            0 => rig.done(Ask::Flush),
            1 => rig.done(Ask::Trim { at, pieces }),
            2..5 => rig.done(Ask::Read { at, pieces }),
            5 => rig.done(fua(at, pieces)),
            _ => rig.done(write(at, pieces)),
        };
        if i % 50 == 49 {
            rig.rest(2 * SECOND_NS);
        }
    }
    rig
}

#[test]
fn completion_breakdowns_add_up() {
    each_kind(|profile| {
        let rig = mixed_work(profile);
        assert_eq!(rig.completions.len(), 200);
        for completion in rig.completions {
            let took = completion.due.since(completion.arrived);
            assert_eq!(completion.breakdown.modelled(), took, "{completion:?}");
        }
    });
}

#[test]
fn the_same_requests_take_the_same_time() {
    each_kind(|profile| {
        let (first, second) = (mixed_work(profile), mixed_work(profile));
        assert_eq!(first.completions, second.completions);
        assert!(bytes_of(&first.store()) == bytes_of(&second.store()));
    });
}

/// The words between back quotes at the start of list items of the section of promises.
fn promised() -> BTreeSet<String> {
    let page = include_str!("../docs/semantics.md");
    let (_, section) = page.split_once("\n## What is promised").unwrap();
    let (section, _) = section.split_once("\n## What is not promised").unwrap();
    let items = section.lines().filter_map(|line| line.strip_prefix("- `"));
    items
        .map(|item| item.split_once('`').unwrap().0.to_owned())
        .collect()
}

#[test]
fn every_promise_has_a_test_and_every_test_a_promise() {
    let source = include_str!("semantics.rs");
    let tests = source.split("#[test]\nfn ").skip(1);
    let mut names: BTreeSet<String> = tests
        .map(|rest| rest.split_once('(').unwrap().0.to_owned())
        .collect();
    assert!(names.remove("every_promise_has_a_test_and_every_test_a_promise"));
    assert!(names.len() > 10);
    let promised = promised();
    let untested: Vec<_> = promised.difference(&names).collect();
    let unsaid: Vec<_> = names.difference(&promised).collect();
    assert!(untested.is_empty(), "promises without a test: {untested:?}");
    assert!(unsaid.is_empty(), "tests without a promise: {unsaid:?}");
}
