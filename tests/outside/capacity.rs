//! How much a disk of published geometry holds, and how fast it reads in sequence.

use imbrex::medium::layout::Layout;
use imbrex::profile::{BandSize, Profile};
use imbrex::time::{Duration, Instant};

use crate::figures::{in_ms, near, real};
use crate::mechanism::{conventional, cylinder, read, stopwatch, through};

/// Seeks do not matter to a capacity.
fn empty_disk(zones: &[(u32, u32)]) -> Profile {
    let tracks: u32 = zones.iter().map(|zone| zone.0).sum();
    conventional(7_200_000, zones, through(&[(1, 0), (tracks - 1, 0)]))
}

/// Checks that a disk holds exactly so many sectors, band by band.
fn holds(profile: &Profile, sectors: u64) -> Layout {
    let mut profile = profile.clone();
    profile.drive.capacity_bytes = sectors * 4_096;
    let layout = Layout::new(&profile).expect("so much fits");
    profile.drive.capacity_bytes += 4_096;
    assert!(
        Layout::new(&profile).is_err(),
        "more than {sectors} sectors fit"
    );
    layout
}

/// "Computer Systems: A Programmer's Perspective", chapter 6 (from memory): 5 platters of two
/// surfaces, 20,000 tracks, 300 sectors of 512 bytes on average: 30.72 GB. 37.5 sectors of 4,096
/// bytes on average are tracks of 38 and of 37.
#[test]
fn five_platters_hold_30_72_gb() {
    let mut profile = empty_disk(&[(10_000, 38), (10_000, 37)]);
    profile.platters.surfaces = 10;
    let layout = holds(&profile, 30_720_000_000 / 4_096);
    assert_eq!(cylinder(&layout, layout.capacity().0 - 1), 19_999);
}

/// Zones of a published 1995 drive of 4.51 GB ("OEM Functional Specification", version 5.0 of 1995,
/// pages 12, 13 and 43): cylinders for the host, sectors per track, spare sectors per cylinder.
const ZONES_1995: [(u32, u32, u32); 10] = [
    (1_879, 135, 40),
    (955, 135, 40),
    (48, 130, 38),
    (309, 126, 37),
    (348, 120, 36),
    (115, 115, 34),
    (213, 112, 33),
    (189, 108, 32),
    (130, 105, 31),
    (206, 100, 30),
];

/// A zone of that drive. imbrex has no cylinders with spare sectors: a cylinder is a band sized in
/// bytes here, its 16 tracks side by side on one surface, with the spare sectors unused at its end.
fn zone_1995(cylinders: u32, per_track: u32, spares: u32) -> Profile {
    let mut profile = empty_disk(&[(cylinders * 16, per_track)]);
    profile.bands.size = BandSize::Bytes(u64::from(16 * per_track - spares) * 4_096);
    profile
}

/// Printed: 8,813,870 sectors of 512 bytes, 4,512,701,440 bytes; 60 more sectors are spare in the
/// last cylinder.
#[test]
fn ten_zones_hold_what_the_1995_specification_prints() {
    let mut all = 0;
    for (cylinders, per_track, spares) in ZONES_1995 {
        let sectors = u64::from(cylinders) * u64::from(16 * per_track - spares);
        holds(&zone_1995(cylinders, per_track, spares), sectors);
        all += sectors;
    }
    assert_eq!(all - 60, 8_813_870);
    assert_eq!((all - 60) * 512, 4_512_701_440);
}

/// The same specification, page 46, prints the sustained rate of its outer zone: 7.517 MB/s at
/// 7,202.7 rpm with a skew of 13 sectors from track to track and 25 from cylinder to cylinder (exactly
/// 7.51740). Its times of 0.80 ms for a head and 1.54 ms for a cylinder give these skews. Here a
/// move by one track stands for the head, one by two (a guard track between bands) for the cylinder.
/// Tolerance: the last digit of the derived rate.
#[test]
fn sequential_reading_is_limited_by_skews_as_the_1995_specification_prints() {
    let (_, per_track, spares) = ZONES_1995[0];
    let mut profile = zone_1995(100, per_track, spares);
    profile.platters.rpm_milli = 7_202_700;
    profile.platters.zones[0].tracks = 100 * 17;
    profile.platters.seek = through(&[(1, 800_000), (2, 1_540_000), (1_699, 1_540_000)]);
    profile.bands.guard_tracks = 1;
    let per_cylinder = u64::from(16 * per_track - spares);
    profile.drive.capacity_bytes = 100 * per_cylinder * 4_096;
    let mut watch = stopwatch(&profile);
    watch.closed_loop(1, [read(0, per_cylinder)]);
    // Goes on where the first ended: as many skews of each kind as cylinders.
    let done = watch.closed_loop(1, [read(per_cylinder, 90 * per_cylinder)]);
    let bytes = real(90 * per_cylinder) * 512.0;
    let rate = bytes / in_ms(done[0].due.since(done[0].arrived)) / 1e3;
    near("rate in MB/s", rate, 7.517_40, 1e-5);
}

