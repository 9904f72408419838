//! Owns the rules between the keys of a profile: what must hold beyond each key's own range.
//!
//! [`broken`] is a pure question about a profile whose single values are in range (or stand in for
//! ones that could not be read); it never overflows on such a one. It does not check that staging,
//! map and spare bands find room zone by zone: the layout does.

use crate::profile::keys::TRACKS_MAX;
use crate::profile::quantity::Unit;
use crate::profile::{BandSize, Personality, Profile, SeekCurve, SeekPoint, StagingMedium};
use crate::profile::{RecordingZone, Staging, StagingPlace};
use crate::units::SECTOR_BYTES;

/// A rule that a profile breaks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Broken {
    /// The key to blame first.
    pub(super) key: &'static str,
    /// The other keys concerned.
    pub(super) with: Vec<&'static str>,
    /// The rule, as a sentence.
    pub(super) rule: &'static str,
    /// What the first key may be while the others stay.
    pub(super) allowed: String,
}

/// Every rule that the profile breaks.
pub(super) fn broken(profile: &Profile) -> Vec<Broken> {
    let mut rules = Rules(Vec::new());
    zones(profile, &mut rules);
    if profile.platters.tracks_per_surface() > TRACKS_MAX {
        // What follows multiplies tracks and must not overflow.
        return rules.0;
    }
    seek(profile, &mut rules);
    bands(profile, &mut rules);
    personality(profile, &mut rules);
    if let Some(staging) = &profile.staging {
        entries(profile, staging, &mut rules);
        platter_staging(profile, staging, &mut rules);
    }
    room(profile, &mut rules);
    marks_and_caches(profile, &mut rules);
    rules.0
}

struct Rules(Vec<Broken>);

