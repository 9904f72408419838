//! Sequences of requests that a drive once got wrong, or that only a certain state brings about,
//! written out.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed

mod rig;

use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::movement::{RequestId, Step};
use imbrex::medium::store::Store;
use imbrex::profile::{Profile, QueueOrder, StagingMedium, StagingPlace};
use imbrex::time::{Duration, Instant};

use rig::Ask;
use rig::Rig;
use rig::run::tiny;

fn write(at: u64, pieces: u64) -> Ask {
    Ask::Write {
        at,
        pieces,
        fua: false,
    }
}

fn fua(at: u64, pieces: u64) -> Ask {
    Ask::Write {
        at,
        pieces,
        fua: true,
    }
}

fn read(at: u64, pieces: u64) -> Ask {
    Ask::Read { at, pieces }
}

fn trim(at: u64, pieces: u64) -> Ask {
    Ask::Trim { at, pieces }
}

/// Asks one thing after the other.
fn each(rig: &mut Rig, asks: &[Ask]) {
    for ask in asks {
        rig.ask(*ask);
        rig.settle();
    }
}

fn lose_all(rig: Rig) -> Rig {
    let steps = rig.steps_waiting();
    rig.cut_power(steps, &mut |_| Fate::Lost)
}

#[test]
fn a_flush_vouches_for_what_was_written_over_in_the_cache_meanwhile() {
    let mut rig = Rig::new(&tiny());
    each(&mut rig, &[write(0, 8), Ask::Flush, write(0, 8)]);
    // Keeps the arm busy while the flush waits.
    rig.ask(fua(8000, 8));
    let flush = rig.ask(Ask::Flush);
    rig.ask(write(0, 8));
    while !rig.completions.iter().any(|done| done.request == flush) {
        assert!(rig.step());
    }
    lose_all(rig);
}

#[test]
fn writes_of_different_parts_of_a_sector_at_the_same_time_both_count() {
    for asks in [
        // The first fills an entry, so that the last has to wait, with its sector read already.
        [fua(0, 128), write(800, 1), fua(804, 1)],
        [fua(0, 128), trim(800, 2), fua(804, 1)],
        [write(0, 1024), write(800 + 1024, 1), fua(804 + 1024, 1)],
    ] {
        let mut rig = Rig::new(&tiny());
        each(&mut rig, &[write(800, 8), Ask::Flush]);
        for ask in asks {
            rig.ask(ask);
        }
        rig.settle();
        each(&mut rig, &[read(800, 8), read(1824, 8), Ask::Flush]);
        lose_all(rig);
    }
}

fn two_regions(slots: u64) -> Profile {
    let mut profile = tiny();
    for zone in &mut profile.platters.zones {
        zone.tracks *= 2;
    }
    let staging = profile.staging.as_mut().unwrap();
    staging.medium = StagingMedium::Disk {
        place: StagingPlace::Spread(2),
        quanta_per_track: 2,
        out_of_band_rev_milli: 500,
    };
    staging.slots = slots;
    profile.write_cache.enabled = false;
    profile
}

#[test]
fn a_region_gets_room_when_another_one_holds_all_the_slots() {
    for slots in [1, 2, 7] {
        let mut rig = Rig::new(&two_regions(slots));
        let all = rig.pieces();
        for i in 0..slots {
            each(&mut rig, &[write(i * 64, 8)]);
        }
        each(
            &mut rig,
            &[write(all - 8, 8), write(0, 8), write(all - 8, 8)],
        );
        each(&mut rig, &[read(0, 8), read(all - 8, 8)]);
    }
}

#[test]
fn slots_that_hold_nothing_any_more_do_not_keep_a_region_from_writing() {
    let mut rig = Rig::new(&two_regions(1));
    let all = rig.pieces();
    each(&mut rig, &[write(0, 8), trim(0, 512), write(all - 8, 8)]);
    each(&mut rig, &[trim(all - 512, 512), write(0, 8), read(0, 8)]);
}

