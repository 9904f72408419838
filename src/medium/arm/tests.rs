//! Owns the tests of the arm: figures of the trade, and properties against plain reasoning.

use proptest::prelude::*;

use super::*;
use crate::medium::area::Band;
use crate::medium::movement::{BufferId, Movement, Place, PlanId, RequestId};
use crate::medium::sample;
use crate::units::{BandId, HomeBand};

/// 60 s / 5,900.
const REVOLUTION_NS: u64 = 10_169_492;

struct Rig {
    layout: Layout,
    arm: Arm,
}

impl Rig {
    fn new(profile: &Profile) -> Rig {
        let layout = Layout::new(profile).unwrap();
        let arm = Arm::new(profile, &layout);
        Rig { layout, arm }
    }

    fn home(&self, home: u32) -> Band {
        self.layout.band(self.layout.factory_place(HomeBand(home)))
    }

    fn run(&mut self, steps: Vec<Step>, start: Instant) -> Timing {
        let plan = Plan {
            id: PlanId(1),
            allocate: Vec::new(),
            steps,
        };
        let timing = self.arm.run(&self.layout, &plan, start);
        let parts = timing.seek + timing.rotation + timing.transfer + timing.out_of_band;
        assert_eq!(timing.end.since(start), parts, "the parts add up");
        let by_purpose: u64 = timing.by_purpose.iter().map(|(_, used)| used.time.0).sum();
        assert_eq!(by_purpose, parts.0, "the purposes add up");
        timing
    }
}

fn step(pba: Pba, sectors: u64, purpose: Purpose, write: bool) -> Step {
    let buffer = Place::Buffer {
        id: BufferId::Request(RequestId(1)),
        offset: 0,
    };
    let medium = Place::sector(pba);
    let (from, to) = if write {
        (buffer, medium)
    } else {
        (medium, buffer)
    };
    Step::Move(Movement {
        from,
        to,
        bytes: sectors * 4096,
        purpose,
        buffered: false,
    })
}

fn record(at: Pba, sectors: u64, purpose: Purpose) -> Step {
    Step::Record(Record {
        bytes: vec![0; 4096],
        at,
        sectors: Sectors(sectors),
        seals: Vec::new(),
        purpose,
    })
}

fn entry(layout: &Layout, pba: Pba, payload: u64, padding: u64) -> Vec<Step> {
    vec![
        step(pba, payload / 2, Purpose::Stage, true),
        step(
            pba + Sectors(payload / 2),
            payload - payload / 2,
            Purpose::Stage,
            true,
        ),
        Step::Move(Movement {
            from: Place::Padding,
            to: Place::sector(pba + Sectors(payload)),
            bytes: padding * 4096,
            purpose: Purpose::Stage,
            buffered: false,
        }),
        record(layout.journal().start, 1, Purpose::OutOfBand),
        Step::Barrier,
    ]
}

fn near(found: Duration, expected_ns: u64, off_ns: u64) {
    assert!(
        found.0.abs_diff(expected_ns) <= off_ns,
        "{found}, not {expected_ns} ns"
    );
}

#[test]
fn a_full_track_passes_in_one_revolution() {
    let mut rig = Rig::new(&sample::large());
    let band = rig.home(1_000);
    for moment in [0, 1_000_003, 77_123_456_789].map(Instant) {
        let sectors = Sectors(u64::from(band.sectors_per_track));
        let access = rig
            .arm
            .transfer(&rig.layout, moment, band.start, sectors, false);
        near(access.transfer, REVOLUTION_NS, 20);
        assert_eq!(access.end, access.first_sector_begins + access.transfer);
    }
}

