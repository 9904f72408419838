//! Sums of seek, half a turn, transfer and overhead, as textbooks print them.
//!
//! A disk here has one seek time whatever the distance, so that the textbook's average seek is every
//! seek. Transfer rates become whole sectors per track; where that rounds, the tolerance says so.

use imbrex::profile::Profile;
use imbrex::time::Duration;

use crate::figures::near;
use crate::mechanism::{Turn, conventional, through, turn};

const TRACKS: u32 = 600;

/// A disk whose every seek takes `seek_us`, or nothing to the next track where `adjacent_free`.
fn disk(rpm: u64, seek_us: u64, per_track: u32, adjacent_free: bool) -> Profile {
    let seek = seek_us * 1_000;
    let near = if adjacent_free { 0 } else { seek };
    let curve = through(&[(1, near), (2, seek), (TRACKS - 1, seek)]);
    conventional(rpm * 1_000, &[(TRACKS, per_track)], curve)
}

/// A read of so many sectors on a track 300 tracks from the arm.
fn access(profile: &Profile, sectors: u64) -> Turn {
    let per_track = u64::from(profile.platters.zones[0].sectors_per_track);
    turn(profile, 0, 300 * per_track, sectors)
}

/// "Computer Organization and Design", 3rd and 4th edition, chapter on storage, the example of a
/// disk read time (from memory): 15,000 rpm, 512 bytes at 100 MB/s, 0.2 ms of controller. Printed:
/// 6.2 ms with the advertised seek of 4.0 ms, 3.2 ms with a quarter of it; the same for
/// 10,000 rpm, 6 ms, 50 MB/s: 9.2 and 4.7 ms. A sector of 5.12 us at 100 MB/s is 1/781.25 of a
/// turn, one of 10.24 us 1/585.94: rounding to whole sectors changes the transfer by 2 ns.
#[test]
fn a_disk_read_takes_what_the_first_textbook_prints() {
    for (rpm, seek_us, per_track, printed, derived) in [
        (15_000, 4_000, 781, 6.2, 6.205_12),
        (15_000, 1_000, 781, 3.2, 3.205_12),
        (10_000, 6_000, 586, 9.2, 9.210_24),
        (10_000, 1_500, 586, 4.7, 4.710_24),
    ] {
        let mut profile = disk(rpm, seek_us, per_track, false);
        profile.drive.command_overhead = Duration::from_us(200);
        let found = access(&profile, 1);
        near("exact sum", found.all, derived, found.grain + 3e-6);
        near("printed sum", found.all, printed, 0.05);
    }
}

/// "Operating Systems: Three Easy Pieces", chapter 37 (Hard Disk Drives), figures 37.5 and 37.6:
/// random reads of 4 KiB on a disk of 15,000 rpm, 4 ms, 125 MB/s and on one of 7,200 rpm, 9 ms,
/// 105 MB/s. Half a turn 2 ms (seen in course notes), about 6 ms and 13.2 ms in all (from memory).
/// Printed rates 0.66 and 0.31 MB/s; the first takes 4 KB as 4,000 bytes (with 4,096 it is 0.679),
/// the second 4,096. Whole sectors per track (122 for 122.07, 214 for 213.62) are 0.06 and 0.18 %
/// of a transfer of 33 and 39 us: 0.1 us.
#[test]
fn random_reads_of_two_disks_take_what_the_second_textbook_prints() {
    let fast = access(&disk(15_000, 4_000, 122, false), 1);
    near("fast: half a turn", fast.rotation, 2.0, fast.grain);
    near("fast: all", fast.all, 6.032_77, fast.grain + 1e-4);
    near("fast: printed rate", 4_000.0 / fast.all / 1e3, 0.66, 0.005);
    near("fast: exact rate", 4_096.0 / fast.all / 1e3, 0.678_96, 2e-4);
    let large = access(&disk(7_200, 9_000, 214, false), 1);
    near("large: printed half a turn", large.rotation, 4.17, 0.005);
    near("large: all", large.all, 13.205_68, large.grain + 1e-4);
    near("large: printed", large.all, 13.2, 0.05);
    near(
        "large: printed rate",
        4_096.0 / large.all / 1e3,
        0.31,
        0.005,
    );
}

/// The same book and disks, 100 MB in sequence (from memory): 800 and 950 ms, which is 125 and
/// 105 MB/s. The exact transfer is 800 and 952.381 ms, with one seek and half a turn 806 and
/// 965.548 ms. Tolerance: the rounding to whole sectors per track, 0.06 and 0.18 %.
#[test]
fn sequential_reads_of_two_disks_take_what_the_second_textbook_prints() {
    let sectors = 100_000_000 / 4_096;
    for (rpm, seek_us, per_track, rounding, printed, transfer, all) in [
        (15_000, 4_000, 122, 0.000_6, 800.0, 800.0, 806.0),
        (7_200, 9_000, 214, 0.001_8, 950.0, 952.381, 965.548),
    ] {
        let found = access(&disk(rpm, seek_us, per_track, true), sectors);
        near("transfer", found.transfer, transfer, transfer * rounding);
        near("all", found.all, all, all * rounding);
        near("printed", found.transfer, printed, printed * 0.005);
    }
}