#[test]
fn the_former_place_of_a_band_of_a_formatted_drive_is_used_again_only_when_it_is_free_for_good() {
    let mut profile = tiny();
    profile.drive.formatted = true;
    profile.cleaning.passes = 2;
    profile.write_cache.bypass_run_bytes = 64 << 10;
    let mut rig = Rig::new(&profile);
    each(&mut rig, &[write(512, 8), Ask::Flush]);
    // The band moves to the spare; that it did is not durable yet.
    while rig.tally.get("cleaned by swap") == 0 {
        assert!(rig.step(), "an idle drive cleans");
    }
    // Another band is written anew over the former place.
    let mut at = 0;
    while rig.tally.get("direct diverts") == 0 && at < 512 {
        rig.ask(write(at, 128));
        at += 128;
        while rig.tally.get("direct diverts") == 0 && rig.advance() {
            if rig.tally.get("direct diverts") == 0 {
                rig.carry_out();
            }
        }
    }
    assert_eq!(rig.tally.get("direct diverts"), 1);
    // All of its data arrives, its record and the one before do not.
    let steps = rig.steps_waiting();
    let journal = {
        let translation = rig.opened.drive.translation().unwrap();
        translation.layout().journal()
    };
    rig.cut_power(steps, &mut |sector| {
        if journal.contains(imbrex::units::Pba(sector)) {
            Fate::Lost
        } else {
            Fate::Kept
        }
    });
}

#[test]
fn a_place_written_again_does_not_take_its_former_record_for_a_torn_one() {
    let mut profile = tiny();
    profile.write_cache.bypass_run_bytes = 64 << 10;
    profile.staging.as_mut().unwrap().merge_every_entries = 1000;
    let mut rig = Rig::new(&profile);
    // A direct write; a small one that is flushed; the band is discarded: no barrier in between.
    rig.ask(write(0, 128));
    rig.settle();
    while rig.tally.get("direct appends") == 0 {
        assert!(rig.step());
    }
    each(&mut rig, &[write(4096, 8)]);
    while !rig.opened.drive.idle() {
        assert!(rig.step());
    }
    each(&mut rig, &[trim(0, 512), Ask::Flush]);
    // The band is written directly again: its data arrives, its record does not.
    rig.ask(write(0, 128));
    while rig.tally.get("direct appends") == 1 {
        rig.carry_out();
        assert!(rig.advance());
    }
    let (steps, layout) = {
        let translation = rig.opened.drive.translation().unwrap();
        (rig.steps_waiting(), translation.layout().clone())
    };
    rig.cut_power(steps, &mut |sector| {
        if layout.journal().contains(imbrex::units::Pba(sector)) {
            Fate::Lost
        } else {
            Fate::Kept
        }
    });
}

#[test]
fn a_read_that_needs_no_arm_leaves_the_reading_ahead_alone() {
    let mut rig = Rig::new(&tiny());
    // Two written places, with a gap that nobody wrote.
    each(
        &mut rig,
        &[write(4096, 512), write(6000 / 8 * 8, 512), Ask::Flush],
    );
    rig.rest(20_000_000_000);
    each(
        &mut rig,
        &[read(6000 / 8 * 8, 8), read(6000 / 8 * 8 + 8, 8)],
    );
    assert!(rig.opened.drive.next_deadline().is_some(), "it reads ahead");
    let before = rig.now;
    rig.opened.drive.advance(before);
    each(&mut rig, &[read(0, 8)]);
    rig.ask(read(4096, 8));
    rig.settle();
    let last = rig.completions.last().unwrap();
    assert!(
        last.breakdown.seek + last.breakdown.rotation > Duration::ZERO,
        "nobody read that ahead: {last:?}"
    );
}