/// Common practice: a quantised entry of half a track with two out-of-band revolutions takes a
/// constant 2.5 revolutions, 25.42 ms at 5,900 rpm, wherever the last one ended.
#[test]
fn an_entry_of_half_a_track_takes_two_and_a_half_revolutions_always() {
    let mut rig = Rig::new(&sample::large());
    let region = rig.layout.regions()[0].bands.clone();
    let mut now = Instant(12_345_678);
    let mut entries = 0;
    for id in (region.start..region.start + 3).map(BandId) {
        let band = rig.layout.band(id);
        let slot = rig.layout.slot_sectors(band.id).0;
        assert_eq!(slot, 212);
        for number in 0..band.sectors.0 / slot {
            let at = band.start + Sectors(number * slot);
            let steps = entry(&rig.layout, at, slot - 11, 11);
            let timing = rig.run(steps, now);
            let expected = if entries == 0 { timing.seek.0 } else { 0 };
            assert_eq!(timing.seek.0, expected);
            near(timing.end.since(now), 25_423_729 + expected, 3);
            near(timing.out_of_band, 2 * REVOLUTION_NS, 1);
            assert_eq!(timing.rotation, Duration::ZERO);
            assert_eq!(timing.by_purpose[Purpose::Stage].bytes, slot * 4096);
            now = timing.end + Duration(entries * 1_234_567);
            entries += 1;
        }
    }
    assert_eq!(entries, 3 * 48);
}

#[test]
fn an_entry_far_from_the_last_one_pays_the_move() {
    let mut rig = Rig::new(&sample::large());
    let region = rig.layout.regions()[0].bands.clone();
    let first = rig.layout.band(BandId(region.start));
    let last = rig.layout.band(BandId(region.end - 1));
    let steps = entry(&rig.layout, last.start, 212, 0);
    rig.run(steps, Instant(0));
    let steps = entry(&rig.layout, first.start, 212, 0);
    let timing = rig.run(steps, Instant(1_000_000_000));
    let distance = last.cylinder - first.cylinder;
    let expected = rig.arm.seek.time(distance) + Duration::from_us(200);
    assert_eq!(timing.seek, expected);
    // After a read elsewhere nothing is hidden either.
    let home = rig.home(100_000);
    rig.run(
        vec![step(home.start, 1, Purpose::HostRead, false)],
        timing.end,
    );
    let steps = entry(&rig.layout, first.start + Sectors(212), 212, 0);
    let timing = rig.run(steps, timing.end + Duration::from_ms(100));
    let expected = rig.arm.seek.time(home.cylinder - first.cylinder) + Duration::from_us(200);
    assert_eq!(timing.seek, expected);
}

#[test]
fn plain_entries_wait_for_rotation_like_any_write() {
    let mut profile = sample::large();
    if let Some(StagingMedium::Disk {
        quanta_per_track, ..
    }) = profile.staging.as_mut().map(|staging| &mut staging.medium)
    {
        *quanta_per_track = 0;
    }
    let mut rig = Rig::new(&profile);
    let band = rig.layout.band(BandId(rig.layout.regions()[0].bands.start));
    let mut waited = 0;
    for number in 0..40 {
        let at = band.start + Sectors(number * 3);
        let timing = rig.run(
            vec![step(at, 3, Purpose::Stage, true)],
            Instant(number * 777_777_777),
        );
        waited += timing.rotation.0;
    }
    let mean = waited / 40;
    assert!(
        mean.abs_diff(REVOLUTION_NS / 2) < REVOLUTION_NS / 4,
        "{mean}"
    );
}

#[test]
fn a_sequential_transfer_over_tracks_and_bands_loses_no_revolution() {
    for profile in sample::all() {
        for write in [false, true] {
            let mut rig = Rig::new(&profile);
            let rev = rig.arm.rotation.revolution();
            let area = rig.layout.area_at(rig.home(0).start).extent();
            let band = rig.home(0);
            // The longest change there is, and what rounding it up to sectors adds.
            let longest = rig.arm.seek.time(band.tracks + profile.bands.guard_tracks);
            let longest = longest.max(profile.platters.head_switch).0;
            let sector = rev.0 / u64::from(band.sectors_per_track);
            let (mut now, mut at) = (Instant(1), area.start);
            for track in 0..300 {
                if !area.contains(at) {
                    break;
                }
                let left = rig.layout.track_place(at).unwrap().left;
                let access = rig.arm.transfer(&rig.layout, now, at, left, write);
                let change = access.seek + access.rotation;
                assert!(
                    track == 0 || change.0 < longest + 2 * sector,
                    "{change} to {at}"
                );
                now = access.end;
                at = at + left;
            }
        }
    }
}