/// The same book's exercise (its question seen in a course's reading guide; the answer derived):
/// the read for which the second disk transfers as long as it positions is 105 MB/s times
/// 13.1667 ms, 1.3825 MB. Tolerance: a sector (1.3825 MB are 337.5 of them) and the 0.18 % by which
/// the track is faster than the source's, another 0.024 ms.
#[test]
fn half_of_the_peak_rate_needs_the_derived_size() {
    let profile = disk(7_200, 9_000, 214, true);
    let sector = 60_000.0 / 7_200.0 / 214.0;
    let found = access(&profile, 337);
    near(
        "positioning",
        found.seek + found.rotation,
        13.166_7,
        found.grain + 1e-4,
    );
    near(
        "transfer",
        found.transfer,
        found.seek + found.rotation,
        sector + 0.024,
    );
}

/// "Computer Systems: A Programmer's Perspective", chapter 6, access time of a sector (inputs seen,
/// results from memory): 7,200 rpm, 9 ms, 400 sectors per track, printed 9 + 4 + 0.02 = 13.02 ms
/// with half a turn of 4.17 ms cut to 4; exactly 13.1875. 15,000 rpm, 8 ms, 500 sectors: printed
/// 10 ms, exactly 10.008.
#[test]
fn a_sector_takes_what_the_third_textbook_prints() {
    let found = access(&disk(7_200, 9_000, 400, false), 1);
    near("first disk", found.all, 13.187_5, found.grain);
    near(
        "first disk, printed",
        found.seek + 4.0 + found.transfer,
        13.02,
        0.005,
    );
    let found = access(&disk(15_000, 8_000, 500, false), 1);
    near("second disk", found.all, 10.008, found.grain);
    near("second disk, printed", found.all, 10.0, 0.05);
}

/// The same chapter's exercise (from memory): a file of 2,000 sectors, 10,000 rpm, 5 ms, 1,000
/// sectors per track. In sequence 5 + 3 + 2 * 6 = 20 ms, scattered 2,000 * (5 + 3) = 16,000 ms,
/// which leaves the 6 us of each sector out.
#[test]
fn a_file_in_sequence_and_scattered_takes_what_the_third_textbook_prints() {
    let profile = disk(10_000, 5_000, 1_000, true);
    let whole = access(&profile, 2_000);
    near("in sequence", whole.all, 20.0, whole.grain);
    let single = access(&profile, 1);
    let positioning = single.seek + single.rotation;
    near(
        "scattered",
        2_000.0 * positioning,
        16_000.0,
        2_000.0 * single.grain,
    );
}

/// "Computer Organization and Architecture", section 6.1 (the formula seen, the example from
/// memory): 2,500 sectors on five adjacent tracks, 15,000 rpm, 4 ms, 500 sectors per track.
/// In sequence 10 + 4 * (2 + 4) = 34 ms: the book waits half a turn on every track, as five
/// requests do that come at any angle. Scattered 2,500 * (4 + 2 + 0.008) = 15,020 ms.
#[test]
fn five_tracks_one_by_one_take_what_the_fourth_textbook_prints() {
    let profile = disk(15_000, 4_000, 500, true);
    let first = turn(&profile, 0, 300 * 500, 500);
    let next = turn(&profile, 300 * 500, 301 * 500, 500);
    near("first track", first.all, 10.0, first.grain);
    near(
        "all tracks",
        first.all + 4.0 * next.all,
        34.0,
        5.0 * first.grain,
    );
    let single = access(&profile, 1);
    near(
        "scattered",
        2_500.0 * single.all,
        15_020.0,
        2_500.0 * single.grain,
    );
}

/// Derived: as one request, the five tracks of that example cost one wait only, 4 + 2 + 5 * 4 ms,
/// since a track starts where a transfer going on arrives.
#[test]
fn five_tracks_at_once_wait_for_the_platters_once() {
    let found = access(&disk(15_000, 4_000, 500, true), 2_500);
    near("all tracks", found.all, 26.0, found.grain);
}

/// "Invitation to Computer Science", section 5.2, practice problem 2 (seen complete): 2,400 rpm, 20
/// sectors per track, 50 tracks, 0.4 ms per track of movement, 20 tracks on average. Printed: best
/// 1.25, average 21.75, worst 45.85 ms. The best and worst angle are met within a spacing of
/// angles.
#[test]
fn best_average_and_worst_access_are_as_the_fifth_textbook_prints() {
    let curve = through(&[(1, 400_000), (49, 19_600_000)]);
    let profile = conventional(2_400_000, &[(50, 20)], curve);
    let spacing = 2.0 * turn(&profile, 7, 0, 1).grain;
    near("best", turn(&profile, 7, 0, 1).least, 1.25, spacing);
    let average = turn(&profile, 5 * 20, 25 * 20, 1);
    near("average", average.all, 21.75, average.grain);
    near("worst", turn(&profile, 0, 49 * 20, 1).most, 45.85, spacing);
}