#[test]
fn a_drive_that_stands_still_writes_nothing() {
    for conventional in [false, true] {
        let mut profile = tiny();
        if conventional {
            profile.drive.personality = imbrex::profile::Personality::Conventional;
            profile.bands.overlap_tracks = 0;
            profile.bands.guard_tracks = 0;
            profile.staging = None;
        }
        let store = MemoryStore::new(open::image_bytes(&profile).unwrap());
        open::make(&store, &profile, [7; 16]).unwrap();
        store.sync().unwrap();
        let mut drive = open::open(&store, true).unwrap().drive;
        let capacity = profile.drive.capacity_bytes;
        let asks = [
            Request::new(RequestId(1), Operation::Read, 0, 4096, capacity).unwrap(),
            Request::new(RequestId(2), Operation::Flush, 0, 0, capacity).unwrap(),
        ];
        let mut now = Instant::default();
        for ask in asks {
            drive.submit(now, ask);
        }
        drive.shut_down(now);
        for _ in 0..100 {
            let Some(next) = drive.next_deadline() else {
                break;
            };
            now = now.max(next.at);
            drive.advance(now);
        }
        assert!(drive.idle());
        assert_eq!(drive.next_deadline(), None);
        let mut effects = Vec::new();
        drive.drain_effects(&mut effects);
        for effect in &effects {
            if let Effect::Move(plan) = effect {
                let reads = |step: &Step| match step {
                    Step::Move(movement) => movement.writes().is_none(),
                    Step::Order => true,
                    Step::Record(_) | Step::Barrier => false,
                };
                assert!(plan.steps.iter().all(reads), "it would write: {plan:?}");
            }
        }
        assert_eq!(store.sectors_at_stake(), 0);
    }
}

#[test]
fn a_trim_of_parts_of_sectors_is_durable_when_answered_without_a_cache() {
    let mut profile = tiny();
    profile.write_cache.enabled = false;
    let mut rig = Rig::new(&profile);
    each(&mut rig, &[write(0, 16)]);
    rig.ask(trim(2, 3));
    // The mover does nothing for a while.
    for _ in 0..20 {
        rig.advance();
        rig.carry(0);
    }
    rig.cut_power(0, &mut |_| Fate::Lost);
}

fn prefilled(profile: &Profile) -> imbrex::drive::Drive {
    let mut drive = open::imagined(profile).unwrap();
    let capacity = profile.drive.capacity_bytes;
    for (i, at) in (0..capacity).step_by(64 << 10).enumerate() {
        let id = RequestId(u64::try_from(i).unwrap() + 1);
        let request = Request::new(id, Operation::Write { fua: true }, at, 64 << 10, capacity);
        drive.submit(Instant::default(), request.unwrap());
    }
    drive.advance(Instant(1_000_000_000_000));
    drive.drain_effects(&mut Vec::new());
    assert!(drive.idle());
    drive
}

#[test]
fn a_flush_is_answered_though_the_host_never_stops_reading() {
    let profile = tiny();
    let mut drive = prefilled(&profile);
    let start = Instant(1_000_000_000_000);
    let capacity = profile.drive.capacity_bytes;
    let ask = |id, operation, at, bytes| Request::new(id, operation, at, bytes, capacity).unwrap();
    drive.submit(
        start,
        ask(RequestId(900), Operation::Write { fua: false }, 0, 4096),
    );
    drive.submit(start, ask(RequestId(901), Operation::Flush, 0, 0));
    let mut at = 0;
    let took = answered_from(&mut drive, start, RequestId(901), 4, |id| {
        at = (at + 1_310_720) % capacity;
        ask(id, Operation::Read, at, 4096)
    });
    assert!(
        took.is_some_and(|took| took < Duration::from_ms(2000)),
        "{took:?}"
    );
}

#[test]
fn a_flush_is_answered_though_a_stream_of_writes_never_ends() {
    let profile = tiny();
    let mut drive = open::imagined(&profile).unwrap();
    let capacity = profile.drive.capacity_bytes;
    let ask = |id, operation, at, bytes| Request::new(id, operation, at, bytes, capacity).unwrap();
    let start = Instant::default();
    drive.submit(
        start,
        ask(RequestId(900), Operation::Write { fua: false }, 0, 4096),
    );
    drive.submit(start, ask(RequestId(901), Operation::Flush, 0, 0));
    let mut at = 4096;
    let took = answered_from(&mut drive, start, RequestId(901), 8, |id| {
        at = (at + 4096) % capacity;
        ask(id, Operation::Write { fua: false }, at, 4096)
    });
    assert!(
        took.is_some_and(|took| took < Duration::from_ms(1000)),
        "{took:?}"
    );
}