#[test]
fn plans_that_go_on_from_each_other_are_one_transfer() {
    for write in [false, true] {
        let purpose = if write {
            Purpose::CleanWrite
        } else {
            Purpose::CleanRead
        };
        let mut whole = Rig::new(&sample::large());
        let band = whole.home(5_000);
        let begin = Instant(99_999);
        let steps = vec![step(band.start, band.sectors.0, purpose, write)];
        let expected = whole.run(steps, begin).end;
        for piece in [1, 5, u64::from(band.sectors_per_track), 1_000] {
            let mut rig = Rig::new(&sample::large());
            let (mut now, mut done) = (begin, 0);
            while done < band.sectors.0 {
                let sectors = piece.min(band.sectors.0 - done);
                let at = band.start + Sectors(done);
                now = rig.run(vec![step(at, sectors, purpose, write)], now).end;
                done += sectors;
            }
            assert_eq!(now, expected, "in pieces of {piece}");
        }
    }
}

/// Common practice: without a write cache each sequential write arrives just after its sector has
/// gone by.
#[test]
fn synchronous_sequential_single_sector_writes_miss_a_revolution_each() {
    let mut rig = Rig::new(&sample::conventional(sample::large()));
    let band = rig.home(0);
    let overhead = Duration::from_us(50);
    let mut now = Instant(0);
    let first = rig
        .arm
        .transfer(&rig.layout, now, band.start, Sectors(1), true);
    now = first.end;
    for sector in 1..100 {
        let at = band.start + Sectors(sector);
        let access = rig
            .arm
            .transfer(&rig.layout, now + overhead, at, Sectors(1), true);
        let sector_time = REVOLUTION_NS / u64::from(band.sectors_per_track);
        near(access.end.since(now), REVOLUTION_NS + sector_time, 20);
        assert_eq!(access.seek, Duration::ZERO);
        now = access.end;
    }
}

/// Common practice: a random access takes the move, half a revolution and the transfer.
#[test]
fn random_reads_wait_half_a_revolution_on_average() {
    let mut rig = Rig::new(&sample::conventional(sample::large()));
    let (mut rotation, mut now) = (0, Instant(0));
    let reads = 4_000;
    for number in 0..reads {
        let lba = number * 982_451_653 % rig.layout.capacity().0;
        let (home, offset) = rig.layout.home_of(crate::units::Lba(lba));
        let at = rig.layout.band(rig.layout.factory_place(home)).start + offset;
        let access = rig.arm.transfer(&rig.layout, now, at, Sectors(1), false);
        rotation += access.rotation.0;
        now = access.end + Duration(number * 1_000_037);
    }
    let mean = rotation / reads;
    assert!(
        mean.abs_diff(REVOLUTION_NS / 2) < REVOLUTION_NS / 40,
        "{mean}"
    );
}

#[test]
fn moves_take_the_longer_of_arm_and_head_and_writes_settle() {
    let mut rig = Rig::new(&sample::large());
    let here = rig.home(0);
    let (beside, far) = (rig.home(1), rig.home(120_000));
    assert_ne!(here.surface, beside.surface);
    let mut seek = |at: Pba, write| {
        rig.arm
            .transfer(&rig.layout, Instant(0), here.start, Sectors(1), false);
        rig.arm
            .transfer(&rig.layout, Instant(0), at, Sectors(1), write)
            .seek
    };
    assert_eq!(seek(here.start, true), Duration::ZERO);
    assert_eq!(seek(beside.start, false), Duration::from_us(1_000));
    assert_eq!(seek(beside.start, true), Duration::from_us(1_200));
    let distance = far.cylinder - here.cylinder;
    let curve = crate::mechanics::seek::SeekTimes::new(&sample::large().platters);
    assert_eq!(seek(far.start, false), curve.time(distance));
}

