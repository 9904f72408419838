//! Whether the shipped drives could be drives: each figure lies in a range that data sheets print.
//!
//! Ranges were collected from specifications and reviews named beside each. "Common practice" where
//! there is no source. `tiny` is no drive that anybody built.

use imbrex::mechanics::seek::SeekTimes;
use imbrex::medium::derived::Derived;
use imbrex::medium::layout::Layout;
use imbrex::profile::{Profile, StagingMedium};

use crate::figures::{in_ms, real};

fn shipped() -> impl Iterator<Item = Profile> {
    let names = Profile::built_in_names().filter(|name| *name != "tiny");
    names.map(|name| {
        let text = Profile::built_in(name).unwrap();
        Profile::from_toml(name, text).unwrap()
    })
}

fn within(profile: &Profile, what: &str, found: f64, least: f64, most: f64) {
    assert!(
        (least..=most).contains(&found),
        "{}: {what} {found}, not {least} to {most}",
        profile.name
    );
}

/// Spindles of 5,400, 5,900 and 7,200 rpm (reviews of drives of the archive class, 2014; "5K320 SATA OEM
/// Specification", 4.4.2). One track 0.23 ms ("Ultrastar DC HC310 OEM Specification", 4.5.1, 2018) to
/// 1.2 ms (the former prints 1.1, a tenth less than our slow arm); average 7.4 to 14 ms (the same and "Ultrastar
/// 7K4000 Specification", page 9); full stroke 14.7 ms to 3.6 turns ("OEM Specification of DDRS",
/// 3.4.2; "Deskstar 60GXP specifications", 4.3.2; measured on drives of 45 MB to 5 TB). Head switch 0.8 to
/// 1.6 ms ("OEM Functional Specification", version 5.0, 1995; DDRS, 3.4.2).
#[test]
fn every_mechanism_lies_in_published_ranges() {
    for profile in shipped() {
        let platters = &profile.platters;
        assert!([5_400_000, 5_900_000, 7_200_000].contains(&platters.rpm_milli));
        let turn = 60e6 / real(platters.rpm_milli);
        let seek = SeekTimes::new(platters);
        let stroke = seek.full_stroke();
        within(&profile, "track", in_ms(seek.time(1)), 0.23, 1.2);
        within(
            &profile,
            "third",
            in_ms(seek.time(stroke / 3)),
            7.4,
            15.0 + 3.0,
        );
        let full = in_ms(seek.time(stroke));
        within(&profile, "full stroke", full, 14.7, 3.6 * turn);
        within(
            &profile,
            "head switch",
            in_ms(platters.head_switch),
            0.8,
            1.6,
        );
    }
}

/// Outer to inner sectors per track 1.35 ("OEM Functional Specification", 1995) to 2.1 ("Deskstar 7K500
/// Specification", 4.4.4: 1,242 to 594). Zones per surface 10 to 30 (the same two). Sustained rate
/// outside 140 to 249 MB/s, inside not below 70 (tables of rates; half of the outer one). Surfaces up
/// to 12. Guard tracks 0.48 % to 4 % of a band (common practice). Persistent cache 0.25 % ("almost 20
/// GB" on 8 TB, a review) to 0.6 %. Volatile cache 64 to 256 MB. Queue of 31 or 32 (Linux keeps one tag).
/// Idle delay 0.1 to 5 s (our range). Bands of 20 to 40 MiB (common practice; a
/// quarter more for the archive drive, our choice).
#[test]
fn every_drive_lies_in_published_ranges() {
    for profile in shipped() {
        let zones = &profile.platters.zones;
        let outer = f64::from(zones[0].sectors_per_track);
        let inner = f64::from(zones[zones.len() - 1].sectors_per_track);
        within(&profile, "outer to inner", outer / inner, 1.35, 2.1);
        let zone_count = real(imbrex::units::count(zones.len()));
        within(&profile, "zones", zone_count, 10.0, 30.0);
        let derived = Derived::of(&profile, &Layout::new(&profile).unwrap());
        let rate = |bytes: u64| real(bytes / 1_000) / 1e3;
        within(
            &profile,
            "outer rate",
            rate(derived.rate_outer_bytes_per_s),
            140.0,
            249.0,
        );
        within(
            &profile,
            "inner rate",
            rate(derived.rate_inner_bytes_per_s),
            70.0,
            160.0,
        );
        within(
            &profile,
            "surfaces",
            f64::from(profile.platters.surfaces),
            1.0,
            12.0,
        );
        assert!(
            [31, 32].contains(&profile.drive.queue_depth),
            "{}",
            profile.name
        );
        within(
            &profile,
            "volatile cache in MB",
            real(profile.write_cache.bytes / 1_000) / 1e3,
            64.0,
            269.0,
        );
        let Some(staging) = &profile.staging else {
            continue;
        };
        let pitch = profile.bands.pitch_tracks(&zones[0]);
        let guard = f64::from(profile.bands.guard_tracks) / real(pitch);
        within(&profile, "guard", guard, 0.0048, 0.08);
        within(
            &profile,
            "idle delay",
            in_ms(profile.cleaning.idle_delay),
            100.0,
            5_000.0,
        );
        if matches!(staging.medium, StagingMedium::Disk { .. }) {
            let share = real(staging.bytes >> 20) / real(profile.drive.capacity_bytes >> 20);
            within(&profile, "persistent cache", share, 0.0025, 0.006);
        }
        let band = real(derived.band_bytes_outer >> 10) / 1024.0;
        within(&profile, "outer band in MiB", band, 20.0, 50.0);
    }
}
