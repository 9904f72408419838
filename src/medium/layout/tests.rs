//! Owns the properties of a layout, checked on every character of drive.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::medium::sample;
use crate::profile::{Place, StagingPlace};

/// A few sectors at both ends of every run, and all of a short one.
fn probes(sectors: u64) -> Vec<u64> {
    if sectors <= 64 {
        (0..sectors).collect()
    } else {
        vec![0, 1, sectors / 3, sectors / 2, sectors - 2, sectors - 1]
    }
}

fn each(check: impl Fn(&Profile, &Layout)) {
    for profile in sample::all() {
        let layout = Layout::new(&profile).unwrap_or_else(|e| panic!("{e}: {profile:?}"));
        check(&profile, &layout);
    }
}

/// The zone that holds a cylinder: first and last cylinder, sectors per track.
fn zone_of(profile: &Profile, cylinder: u32) -> (u32, u32, u32) {
    let mut first = 0;
    for zone in &profile.platters.zones {
        if cylinder < first + zone.tracks {
            return (first, first + zone.tracks, zone.sectors_per_track);
        }
        first += zone.tracks;
    }
    panic!("cylinder {cylinder} is past the last zone");
}

#[test]
fn areas_follow_each_other_without_gaps_and_bands_fill_them() {
    each(|_, layout| {
        let (mut end, mut bands) = (Pba(0), 0);
        for area in layout.areas() {
            assert_eq!(area.start, end);
            assert!(area.sectors.0 > 0);
            if area.bands > 0 {
                assert_eq!(area.first_band, bands);
                assert_eq!(u64::from(area.bands) * area.shape.sectors.0, area.sectors.0);
            }
            end = area.start + area.sectors;
            bands += area.bands;
        }
        assert_eq!(layout.total().0, end.0);
        assert_eq!(layout.bands(), bands);
        assert_eq!(layout.system().start, Pba(0));
        assert_eq!(layout.system().sectors.bytes(), 256 << 10);
        assert_eq!(layout.journal().start, layout.system().end());
    });
}

#[test]
fn every_host_address_has_exactly_one_home() {
    each(|profile, layout| {
        let mut next = Lba(0);
        let mut places = BTreeSet::new();
        for home in (0..layout.home_bands()).map(HomeBand) {
            let extent = layout.home_extent(home);
            let band = layout.band(layout.factory_place(home));
            assert_eq!(extent.start, next);
            assert_eq!(band.kind, BandKind::Data);
            assert!(places.insert(band.id), "two homes in {}", band.id);
            assert!(extent.sectors <= band.sectors);
            assert!(extent.sectors == band.sectors || home.0 + 1 == layout.home_bands());
            assert!(!layout.spares_for(home).contains(&band.id.0));
            for offset in probes(extent.sectors.0) {
                let lba = extent.start + Sectors(offset);
                assert_eq!(layout.home_of(lba), (home, Sectors(offset)));
            }
            next = extent.end();
        }
        assert_eq!(next.0 * 4096, profile.drive.capacity_bytes);
    });
}

#[test]
fn bands_and_their_guards_share_no_track_and_stay_in_one_zone() {
    each(|profile, layout| {
        let surfaces = layout.surfaces();
        let tracks = u64::from(layout.cylinders()) * u64::from(surfaces);
        let mut taken = vec![false; usize::try_from(tracks).unwrap()];
        for band in (0..layout.bands()).map(|id| layout.band(BandId(id))) {
            if band.sectors_per_track == 0 {
                assert_eq!(band.kind, BandKind::Flash);
                continue;
            }
            let pitch = band.tracks + profile.bands.guard_tracks;
            let (_, zone_end, per_track) = zone_of(profile, band.cylinder);
            assert_eq!(band.sectors_per_track, per_track);
            assert!(band.cylinder + pitch <= zone_end, "{band:?}");
            let holds = u64::from(band.tracks) * u64::from(per_track);
            assert!(band.sectors.0 <= holds && holds - band.sectors.0 < u64::from(per_track));
            for track in 0..pitch {
                let at = u64::from(band.cylinder + track) * u64::from(surfaces)
                    + u64::from(band.surface);
                let taken = &mut taken[usize::try_from(at).unwrap()];
                assert!(!*taken, "{band:?} takes a track twice");
                *taken = true;
            }
        }
    });
}