#[test]
fn the_map_is_merged_at_the_full_rate_of_its_tracks_and_the_arm_returns() {
    let mut rig = Rig::new(&sample::large());
    let map = rig.layout.band(rig.layout.map_half(1));
    let parked = rig.arm.spot();
    let sectors = 2 * u64::from(map.sectors_per_track);
    let timing = rig.run(
        vec![record(map.start, sectors, Purpose::MapMerge)],
        Instant(5),
    );
    near(timing.transfer, 2 * REVOLUTION_NS, 2);
    let there = rig.arm.seek.time(map.cylinder) + Duration::from_us(200);
    let back = rig.arm.seek.time(map.cylinder + 1);
    assert_eq!(timing.seek, there + back);
    assert_eq!(timing.rotation, Duration::ZERO);
    assert_eq!(timing.by_purpose[Purpose::MapMerge].bytes, sectors * 4096);
    assert_eq!(rig.arm.spot(), parked);
}

#[test]
fn what_needs_no_arm_takes_no_time() {
    let mut rig = Rig::new(&sample::large());
    let Step::Move(read) = step(rig.home(7).start, 3, Purpose::HostRead, false) else {
        unreachable!()
    };
    let buffered = Movement {
        buffered: true,
        ..read
    };
    let memory = Movement {
        from: Place::Zeroes,
        to: Place::Scratch { offset: 0 },
        ..read
    };
    let steps = vec![
        Step::Move(buffered),
        Step::Move(memory),
        Step::Order,
        record(rig.layout.system().start, 1, Purpose::MapMerge),
        step(rig.layout.journal().start, 4, Purpose::HostRead, false),
        Step::Barrier,
    ];
    let timing = rig.run(steps, Instant(3));
    assert_eq!(timing.end, Instant(3));
    assert_eq!(timing.by_purpose[Purpose::HostRead].time, Duration::ZERO);
    assert_eq!(rig.arm.spot(), (0, 0));
}

#[test]
fn flash_takes_a_latency_and_its_rate_and_moves_no_arm() {
    let mut rig = Rig::new(&sample::on_flash(sample::large()));
    let segment = rig.layout.band(BandId(rig.layout.regions()[0].bands.start));
    let steps = entry(&rig.layout, segment.start, 100, 0);
    let timing = rig.run(steps, Instant(0));
    // 300 us and 409,600 bytes at 200 MB/s; the record is included.
    near(timing.transfer, 300_000 + 2_048_000, 5);
    assert_eq!(timing.out_of_band, Duration::ZERO);
    assert_eq!(rig.arm.spot(), (0, 0));
    let read = vec![step(segment.start, 1, Purpose::HostRead, false)];
    near(rig.run(read, timing.end).transfer, 100_000 + 20_480, 1);
}