#[test]
fn a_far_read_is_answered_though_near_ones_keep_coming() {
    for watched in [Operation::Read, Operation::Write { fua: true }] {
        let mut profile = tiny();
        profile.drive.queue_order = QueueOrder::Nearest;
        profile.read_ahead_bytes = 0;
        let mut drive = prefilled(&profile);
        let start = Instant(1_000_000_000_000);
        let capacity = profile.drive.capacity_bytes;
        let ask = |id, operation, at| Request::new(id, operation, at, 4096, capacity).unwrap();
        drive.submit(start, ask(RequestId(899), Operation::Read, 0));
        drive.submit(start, ask(RequestId(900), Operation::Read, capacity - 4096));
        drive.submit(start, ask(RequestId(901), watched, capacity - 8192));
        let mut at = 0;
        let took = answered_from(&mut drive, start, RequestId(901), 4, |id| {
            at = (at + 4096) % 65536;
            ask(id, Operation::Read, at)
        });
        assert!(
            took.is_some_and(|took| took < Duration::from_ms(3000)),
            "{took:?}"
        );
    }
}

#[test]
fn a_large_write_gets_room_in_the_cache_though_small_ones_keep_coming() {
    let mut profile = tiny();
    profile.staging.as_mut().unwrap().entry_bytes_max = 16 << 10;
    let mut drive = open::imagined(&profile).unwrap();
    let capacity = profile.drive.capacity_bytes;
    let write = |id, at, bytes| {
        let operation = Operation::Write { fua: false };
        Request::new(id, operation, at, bytes, capacity).unwrap()
    };
    let start = Instant::default();
    for i in 0..16 {
        drive.submit(start, write(RequestId(i + 1), i * 40960, 4096));
    }
    drive.submit(start, write(RequestId(901), 1 << 20, 60 << 10));
    let mut at = 0;
    let took = answered_from(&mut drive, start, RequestId(901), 8, |id| {
        at = (at + 40960) % capacity;
        write(id, at, 4096)
    });
    assert!(
        took.is_some_and(|took| took < Duration::from_ms(2000)),
        "{took:?}"
    );
}

/// Lets the host keep the drive busy with `depth` requests at a time that `next` makes, and tells
/// how long `watched` took; `None`: more than a minute.
fn answered_from(
    drive: &mut imbrex::drive::Drive,
    start: Instant,
    watched: RequestId,
    depth: usize,
    mut next: impl FnMut(RequestId) -> Request,
) -> Option<Duration> {
    let mut now = start;
    let mut asked = 1000;
    let mut under_way: Vec<RequestId> = Vec::new();
    let mut due: Vec<(Instant, RequestId)> = Vec::new();
    while now.since(start) < Duration::from_ms(60_000) {
        let mut effects = Vec::new();
        drive.drain_effects(&mut effects);
        for effect in effects {
            if let Effect::Complete(done) = effect {
                if done.request == watched {
                    return Some(done.due.since(done.arrived));
                }
                due.push((done.due, done.request));
            }
        }
        due.retain(|(at, id)| {
            if *at <= now {
                under_way.retain(|other| other != id);
            }
            *at > now
        });
        if under_way.len() < depth {
            asked += 1;
            under_way.push(RequestId(asked));
            drive.submit(now, next(RequestId(asked)));
            continue;
        }
        let deadline = drive.next_deadline().map(|deadline| deadline.at);
        let answer = due.iter().map(|(at, _)| *at).min();
        now = now.max([deadline, answer].into_iter().flatten().min().unwrap());
        drive.advance(now);
    }
    None
}