impl Rules {
    fn hold(
        &mut self,
        holds: bool,
        key: &'static str,
        with: &[&'static str],
        rule: &'static str,
        allowed: impl FnOnce() -> String,
    ) {
        if !holds {
            self.0.push(Broken {
                key,
                with: with.to_vec(),
                rule,
                allowed: allowed(),
            });
        }
    }
}

const ZONES: &str = "platters.zones";

fn zones(profile: &Profile, rules: &mut Rules) {
    let tracks = profile.platters.tracks_per_surface();
    rules.hold(
        (2..=TRACKS_MAX).contains(&tracks),
        ZONES,
        &[],
        "all zones together have too few or too many tracks",
        || format!("zones of 2 to {TRACKS_MAX} tracks in all, not {tracks}"),
    );
    let falls = |pair: &[RecordingZone]| pair[0].sectors_per_track >= pair[1].sectors_per_track;
    rules.hold(
        profile.platters.zones.windows(2).all(falls),
        ZONES,
        &[],
        "sectors per track must not grow from the outer to the inner diameter",
        || "zones from the outer diameter inwards".to_owned(),
    );
}

fn seek(profile: &Profile, rules: &mut Rules) {
    match &profile.platters.seek {
        SeekCurve::RootThenLine {
            base,
            root,
            knee_ppm,
            far_base,
            slope,
        } => {
            let stroke = profile.platters.tracks_per_surface().saturating_sub(1);
            // The longest move by the root piece; the next one is the first by the straight piece.
            let longest = stroke * u64::from(*knee_ppm) / 1_000_000;
            let near = root_share(root.0, longest, stroke) + u128::from(base.0);
            let rise = u128::from(slope.0) * u128::from(longest + 1) + u128::from(stroke / 2);
            let rise = rise / u128::from(stroke.max(1));
            let both = longest > 0 && longest < stroke;
            rules.hold(
                !both || near <= u128::from(far_base.0) + rise,
                "platters.seek.far_base",
                &[
                    "platters.seek.slope",
                    "platters.seek.root",
                    "platters.seek.knee",
                ],
                "the first move beyond the knee must not be faster than the last one before it",
                || {
                    let least = u64::try_from(near.saturating_sub(rise)).unwrap_or(u64::MAX);
                    format!("at least \"{}\"", Unit::Nanoseconds.format(least))
                },
            );
        }
        SeekCurve::Points(points) => seek_points(profile, points, rules),
    }
}

/// `root * sqrt(tracks / stroke)`, rounded as the arm rounds it.
fn root_share(root: u64, tracks: u64, stroke: u64) -> u128 {
    let doubled = u128::from(2 * root).pow(2) * u128::from(tracks) / u128::from(stroke.max(1));
    doubled.isqrt().div_ceil(2)
}

fn seek_points(profile: &Profile, points: &[SeekPoint], rules: &mut Rules) {
    const KEY: &str = "platters.seek_points";
    let stroke = profile.platters.tracks_per_surface().saturating_sub(1);
    let ascends =
        |pair: &[SeekPoint]| pair[0].tracks < pair[1].tracks && pair[0].time <= pair[1].time;
    rules.hold(
        points.windows(2).all(ascends),
        KEY,
        &[],
        "points must ascend in tracks and not fall in time",
        || "points in ascending order".to_owned(),
    );
    rules.hold(
        points.first().is_some_and(|point| point.tracks == 1),
        KEY,
        &[],
        "the first point must be the move of 1 track",
        || "a first point with tracks = 1".to_owned(),
    );
    rules.hold(
        points
            .last()
            .is_some_and(|point| u64::from(point.tracks) == stroke),
        KEY,
        &[ZONES],
        "the last point must be the full stroke, from the first track to the last",
        || format!("a last point with tracks = {stroke}"),
    );
}

fn bands(profile: &Profile, rules: &mut Rules) {
    let bands = &profile.bands;
    let zones = &profile.platters.zones;
    let track_bytes = profile.platters.track_sectors_max() * SECTOR_BYTES;
    if let BandSize::Bytes(bytes) = bands.size {
        rules.hold(
            bytes >= track_bytes,
            "bands.size",
            &[ZONES],
            "a band must be at least one track everywhere",
            || format!("at least \"{}\"", Unit::Bytes.format(track_bytes)),
        );
    }
    let fits = |zone: &RecordingZone| u64::from(zone.tracks) >= bands.pitch_tracks(zone);
    rules.hold(
        zones.iter().all(fits),
        "bands.size",
        &["bands.guard_tracks", ZONES],
        "every recording zone must hold at least one band and its guard tracks",
        || "a smaller band".to_owned(),
    );
    let shortest = zones.iter().map(|zone| bands.tracks_in(zone)).min();
    let shortest = shortest.unwrap_or(1);
    rules.hold(
        u64::from(bands.overlap_tracks) < shortest,
        "bands.overlap_tracks",
        &["bands.size", ZONES],
        "a write must not destroy more tracks than a band has",
        || format!("less than {shortest}, the tracks of the shortest band"),
    );
}

fn personality(profile: &Profile, rules: &mut Rules) {
    const KEY: &str = "drive.personality";
    let bands = &profile.bands;
    match profile.drive.personality {
        Personality::Conventional => rules.hold(
            bands.overlap_tracks == 0,
            "bands.overlap_tracks",
            &[KEY],
            "tracks of a conventional drive do not overlap",
            || "0".to_owned(),
        ),
        Personality::DriveManaged => {
            rules.hold(
                bands.overlap_tracks >= 1,
                "bands.overlap_tracks",
                &[KEY],
                "tracks of a shingled drive overlap",
                || "at least 1".to_owned(),
            );
            rules.hold(
                bands.guard_tracks >= bands.overlap_tracks,
                "bands.guard_tracks",
                &["bands.overlap_tracks"],
                "the last track of a band would destroy the next band",
                || format!("at least {}", bands.overlap_tracks),
            );
            rules.hold(
                bands.spares_per_zone >= 1,
                "bands.spares_per_zone",
                &[KEY],
                "cleaning needs a spare band",
                || "at least 1".to_owned(),
            );
        }
    }
}

fn entries(profile: &Profile, staging: &Staging, rules: &mut Rules) {
    rules.hold(
        staging.entry_bytes_max <= staging.bytes,
        "staging.entry_max",
        &["staging.bytes"],
        "an entry must fit in the staging area",
        || format!("at most \"{}\"", Unit::Bytes.format(staging.bytes)),
    );
    let tracks = profile.platters.tracks_per_surface() * u64::from(profile.platters.surfaces);
    rules.hold(
        u64::from(staging.merge_tracks) <= tracks / 4,
        "staging.merge_tracks",
        &["platters.surfaces", ZONES],
        "the map area must not take more than a quarter of the platters",
        || format!("at most {}", tracks / 4),
    );
}

fn platter_staging(profile: &Profile, staging: &Staging, rules: &mut Rules) {
    let StagingMedium::Disk {
        place,
        quanta_per_track,
        ..
    } = staging.medium
    else {
        return;
    };
    let zones = &profile.platters.zones;
    let smallest = zones.iter().map(|zone| profile.bands.bytes_in(zone)).min();
    let smallest = smallest.unwrap_or(0);
    rules.hold(
        staging.entry_bytes_max <= smallest,
        "staging.entry_max",
        &["bands.size", ZONES],
        "an entry must fit in a band at any diameter",
        || format!("at most \"{}\"", Unit::Bytes.format(smallest)),
    );
    let shortest = zones.iter().map(|zone| zone.sectors_per_track).min();
    let shortest = shortest.unwrap_or(1);
    rules.hold(
        quanta_per_track <= shortest,
        "staging.quantum",
        &[ZONES],
        "a quantum must be at least a sector at any diameter",
        || format!("\"none\", or at least \"1/{shortest} track\""),
    );
    if let StagingPlace::Spread(regions) = place {
        let bands: u64 = zones.iter().map(|zone| profile.bands_in(zone)).sum();
        rules.hold(
            u64::from(regions) <= bands / 2,
            "staging.regions",
            &["bands.size", ZONES],
            "every region needs a band of its own beside those that hold data",
            || format!("at most {}", bands / 2),
        );
    }
}

fn room(profile: &Profile, rules: &mut Rules) {
    let room = profile.band_bytes();
    let staged = match &profile.staging {
        Some(staging) if matches!(staging.medium, StagingMedium::Disk { .. }) => staging.bytes,
        _ => 0,
    };
    rules.hold(
        profile.drive.capacity_bytes.saturating_add(staged) <= room,
        "drive.capacity",
        &["staging.bytes", "platters.surfaces", ZONES, "bands.size"],
        "the platters are too small for the capacity and the staging area",
        || {
            let left = room.saturating_sub(staged) / SECTOR_BYTES * SECTOR_BYTES;
            format!("at most \"{}\"", Unit::Bytes.format(left))
        },
    );
}

fn marks_and_caches(profile: &Profile, rules: &mut Rules) {
    let (low, high) = (
        profile.cleaning.low_mark_percent,
        profile.cleaning.high_mark_percent,
    );
    rules.hold(
        low < high,
        "cleaning.low_mark",
        &["cleaning.high_mark"],
        "the low mark must lie below the high mark",
        || format!("less than \"{high}%\""),
    );
    rules.hold(
        !profile.write_cache.enabled || profile.write_cache.bytes >= SECTOR_BYTES,
        "write_cache.bytes",
        &["write_cache.enabled"],
        "a write cache that is enabled must hold at least a sector",
        || "at least \"4 KiB\"".to_owned(),
    );
}
