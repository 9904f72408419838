//! Owns hand-made profiles for the tests of this folder: one realistic, one tiny, and their variants.
//!
//! They are values of their own, not the shipped profiles, so that a test fails where the code is
//! wrong and not where a number of a profile changes.

use crate::profile::{
    BandChoice, BandSize, Bands, Cleaning, CleaningStep, CleaningStyle, Drive, Personality, Place,
    Platters, Profile, QueueOrder, RecordingZone, SeekCurve, Staging, StagingMedium, StagingPlace,
    Trim, WriteCache,
};
use crate::time::Duration;

/// The common-practice seek law: 1.0 + 18.4 sqrt(u) ms up to a quarter of the stroke, 5.6 + 18.4 u
/// beyond.
fn seek_law() -> SeekCurve {
    SeekCurve::RootThenLine {
        base: Duration::from_us(1_000),
        root: Duration::from_us(18_400),
        knee_ppm: 250_000,
        far_base: Duration::from_us(5_600),
        slope: Duration::from_us(18_400),
    }
}

fn profile(zones: Vec<RecordingZone>, surfaces: u32, capacity_bytes: u64) -> Profile {
    Profile {
        name: "sample".to_owned(),
        drive: Drive {
            capacity_bytes,
            logical_sector_bytes: 512,
            personality: Personality::DriveManaged,
            queue_depth: 31,
            queue_order: QueueOrder::Arrival,
            interface_bytes_per_s: 600_000_000,
            command_overhead: Duration::from_us(50),
            formatted: true,
        },
        platters: Platters {
            rpm_milli: 5_900_000,
            surfaces,
            zones,
            seek: seek_law(),
            write_settle: Duration::from_us(200),
            head_switch: Duration::from_us(1_000),
            start_anywhere: false,
        },
        bands: Bands {
            size: BandSize::Tracks(24),
            guard_tracks: 1,
            overlap_tracks: 1,
            spares_per_zone: 2,
        },
        staging: Some(Staging {
            medium: StagingMedium::Disk {
                place: StagingPlace::One(Place::Outer),
                quanta_per_track: 2,
                out_of_band_rev_milli: 2_000,
            },
            bytes: 29_300_000_000,
            slots: 33_744,
            extents: 182_000,
            entry_bytes_max: 848 * 1024,
            merge_every_entries: 240,
            merge_tracks: 4,
            merge_place: Place::Middle,
        }),
        cleaning: Cleaning {
            style: CleaningStyle::Aggressive,
            idle_delay: Duration::from_ms(1_000),
            high_mark_percent: 80,
            low_mark_percent: 60,
            choice: BandChoice::Oldest,
            passes: 2,
            step: CleaningStep::Track,
        },
        write_cache: WriteCache {
            enabled: true,
            bytes: 128 << 20,
            destage_delay: Duration::from_ms(500),
            bypass_run_bytes: 8 << 20,
        },
        read_ahead_bytes: 1 << 20,
        trim: Trim {
            enabled: true,
            zeroes_deallocate: true,
        },
    }
}

/// 4.7 TB on eight surfaces, sixteen recording zones from 424 down to 212 sectors per track.
pub(crate) fn large() -> Profile {
    let zones = (0..16u32)
        .map(|zone| RecordingZone {
            tracks: 30_000,
            sectors_per_track: 424 - zone * 212 / 15,
        })
        .collect();
    profile(zones, 8, 4096 * 1_147_460_000)
}

/// Two surfaces, three zones, bands of three short tracks.
pub(crate) fn tiny() -> Profile {
    let zone = |tracks, sectors_per_track| RecordingZone {
        tracks,
        sectors_per_track,
    };
    let zones = vec![zone(130, 16), zone(110, 12), zone(120, 9)];
    let mut profile = profile(zones, 2, 4096 * 3_010);
    profile.bands.size = BandSize::Tracks(3);
    profile.staging = Some(Staging {
        medium: StagingMedium::Disk {
            place: StagingPlace::One(Place::Outer),
            quanta_per_track: 2,
            out_of_band_rev_milli: 2_000,
        },
        bytes: 4096 * 200,
        slots: 40,
        extents: 100,
        entry_bytes_max: 4096 * 8,
        merge_every_entries: 8,
        merge_tracks: 1,
        merge_place: Place::Middle,
    });
    profile
}

/// With its staging area on the platters at another place.
pub(crate) fn staged_at(mut profile: Profile, at: StagingPlace) -> Profile {
    if let Some(Staging {
        medium: StagingMedium::Disk { place, .. },
        ..
    }) = &mut profile.staging
    {
        *place = at;
    }
    profile
}

/// With its staging area on flash.
pub(crate) fn on_flash(mut profile: Profile) -> Profile {
    if let Some(staging) = &mut profile.staging {
        staging.medium = StagingMedium::Flash {
            read_latency: Duration::from_us(100),
            write_latency: Duration::from_us(300),
            bytes_per_s: 200_000_000,
        };
        staging.slots = staging.bytes / 4096;
    }
    profile
}

/// The control: same mechanics, tracks that do not overlap.
pub(crate) fn conventional(mut profile: Profile) -> Profile {
    profile.drive.personality = Personality::Conventional;
    profile.staging = None;
    profile.bands.guard_tracks = 0;
    profile.bands.overlap_tracks = 0;
    profile.bands.spares_per_zone = 0;
    profile
}

/// Bands of a fixed number of bytes.
pub(crate) fn sized_in_bytes(mut profile: Profile, bytes: u64) -> Profile {
    profile.bands.size = BandSize::Bytes(bytes);
    profile
}

/// Every character: band rules, staging places, flash and the control, in both sizes.
pub(crate) fn all() -> Vec<Profile> {
    let mut all = Vec::new();
    for (base, band_bytes) in [(large(), 40 << 20), (tiny(), 4096 * 40)] {
        for base in [base.clone(), sized_in_bytes(base, band_bytes)] {
            for place in [Place::Outer, Place::Middle, Place::Inner] {
                let mut profile = staged_at(base.clone(), StagingPlace::One(place));
                for merge_place in [Place::Outer, Place::Middle, Place::Inner] {
                    if let Some(staging) = &mut profile.staging {
                        staging.merge_place = merge_place;
                    }
                    all.push(profile.clone());
                }
            }
            all.push(staged_at(base.clone(), StagingPlace::Spread(3)));
            all.push(staged_at(base.clone(), StagingPlace::Spread(8)));
            all.push(on_flash(base.clone()));
            all.push(conventional(base.clone()));
            let mut one_surface = base;
            one_surface.platters.surfaces = 1;
            one_surface.drive.capacity_bytes /= 10;
            all.push(one_surface);
        }
    }
    all
}