proptest! {
    /// Asking first gives the wait that follows, and moves nothing.
    #[test]
    fn positioning_foretells_the_transfer(
        accesses in prop::collection::vec((any::<u64>(), any::<bool>(), 1u64..900, 0u64..40_000_000), 1..30),
        which in 0usize..3,
    ) {
        let profiles = [sample::large(), sample::conventional(sample::tiny()), sample::on_flash(sample::tiny())];
        let mut rig = Rig::new(&profiles[which]);
        let mut now = Instant(0);
        for (at, write, sectors, pause) in accesses {
            let at = Pba(at % rig.layout.total().0);
            let extent = rig.layout.area_at(at).extent();
            let sectors = Sectors(sectors.min((extent.end() - at).0));
            let before = rig.arm.clone();
            let wait = rig.arm.positioning(&rig.layout, now, at, write);
            prop_assert_eq!(&before, &rig.arm);
            let access = rig.arm.transfer(&rig.layout, now, at, sectors, write);
            prop_assert_eq!(access.first_sector_begins, now + wait);
            let parts = access.seek + access.rotation + access.transfer;
            prop_assert_eq!(access.end, now + parts);
            now = access.end + Duration(pause);
        }
    }

    /// However the arm got there, a sector comes by once in each revolution.
    #[test]
    fn a_sector_always_begins_at_the_same_angle(
        at in any::<u64>(),
        moments in prop::collection::vec((any::<u64>(), 0u64..1 << 45), 2..8),
    ) {
        let mut rig = Rig::new(&sample::conventional(sample::large()));
        let data = rig.home(0).start.0;
        let somewhere = |seed: u64| Pba(data + seed % (rig.layout.total().0 - data));
        let target = somewhere(at);
        let mut angles = Vec::new();
        for (elsewhere, moment) in moments {
            let elsewhere = somewhere(elsewhere);
            let gone = rig.arm.transfer(&rig.layout, Instant(moment), elsewhere, Sectors(1), false);
            let access = rig.arm.transfer(&rig.layout, gone.end, target, Sectors(1), false);
            prop_assert!(access.rotation.0 < REVOLUTION_NS);
            // 59 revolutions take exactly 600 ms.
            angles.push(access.first_sector_begins.0 % 600_000_000 * 59 % 600_000_000);
        }
        for angle in &angles {
            let apart = angle.abs_diff(angles[0]);
            prop_assert!(apart.min(600_000_000 - apart) <= 17 * 59, "{:?}", angles);
        }
    }
}

/// Tracks that turn while the arm moves on: each begins with whatever sector comes by.
#[test]
fn whole_tracks_from_anywhere_take_a_turn_each_and_the_moves_between() {
    let mut profile = sample::conventional(sample::large());
    profile.platters.start_anywhere = true;
    let mut rig = Rig::new(&profile);
    let band = rig.home(1_000);
    let per_track = u64::from(band.sectors_per_track);
    let sector = REVOLUTION_NS / per_track + 1;
    rig.arm
        .transfer(&rig.layout, Instant(0), band.start, Sectors(1), false);
    for angle in 0..200 {
        let mut arm = rig.arm.clone();
        let moment = Instant(1_000_000_000 + angle * REVOLUTION_NS / 200);
        let tracks = 3;
        let access = arm.transfer(
            &rig.layout,
            moment,
            band.start,
            Sectors(tracks * per_track),
            false,
        );
        assert!(
            access.transfer.0.abs_diff(tracks * REVOLUTION_NS) <= 20,
            "{access:?}"
        );
        // Never longer than for the next sector, once for each track.
        assert!(access.rotation.0 <= tracks * sector, "{access:?}");
    }
}

/// What follows a part that is read ahead counts on its sectors in order.
#[test]
fn reading_ahead_begins_at_its_first_sector_whatever_the_profile_says() {
    let mut profile = sample::conventional(sample::large());
    profile.platters.start_anywhere = true;
    let mut rig = Rig::new(&profile);
    let band = rig.home(1_000);
    rig.arm
        .transfer(&rig.layout, Instant(0), band.start, Sectors(100), false);
    let track = u64::from(band.sectors_per_track);
    let mut took = |purpose| {
        let mut at = rig.arm.clone();
        std::mem::swap(&mut at, &mut rig.arm);
        let timing = rig.run(
            vec![step(band.start, track, purpose, false)],
            Instant(1_000_000_000),
        );
        rig.arm = at;
        timing.rotation
    };
    // The arm stands over the track, somewhere but at its first sector.
    assert!(took(Purpose::ReadAhead).0 > 1_000_000);
    assert!(took(Purpose::HostRead).0 < 50_000);
}
