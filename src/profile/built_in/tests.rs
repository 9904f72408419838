//! The built-in profiles are valid, and the default one is the drive it says it is.

use std::collections::BTreeSet;
use std::path::Path;

use super::*;
use crate::profile::{
    BandSize, CleaningStyle, Personality, Place, SeekCurve, StagingMedium, StagingPlace,
};

fn load(name: &str) -> Profile {
    let text = Profile::built_in(name).expect("it is built in");
    Profile::from_toml(&format!("{name}.toml"), text).unwrap_or_else(|why| panic!("{why}"))
}

/// Time of a move over a share of the stroke, straight from the law; nanoseconds.
fn seek_ns(profile: &Profile, share: f64) -> f64 {
    let SeekCurve::RootThenLine {
        base,
        root,
        knee_ppm,
        far_base,
        slope,
    } = &profile.platters.seek
    else {
        panic!("the law is expected");
    };
    let ns = |time: &crate::time::Duration| time.0.to_string().parse::<f64>().expect("a number");
    if share * 1e6 <= f64::from(*knee_ppm) {
        ns(base) + ns(root) * share.sqrt()
    } else {
        ns(far_base) + ns(slope) * share
    }
}

#[test]
fn every_file_in_configs_is_built_in_and_valid() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("configs");
    let files: BTreeSet<String> = std::fs::read_dir(folder)
        .expect("the folder exists")
        .map(|file| file.expect("readable"))
        // Workloads have a folder of their own.
        .filter(|file| file.path().is_file())
        .map(|file| file.file_name().into_string().expect("plain"))
        .collect();
    let names: BTreeSet<String> = Profile::built_in_names()
        .map(|name| format!("{name}.toml"))
        .collect();
    assert_eq!(files, names);
    for name in Profile::built_in_names() {
        assert_eq!(load(name).name, name);
    }
}

#[test]
fn every_built_in_profile_leaves_room_for_spares_and_map() {
    for name in Profile::built_in_names() {
        let profile = load(name);
        let staged = match &profile.staging {
            Some(staging) if matches!(staging.medium, StagingMedium::Disk { .. }) => staging.bytes,
            _ => 0,
        };
        let spare = profile.band_bytes() - profile.drive.capacity_bytes - staged;
        assert!(
            spare > profile.drive.capacity_bytes / 100,
            "{name}: {spare} bytes"
        );
    }
}

#[test]
fn the_default_profile_is_the_desktop_drive() {
    let profile = load(Profile::DEFAULT_NAME);
    assert_eq!(
        Profile::default_text(),
        Profile::built_in("desktop-5tb").expect("built in")
    );
    assert_eq!(profile.drive.capacity_bytes, 5_000_000_000_000);
    assert_eq!(profile.drive.queue_depth, 31);
    // 5,900 rpm turn once in 10.17 ms.
    let rotation_us = 60_000_000_000 / profile.platters.rpm_milli;
    assert_eq!(rotation_us, 10_169);
    let zones = &profile.platters.zones;
    assert_eq!(zones.len(), 16);
    let ends = (zones[0].sectors_per_track, zones[15].sectors_per_track);
    assert_eq!(ends, (424, 212));
    assert_eq!(profile.bands.size, BandSize::Tracks(24));
    // 39.75 MiB outside, half of it inside.
    assert_eq!(profile.bands.bytes_in(&zones[0]), 41_680_896);
    assert_eq!(profile.bands.bytes_in(&zones[15]), 20_840_448);
    // 160,000 bands of the mean size hold the capacity, and there are a few more than that.
    let bands: u64 = zones.iter().map(|zone| profile.bands_in(zone)).sum();
    assert_eq!(bands, 163_200);
    let mean_band = 24 * 318 * 4096;
    assert!((159_000..=160_000).contains(&(profile.drive.capacity_bytes / mean_band)));
    // 1 ms at once, 10.2 ms on either side of the knee, 14.8 ms for half a stroke, 24 ms for all.
    let check = |share: f64, ms: f64| {
        let at = seek_ns(&profile, share);
        assert!((at - ms * 1e6).abs() < 1e3, "{share}: {at}");
    };
    check(0.0, 1.0);
    check(0.25, 10.2);
    check(0.250_001, 10.2);
    check(0.5, 14.8);
    check(1.0, 24.0);
}

#[test]
fn the_desktop_staging_area_is_full_of_half_tracks() {
    let profile = load("desktop-5tb");
    let staging = profile.staging.as_ref().expect("drive-managed");
    let expected = StagingMedium::Disk {
        place: StagingPlace::One(Place::Outer),
        quanta_per_track: 2,
        out_of_band_rev_milli: 2000,
    };
    assert_eq!(staging.medium, expected);
    let half_track = profile.platters.zones[0].track_bytes() / 2;
    assert_eq!(half_track, 848 * 1024);
    assert_eq!(staging.bytes, staging.slots * half_track);
    assert_eq!(staging.bytes / 100_000_000, 293);
    // 703 bands of 24 tracks.
    assert_eq!(staging.slots, 703 * 24 * 2);
    assert_eq!(
        (staging.merge_every_entries, staging.extents),
        (240, 2_097_152)
    );
    assert_eq!(staging.merge_place, Place::Middle);
    // A merge takes about 300 ms: its revolutions and two half strokes.
    let rotation_ns = 60_000_000_000_000 / profile.platters.rpm_milli;
    let merge_ms = (u64::from(staging.merge_tracks) * rotation_ns + 2 * 14_800_000) / 1_000_000;
    assert!((295..=310).contains(&merge_ms), "{merge_ms} ms");
    assert_eq!(profile.cleaning.style, CleaningStyle::Aggressive);
    assert_eq!(
        profile.cleaning.idle_delay,
        crate::time::Duration::from_s(1)
    );
    assert_eq!(profile.cleaning.passes, 4);
}

#[test]
fn the_control_has_the_mechanics_of_the_desktop_and_no_shingles() {
    let (control, desktop) = (load("control-5tb"), load("desktop-5tb"));
    assert_eq!(control.platters, desktop.platters);
    assert_eq!(control.drive.personality, Personality::Conventional);
    assert_eq!(control.drive.capacity_bytes, desktop.drive.capacity_bytes);
    assert_eq!((control.staging, control.bands.overlap_tracks), (None, 0));
}

#[test]
fn no_two_built_in_profiles_share_a_format() {
    let prints: BTreeSet<u64> = Profile::built_in_names()
        .map(|name| load(name).format_fingerprint())
        .collect();
    assert_eq!(prints.len(), Profile::built_in_names().count());
}
