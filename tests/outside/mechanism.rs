//! The mechanism of a source as a profile, and the time of a request on it from every angle.
//!
//! One sector of imbrex stands for one sector of the source, whatever bytes that has: times depend
//! on sectors alone. The host interface takes no time here, since the sources do not count it.

use imbrex::medium::layout::Layout;
use imbrex::profile::{
    BandChoice, BandSize, Bands, Cleaning, CleaningStep, CleaningStyle, Drive, Personality,
    Platters, Profile, QueueOrder, RecordingZone, SeekCurve, SeekPoint, Trim, WriteCache,
};
use imbrex::time::{Duration, Instant};
use imbrex::units::SECTOR_BYTES;

use crate::figures::{in_ms, real};
use crate::stopwatch::{READ, Stopwatch, Wanted};

/// The fastest interface that a profile may state.
const INTERFACE_MAX: u64 = 100_000_000_000;

/// A conventional disk of one surface, `zones` of so many tracks and sectors per track; every track
/// is a band of its own.
pub(crate) fn conventional(rpm_milli: u64, zones: &[(u32, u32)], seek: SeekCurve) -> Profile {
    let zone = |&(tracks, sectors_per_track)| RecordingZone {
        tracks,
        sectors_per_track,
    };
    let profile = Profile {
        name: "outside".to_owned(),
        drive: Drive {
            capacity_bytes: 0,
            logical_sector_bytes: 4096,
            personality: Personality::Conventional,
            queue_depth: 256,
            queue_order: QueueOrder::Arrival,
            interface_bytes_per_s: INTERFACE_MAX,
            command_overhead: Duration::ZERO,
            formatted: true,
        },
        platters: Platters {
            rpm_milli,
            surfaces: 1,
            zones: zones.iter().map(zone).collect(),
            seek,
            write_settle: Duration::ZERO,
            head_switch: Duration::ZERO,
            start_anywhere: false,
        },
        bands: Bands {
            size: BandSize::Tracks(1),
            guard_tracks: 0,
            overlap_tracks: 0,
            spares_per_zone: 0,
        },
        staging: None,
        cleaning: Cleaning {
            style: CleaningStyle::Lazy,
            idle_delay: Duration::ZERO,
            high_mark_percent: 100,
            low_mark_percent: 0,
            choice: BandChoice::Oldest,
            passes: 2,
            step: CleaningStep::Track,
        },
        write_cache: WriteCache {
            enabled: false,
            bytes: 0,
            destage_delay: Duration::ZERO,
            bypass_run_bytes: 0,
        },
        read_ahead_bytes: 0,
        trim: Trim {
            enabled: false,
            zeroes_deallocate: false,
        },
    };
    filled(profile)
}

/// The same with all of its bands offered to the host.
pub(crate) fn filled(mut profile: Profile) -> Profile {
    profile.drive.capacity_bytes = profile.band_bytes();
    profile
}

/// A seek curve through points of tracks and nanoseconds.
pub(crate) fn through(points: &[(u32, u64)]) -> SeekCurve {
    let point = |&(tracks, ns)| SeekPoint {
        tracks,
        time: Duration(ns),
    };
    SeekCurve::Points(points.iter().map(point).collect())
}

/// A drive of a profile that a person could have written, with an interface that takes no time.
pub(crate) fn stopwatch(profile: &Profile) -> Stopwatch {
    let text = profile.to_toml();
    let read = Profile::from_toml("outside", &text).expect("the profile is a valid one");
    assert_eq!(read, *profile);
    let mut profile = read;
    profile.drive.interface_bytes_per_s = u64::MAX;
    Stopwatch::new(&profile)
}

/// A read of sectors.
pub(crate) fn read(lba: u64, sectors: u64) -> Wanted {
    (READ, lba * SECTOR_BYTES, sectors * SECTOR_BYTES)
}

/// The track on which a sector lies at first.
pub(crate) fn cylinder(layout: &Layout, lba: u64) -> u32 {
    let (home, offset) = layout.home_of(imbrex::units::Lba(lba));
    let start = layout.band(layout.factory_place(home)).start;
    layout.spot(start + offset).expect("on tracks").cylinder
}

/// Moments in a revolution from which a request is timed.
pub(crate) const ANGLES: u64 = 2_000;

/// A request that finds the platters at any angle: means and extremes in milliseconds. A mean over
/// evenly spaced angles is off the mean over all by half a spacing at most: [`Turn::grain`].
pub(crate) struct Turn {
    pub(crate) seek: f64,
    pub(crate) rotation: f64,
    pub(crate) transfer: f64,
    pub(crate) all: f64,
    pub(crate) least: f64,
    pub(crate) most: f64,
    pub(crate) grain: f64,
}

/// A read of `sectors` at `lba` with the arm on the track of sector `from`, from every angle.
pub(crate) fn turn(profile: &Profile, from: u64, lba: u64, sectors: u64) -> Turn {
    let mut parked = stopwatch(profile);
    parked.closed_loop(1, [read(from, 1)]);
    parked.pause(1_000_000_000);
    let revolution = 60_000_000_000_000 / profile.platters.rpm_milli;
    let mut total = [Duration::ZERO; 4];
    let (mut least, mut most) = (Duration(u64::MAX), Duration::ZERO);
    for angle in 0..ANGLES {
        let mut watch = parked.clone();
        let moment = Instant(watch.now.0 + revolution * angle / ANGLES);
        let done = watch.open_loop([(moment, read(lba, sectors))]);
        let parts = done[0].breakdown;
        let all = done[0].due.since(done[0].arrived);
        for (sum, part) in total
            .iter_mut()
            .zip([parts.seek, parts.rotation, parts.transfer, all])
        {
            *sum += part;
        }
        (least, most) = (least.min(all), most.max(all));
    }
    let [seek, rotation, transfer, all] = total.map(|sum| in_ms(sum) / real(ANGLES));
    Turn {
        seek,
        rotation,
        transfer,
        all,
        least: in_ms(least),
        most: in_ms(most),
        // A few nanoseconds of rounding up on top.
        grain: in_ms(Duration(revolution)) / real(2 * ANGLES) + 2e-5,
    }
}
