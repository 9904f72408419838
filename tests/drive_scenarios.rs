//! Sequences of requests that a drive once got wrong, or that only a certain state brings about,
//! written out.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed

mod rig;

use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::movement::{RequestId, Step};
use imbrex::medium::store::Store;
use imbrex::profile::{Profile, StagingMedium, StagingPlace};
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
fn recovery_counts_the_slots_of_a_band_that_was_used_again() {
    let mut rig = Rig::new(&two_regions(2));
    for _ in 0..8 {
        each(&mut rig, &[write(0, 8), write(64, 8), trim(0, 512)]);
    }
    each(&mut rig, &[write(0, 8)]);
    let used = |rig: &Rig| rig.opened.drive.status(rig.now).staging_slots_used;
    let before = used(&rig);
    assert_eq!(before, 1);
    let rig = lose_all(rig);
    assert_eq!(used(&rig), before);
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
fn nothing_is_durable_that_the_mover_has_not_carried_out() {
    let zero = |may_deallocate| Ask::Zero {
        at: 0,
        pieces: 16,
        fua: true,
        may_deallocate,
    };
    for (cache, asks) in [
        (true, vec![fua(0, 8)]),
        (true, vec![fua(3, 2)]),
        (true, vec![zero(false)]),
        (true, vec![zero(true)]),
        (true, vec![write(0, 8), Ask::Flush]),
        (true, vec![trim(0, 8), Ask::Flush]),
        (false, vec![write(0, 8)]),
        (false, vec![write(3, 2)]),
        (false, vec![trim(0, 8)]),
        // Only the edges are left to do once they are zeroed.
        (false, vec![trim(2, 3)]),
        (true, vec![read(0, 16)]),
    ] {
        let mut profile = tiny();
        profile.write_cache.enabled = cache;
        let mut rig = Rig::new(&profile);
        each(&mut rig, &[write(0, 16), Ask::Flush]);
        let answers = rig.completions.len();
        for ask in &asks {
            rig.ask(*ask);
        }
        for _ in 0..20 {
            rig.advance();
            rig.carry(0);
        }
        let given = rig.completions.len() - answers;
        assert!(given < asks.len(), "{asks:?}: answered in vain");
        rig.cut_power(0, &mut |_| Fate::Lost);
    }
}

#[test]
fn the_limit_of_extents_is_kept() {
    let mut profile = tiny();
    profile.staging.as_mut().unwrap().extents = 8;
    for cache in [false, true] {
        profile.write_cache.enabled = cache;
        let mut rig = Rig::new(&profile);
        for i in 0..30 {
            rig.ask(write(i * 48, 8));
        }
        rig.ask(Ask::Flush);
        while rig.under_way() > 0 {
            assert!(rig.opened.drive.status(rig.now).extents_used <= 8);
            assert!(rig.step());
        }
    }
}

#[test]
fn the_journal_is_used_again_only_when_a_durable_map_covers_it() {
    // The steps of the plan in which the journal is full: the power goes after each.
    let mut reached = 0;
    loop {
        let mut profile = tiny();
        profile.drive.capacity_bytes = 2 << 20;
        profile.cleaning.idle_delay = Duration::from_ms(1_000_000);
        profile.write_cache.enabled = false;
        let mut rig = Rig::new(&profile);
        rig.done(write(0, 2400));
        let maps = |rig: &Rig| rig.tally.get("delta maps") + rig.tally.get("full maps");
        let before = maps(&rig);
        // Discards are records and no entries: nothing but the journal's end makes a map due.
        let mut trims = 0;
        while maps(&rig) == before {
            rig.carry_out();
            if rig.under_way() == 0 {
                rig.ask(trim(trims * 8, 8));
                trims += 1;
            } else {
                assert!(rig.advance());
            }
        }
        assert!(trims > 200, "the journal is full after {trims} records");
        let steps = rig.steps_waiting();
        let layout = rig.opened.drive.translation().unwrap().layout().clone();
        rig.cut_power(reached, &mut |sector| {
            if layout.journal().contains(imbrex::units::Pba(sector)) {
                Fate::Kept
            } else {
                Fate::Lost
            }
        });
        reached += 1;
        if reached > steps {
            break;
        }
    }
}

#[test]
fn a_whole_write_is_not_lost_to_one_that_merged_its_sector_before() {
    let mut rig = Rig::new(&tiny());
    each(&mut rig, &[write(800, 8), Ask::Flush]);
    // The first fills an entry, so that the second waits with its sector read already.
    rig.ask(fua(0, 128));
    rig.ask(fua(804, 1));
    rig.step();
    let whole = rig.ask(write(800, 8)).0;
    rig.settle();
    assert_eq!(rig.values_unchecked(800, 4), vec![Some(whole); 4]);
}

#[test]
fn a_whole_write_is_not_lost_to_one_that_shares_its_entry_and_its_sector() {
    let mut rig = Rig::new(&tiny());
    each(&mut rig, &[write(800, 8), Ask::Flush]);
    // Both wait while the arm is busy.
    rig.ask(fua(8000, 8));
    rig.step();
    let whole = rig.ask(fua(800, 8)).0;
    rig.ask(fua(804, 1));
    rig.settle();
    assert_eq!(rig.values_unchecked(800, 4), vec![Some(whole); 4]);
}

#[test]
fn a_discard_in_the_middle_of_a_run_over_three_bands_keeps_to_the_limit_of_extents() {
    let mut profile = tiny();
    profile.write_cache.enabled = false;
    profile.write_cache.bypass_run_bytes = 0;
    profile.staging.as_mut().unwrap().extents = 3;
    let mut rig = Rig::new(&profile);
    let extents = |rig: &Rig| rig.opened.drive.status(rig.now).extents_used;
    for i in 0..5 {
        rig.done(write(448 + i * 128, 128));
    }
    assert_eq!(extents(&rig), 1, "one run over three bands");
    rig.ask(trim(480, 576));
    while rig.under_way() > 0 {
        assert!(extents(&rig) <= 3);
        assert!(rig.step());
    }
    assert!(extents(&rig) <= 3);
    each(&mut rig, &[read(448, 640)]);
}

#[test]
fn what_was_staged_over_a_direct_write_survives_its_completion() {
    let mut profile = tiny();
    profile.write_cache.bypass_run_bytes = 64 << 10;
    profile.write_cache.bytes = 512 << 10;
    let mut rig = Rig::new(&profile);
    // The band is full.
    for i in 0..4 {
        rig.ask(write(i * 128, 128));
    }
    each(&mut rig, &[Ask::Flush, fua(15_000, 8)]);
    assert!(rig.tally.get("direct appends") > 0);
    // Its first half anew, over a spare; something small in that, and behind it; the other half.
    for asks in [
        vec![write(0, 128), write(128, 128), Ask::Flush],
        vec![fua(8, 8), trim(40, 16), fua(400, 8)],
        vec![write(256, 128), write(384, 128), Ask::Flush],
    ] {
        each(&mut rig, &asks);
    }
    assert_eq!(
        rig.tally.get("direct diverts completed"),
        1,
        "{:?}",
        rig.tally
    );
    each(&mut rig, &[read(0, 512)]);
    let rig = lose_all(rig);
    rig.shut_down_and_reopen();
}

#[test]
fn a_record_longer_than_a_sector_begins_anew_where_the_journal_begins() {
    let mut profile = tiny();
    profile.drive.capacity_bytes = 4 << 20;
    profile.write_cache.bytes = 4 << 20;
    profile.write_cache.bypass_run_bytes = 0;
    let staging = profile.staging.as_mut().unwrap();
    staging.medium = StagingMedium::Flash {
        read_latency: Duration::from_us(80),
        write_latency: Duration::from_us(200),
        bytes_per_s: 200_000_000,
    };
    staging.slots = 2048;
    staging.bytes = 8 << 20;
    staging.entry_bytes_max = 2 << 20;
    staging.extents = 2000;
    // As few as make the journal 256 sectors long.
    staging.merge_every_entries = 6;
    let mut wrapped = 0;
    for short in 244..256 {
        let mut rig = Rig::new(&profile);
        for _ in 0..short {
            rig.done(fua(8, 8));
        }
        // Every other sector: a record of more than 250 ranges.
        for sector in 0..300 {
            rig.ask(write(sector * 16, 8));
        }
        rig.done(Ask::Flush);
        let met = |what| rig.tally.get(what);
        assert!(met("long records") > 0, "{:?}", rig.tally);
        wrapped += met("long records sent to the start of the journal");
        lose_all(rig);
    }
    assert!(wrapped > 0);
}