/// A disk at 6,000 rpm, 1,000 sectors of 10 us to a track, whose 48 bands lie on four surfaces.
fn on_four_surfaces(band_tracks: u32, guard_tracks: u32, head_us: u64) -> Profile {
    // A millisecond for every track.
    let curve = through(&[(1, 1_000_000), (299, 299_000_000)]);
    let mut profile = conventional(6_000_000, &[(300, 1_000)], curve);
    profile.platters.surfaces = 4;
    profile.platters.head_switch = Duration::from_us(head_us);
    profile.bands.size = BandSize::Tracks(band_tracks);
    profile.bands.guard_tracks = guard_tracks;
    profile.drive.capacity_bytes = 48 * u64::from(band_tracks) * 1_000 * 4_096;
    profile
}

/// Derived: a long transfer goes on to the next track of a band when the arm has moved by one, and to the
/// next band when the longest of three is over: the switch of heads, the move back to the first track of a
/// band, the move past its guard tracks. All of these are whole numbers of sectors here, so not a
/// sector's time is lost beyond them. Tolerance: a nanosecond of rounding at each change.
#[test]
fn long_transfers_lose_the_longest_of_what_a_change_of_tracks_takes() {
    for (band_tracks, guard_tracks, head_us, band_change_ms) in [
        (1, 0, 3_000, 3.0),
        (1, 2, 500, 3.0),
        (5, 0, 500, 4.0),
        (5, 6, 500, 7.0),
        (5, 0, 6_000, 6.0),
    ] {
        let profile = on_four_surfaces(band_tracks, guard_tracks, head_us);
        let band = u64::from(band_tracks) * 1_000;
        let mut watch = stopwatch(&profile);
        watch.closed_loop(1, [read(0, band)]);
        let bands = 40;
        let done = watch.closed_loop(1, [read(band, bands * band)]);
        let found = in_ms(done[0].due.since(done[0].arrived));
        let tracks = f64::from(band_tracks);
        let each = tracks * 10.0 + (tracks - 1.0) * 1.0 + band_change_ms;
        let changes = real(bands) * tracks;
        near("transfer", found, real(bands) * each, 1e-6 * changes);
    }
}

/// The same for whoever asks for 16 sectors at a time: what is read ahead passes at the same rate.
#[test]
fn a_sequential_reader_gets_the_rate_of_long_transfers() {
    let mut profile = on_four_surfaces(5, 0, 500);
    profile.read_ahead_bytes = 1 << 20;
    let mut watch = stopwatch(&profile);
    let done = watch.closed_loop(1, (0..40 * 5_000 / 16).map(|i| read(i * 16, 16)));
    // Pieces that end 20 bands apart, long after the first.
    let ends = |piece: usize| in_ms(done[piece].due.since(Instant::default()));
    let found = ends(9_999) - ends(3_749);
    near("20 bands", found, 20.0 * (50.0 + 4.0 + 4.0), 1e-6 * 120.0);
}

/// The trade's rule for the number of 512-byte sectors of a disk of so many GB, up to 8,000 (its
/// standard on LBA counts, LBA1-02 and LBA1-03, seen): 97,696,368 for 50 and 1,953,504 for each GB
/// more. Printed: 80 GB have 156,301,488. The others are derived. A drive of exactly so many sectors
/// can be described, and its last sector read.
#[test]
fn disks_of_the_trades_sizes_can_be_made() {
    for (gigabytes, sectors) in [
        (80, 156_301_488_u64),
        (5_000, 9_767_541_168),
        (8_000, 15_628_053_168),
    ] {
        assert_eq!(97_696_368 + 1_953_504 * (gigabytes - 50), sectors);
        let mut profile =
            Profile::from_toml("control", Profile::built_in("control-5tb").unwrap()).unwrap();
        profile
            .platters
            .zones
            .iter_mut()
            .for_each(|zone| zone.tracks *= 2);
        profile.drive.capacity_bytes = sectors * 512;
        let mut watch = stopwatch(&profile);
        let last = profile.drive.capacity_bytes / 4_096 - 1;
        assert_eq!(watch.closed_loop(1, [read(last, 1)]).len(), 1);
        assert_eq!(
            Layout::new(&profile).unwrap().capacity().bytes(),
            sectors * 512
        );
    }
}