#[test]
fn places_and_bands_are_inverse() {
    each(|profile, layout| {
        let tiny = layout.total().0 < 100_000;
        let mut spots = BTreeSet::new();
        for band in (0..layout.bands()).map(|id| layout.band(BandId(id))) {
            let offsets = if tiny {
                (0..band.sectors.0).collect()
            } else {
                vec![0, band.sectors.0 - 1]
            };
            for offset in offsets {
                let pba = band.start + Sectors(offset);
                assert_eq!(layout.band_at(pba), Some(band.id));
                assert_eq!(layout.area_index(pba), band.area);
                let spot = layout.spot(pba);
                let Some(spot) = spot else {
                    assert_eq!(band.kind, BandKind::Flash);
                    continue;
                };
                let (_, _, per_track) = zone_of(profile, spot.cylinder);
                assert_eq!(spot.sectors_per_track, per_track);
                assert_eq!(spot.surface, band.surface);
                let in_band = u64::from(spot.cylinder - band.cylinder) * u64::from(per_track)
                    + u64::from(spot.sector);
                assert_eq!(in_band, offset);
                assert!(spot.sector < per_track);
                assert!(!tiny || spots.insert(spot), "{spot:?} is used twice");
            }
        }
        for plain in [layout.system(), layout.journal()] {
            for pba in [plain.start, plain.start + Sectors(plain.sectors.0 - 1)] {
                assert_eq!(layout.band_at(pba), None);
                assert_eq!(layout.spot(pba), None);
            }
        }
    });
}

#[test]
fn a_track_place_tells_how_far_the_track_goes_on() {
    each(|_, layout| {
        if layout.total().0 > 100_000 {
            return;
        }
        for pba in (0..layout.total().0 - 1).map(Pba) {
            let Some(place) = layout.track_place(pba) else {
                continue;
            };
            assert_eq!(Some(place.spot), layout.spot(pba));
            let next = layout.track_place(pba + Sectors(1));
            let goes_on = next.is_some_and(|next| {
                next.area == place.area
                    && next.band_in_area == place.band_in_area
                    && next.track == place.track
            });
            assert_eq!(goes_on, place.left.0 > 1, "{pba}: {place:?}, {next:?}");
        }
    });
}

#[test]
fn home_bands_go_from_the_outer_to_the_inner_diameter_and_rotate_across_surfaces() {
    each(|_, layout| {
        let mut before: Option<Band> = None;
        for home in (0..layout.home_bands()).map(HomeBand) {
            let band = layout.band(layout.factory_place(home));
            if let Some(before) = before {
                assert!(band.cylinder >= before.cylinder);
                if before.area == band.area {
                    assert_eq!(band.surface, (before.surface + 1) % layout.surfaces());
                }
            }
            before = Some(band);
        }
    });
}

#[test]
fn every_data_area_has_its_spare_bands() {
    each(|profile, layout| {
        let areas = layout.areas().iter().filter(|a| a.kind == AreaKind::Data);
        for area in areas {
            assert!(area.homes > 0);
            assert_eq!(area.bands - area.homes, profile.bands.spares_per_zone);
            let home = HomeBand(area.first_home);
            let spares = layout.spares_for(home);
            assert_eq!(
                spares.len(),
                usize::try_from(profile.bands.spares_per_zone).unwrap()
            );
            for spare in spares {
                assert!(layout.same_area(BandId(spare), layout.factory_place(home)));
            }
        }
    });
}

#[test]
fn staging_regions_cover_the_limit_that_runs_out_first() {
    each(|profile, layout| {
        let Some(staging) = &profile.staging else {
            assert!(layout.regions().is_empty());
            return;
        };
        let parts = u64::try_from(layout.regions().len()).unwrap();
        let mut next = Lba(0);
        for (number, region) in layout.regions().iter().enumerate() {
            let (mut slots, mut sectors) = (0, 0);
            let bands: Vec<Band> = region
                .bands
                .clone()
                .map(|id| layout.band(BandId(id)))
                .collect();
            // The limits must be reachable while one band is being filled anew.
            for (place, band) in bands.iter().enumerate() {
                let slot = layout.slot_sectors(band.id).0;
                let of_band = band.sectors.0 / slot;
                assert!(of_band > 0);
                assert!(of_band * slot >= staging.entry_bytes_max / 4096);
                if place > 0 {
                    slots += of_band;
                    sectors += of_band * slot;
                }
                match band.kind {
                    BandKind::Staging { region } => assert_eq!(region, number),
                    kind => assert_eq!(kind, BandKind::Flash),
                }
            }
            assert!(bands.len() >= 3);
            assert!(slots * parts >= staging.slots || sectors * 4096 * parts >= staging.bytes);
            assert!(region.slots > slots);
            assert_eq!(region.lba.start, next);
            next = region.lba.end();
            for offset in probes(region.lba.sectors.0) {
                assert_eq!(layout.region_of(region.lba.start + Sectors(offset)), number);
            }
            assert_eq!(
                layout.home_of(region.lba.start).1,
                Sectors(0),
                "a band is split"
            );
        }
        assert_eq!(next.0, layout.capacity().0);
    });
}

#[test]
fn a_slot_is_a_part_of_a_track_or_a_sector() {
    let layout = Layout::new(&sample::large()).unwrap();
    let first = layout.regions()[0].bands.start;
    assert_eq!(layout.slot_sectors(BandId(first)), Sectors(212));
    let flash = Layout::new(&sample::on_flash(sample::large())).unwrap();
    let first = flash.regions()[0].bands.start;
    assert_eq!(flash.slot_sectors(BandId(first)), Sectors(1));
    assert!(flash.band(BandId(first)).sectors.bytes() <= 1 << 20);
}

#[test]
fn map_halves_hold_a_full_map_and_eight_merges() {
    each(|profile, layout| {
        let Some(staging) = &profile.staging else {
            return;
        };
        let (a, b) = (
            layout.band(layout.map_half(0)),
            layout.band(layout.map_half(1)),
        );
        assert_eq!(
            (a.kind, b.kind),
            (BandKind::Map { half: 0 }, BandKind::Map { half: 1 })
        );
        assert_eq!(a.sectors, b.sectors);
        let merges = u64::from(8 * staging.merge_tracks) * u64::from(a.sectors_per_track) * 4096;
        let map = 32 * (staging.extents + u64::from(layout.home_bands())) + (64 << 10);
        assert!(a.sectors.bytes() >= map + merges);
    });
}

#[test]
fn staging_lies_where_the_profile_says() {
    for base in [sample::tiny(), sample::large()] {
        let radial = |place| {
            let layout = Layout::new(&sample::staged_at(base.clone(), place)).unwrap();
            let ends = |region: &Region| {
                let last = layout.band(BandId(region.bands.end - 1));
                (
                    layout.band(BandId(region.bands.start)).cylinder,
                    last.cylinder + last.tracks,
                )
            };
            (
                layout.regions().iter().map(ends).collect::<Vec<_>>(),
                layout.cylinders(),
            )
        };
        let (outer, total) = radial(StagingPlace::One(Place::Outer));
        assert_eq!(outer[0].0, 0);
        let (middle, _) = radial(StagingPlace::One(Place::Middle));
        assert!(
            middle[0].0 <= total / 2 && total / 2 <= middle[0].1,
            "{middle:?}"
        );
        let (inner, _) = radial(StagingPlace::One(Place::Inner));
        assert_eq!(inner[0].1 + base.bands.guard_tracks, total);
        let (spread, _) = radial(StagingPlace::Spread(4));
        for (part, (first, end)) in (0u32..).zip(spread) {
            let middle = total / 8 * (2 * part + 1);
            assert!(
                first <= middle + 60 && middle <= end + 60,
                "{part}: {first}..{end}"
            );
        }
    }
}

#[test]
fn a_capacity_too_large_says_how_many_tracks_are_missing() {
    let mut profile = sample::tiny();
    profile.drive.capacity_bytes *= 10;
    let error = Layout::new(&profile).unwrap_err();
    let LayoutError::NoRoom {
        area,
        needed_tracks,
        available_tracks,
        ..
    } = error
    else {
        panic!("{error}");
    };
    assert_eq!(area, "data area");
    assert!(needed_tracks > available_tracks && available_tracks < 360 * 2);
}

#[test]
fn areas_that_do_not_fit_are_named() {
    let change = |change: fn(&mut crate::profile::Staging)| {
        let mut profile = sample::tiny();
        change(profile.staging.as_mut().unwrap());
        Layout::new(&profile).unwrap_err().to_string()
    };
    let staging = change(|s| (s.bytes, s.slots) = (1 << 40, 1 << 40));
    assert!(
        staging.contains("staging area") && staging.contains("staging.bytes"),
        "{staging}"
    );
    let map = change(|s| s.extents = 1 << 40);
    assert!(
        map.contains("map area") && map.contains("staging.extents"),
        "{map}"
    );
    let entry = change(|s| s.entry_bytes_max = 1 << 20);
    assert!(entry.contains("staging.entry_bytes_max"), "{entry}");
    let mut many = sample::staged_at(sample::tiny(), StagingPlace::Spread(4));
    many.drive.capacity_bytes = 4096 * 100;
    let many = Layout::new(&many).unwrap_err().to_string();
    assert!(many.contains("staging.place"), "{many}");
}

proptest! {
    /// Whatever the sizes, a layout that exists keeps its promises, and a refusal is an error.
    #[test]
    fn odd_sizes_never_share_a_track(
        tracks in prop::collection::vec((1u32..90, 4u32..40), 1..5),
        surfaces in 1u32..5,
        band_tracks in 1u32..9,
        guard in 1u32..3,
        spares in 1u32..3,
        capacity in 1u64..2_000,
        parts in 1u32..4,
        in_bytes in any::<bool>(),
    ) {
        let mut profile = sample::staged_at(sample::tiny(), StagingPlace::Spread(parts));
        profile.platters.surfaces = surfaces;
        profile.platters.zones = tracks
            .iter()
            .map(|&(tracks, sectors_per_track)| crate::profile::RecordingZone {
                tracks,
                sectors_per_track,
            })
            .collect();
        profile.bands.size = if in_bytes {
            crate::profile::BandSize::Bytes(u64::from(band_tracks) * 4096 * 9)
        } else {
            crate::profile::BandSize::Tracks(band_tracks)
        };
        profile.bands.guard_tracks = guard;
        profile.bands.spares_per_zone = spares;
        profile.drive.capacity_bytes = capacity * 4096;
        let Ok(layout) = Layout::new(&profile) else {
            return Ok(());
        };
        let mut taken = BTreeSet::new();
        for band in (0..layout.bands()).map(|id| layout.band(BandId(id))) {
            let (_, zone_end, per_track) = zone_of(&profile, band.cylinder);
            prop_assert_eq!(band.sectors_per_track, per_track);
            prop_assert!(band.cylinder + band.tracks + guard <= zone_end);
            for track in 0..band.tracks + guard {
                prop_assert!(taken.insert((band.cylinder + track, band.surface)));
            }
        }
        let mut seen = BTreeSet::new();
        for lba in (0..capacity).map(Lba) {
            let (home, offset) = layout.home_of(lba);
            let pba = layout.band(layout.factory_place(home)).start + offset;
            prop_assert!(seen.insert(pba));
            prop_assert_eq!(layout.home_extent(home).start + offset, lba);
        }
    }
}
