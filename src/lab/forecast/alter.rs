//! Owns the drives that a forecast tries beside the one that was asked about: the same profile with one
//! thing changed, and a conventional drive of the same capacity to compare with.
//!
//! Where what is changed needs more room on the platters, tracks are added; the seek curve goes by the
//! share of the stroke and stays. A drive that cannot be is told with the reason.

use crate::image::open;
use crate::profile::{
    BandSize, Personality, Profile, SeekCurve, Staging, StagingMedium, quantity::Unit,
};
use crate::units::SECTOR_BYTES;

/// A factor as a fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Times {
    /// Above the line.
    pub by: u64,
    /// Below the line; never 0.
    pub over: u64,
}

/// Half as much.
pub const HALF: Times = Times { by: 1, over: 2 };
/// Twice as much.
pub const TWICE: Times = Times { by: 2, over: 1 };

/// Most tracks that are added to make room, in percent of those there are.
const ADDED_PERCENT_MAX: u64 = 16;

/// Flash memory as a staging area (common practice for small flash parts).
const FLASH: StagingMedium = StagingMedium::Flash {
    read_latency: crate::time::Duration::from_us(80),
    write_latency: crate::time::Duration::from_us(150),
    bytes_per_s: 250_000_000,
};

impl Times {
    fn of(self, value: u64) -> u64 {
        let wide = u128::from(value) * u128::from(self.by) / u128::from(self.over);
        u64::try_from(wide).unwrap_or(u64::MAX).max(1)
    }
}

/// With a staging area so many times as large, in bytes, slots and extents.
///
/// # Errors
/// Why there is no such drive, in words.
pub fn staging(profile: &Profile, times: Times) -> Result<Profile, String> {
    let mut changed = profile.clone();
    let staging = staged(&mut changed)?;
    let bytes = times.of(staging.bytes) / SECTOR_BYTES * SECTOR_BYTES;
    staging.bytes = bytes;
    staging.slots = times.of(staging.slots);
    staging.extents = times.of(staging.extents);
    with_room(&changed)
}

/// With bands so many times as large.
///
/// # Errors
/// Why there is no such drive, in words.
pub fn bands(profile: &Profile, times: Times) -> Result<Profile, String> {
    let mut changed = profile.clone();
    staged(&mut changed)?;
    changed.bands.size = match profile.bands.size {
        BandSize::Tracks(tracks) => {
            let tracks = times.of(u64::from(tracks));
            BandSize::Tracks(u32::try_from(tracks).unwrap_or(u32::MAX))
        }
        BandSize::Bytes(bytes) => BandSize::Bytes(times.of(bytes) / SECTOR_BYTES * SECTOR_BYTES),
    };
    with_room(&changed)
}

/// Cleaning bands in so many passes.
///
/// # Errors
/// Why there is no such drive, in words.
pub fn passes(profile: &Profile, passes: u32) -> Result<Profile, String> {
    let mut changed = profile.clone();
    staged(&mut changed)?;
    changed.cleaning.passes = passes;
    with_room(&changed)
}

/// With the staging area on flash memory, of the same size.
///
/// # Errors
/// Why there is no such drive, in words.
pub fn flash(profile: &Profile) -> Result<Profile, String> {
    let mut changed = profile.clone();
    let staging = staged(&mut changed)?;
    if matches!(staging.medium, StagingMedium::Flash { .. }) {
        return Err("its staging area is on flash memory already".to_owned());
    }
    staging.medium = FLASH;
    staging.slots = staging.bytes / SECTOR_BYTES;
    with_room(&changed)
}

/// The conventional drive to compare `profile` with: `control` with as much capacity; for a drive so
/// small that there is no such control, the drive itself without shingling.
///
/// # Errors
/// Why there is no such drive, in words.
pub fn control(control: &Profile, profile: &Profile) -> Result<Profile, String> {
    let capacity_bytes = profile.drive.capacity_bytes;
    if control.drive.personality != Personality::Conventional {
        let name = &control.name;
        return Err(format!(
            "{name} is no conventional drive, and what comes of shingling shows only beside one; let --control name \
             one (drive.personality = \"conventional\"), or leave it out"
        ));
    }
    let whole = control.drive.capacity_bytes;
    if capacity_bytes < control.capacity_bytes_min() {
        return unshingled(profile);
    }
    if capacity_bytes <= whole {
        let scaled = control.scaled_to(capacity_bytes);
        return scaled.map(|(scaled, _)| scaled).map_err(|e| e.to_string());
    }
    let mut larger = control.clone();
    larger.drive.capacity_bytes = capacity_bytes;
    for zone in &mut larger.platters.zones {
        let wide = u128::from(zone.tracks) * u128::from(capacity_bytes);
        let tracks = wide.div_ceil(u128::from(whole));
        zone.tracks = u32::try_from(tracks).unwrap_or(u32::MAX);
    }
    with_room(&larger)
}

fn unshingled(profile: &Profile) -> Result<Profile, String> {
    let mut control = profile.clone();
    control.name = format!("{} unshingled", profile.name);
    control.drive.personality = Personality::Conventional;
    control.staging = None;
    control.bands.guard_tracks = 0;
    control.bands.overlap_tracks = 0;
    control.bands.spares_per_zone = 0;
    control.write_cache.bypass_run_bytes = 0;
    with_room(&control)
}

fn staged(profile: &mut Profile) -> Result<&mut Staging, String> {
    let none = "a conventional drive has no staging area and nothing to clean";
    profile.staging.as_mut().ok_or_else(|| none.to_owned())
}

/// The profile, with as many tracks more as it takes for everything to find room.
fn with_room(profile: &Profile) -> Result<Profile, String> {
    let mut why = String::new();
    for percent in 0..=ADDED_PERCENT_MAX {
        let mut wider = profile.clone();
        for zone in &mut wider.platters.zones {
            let tracks = u64::from(zone.tracks) * (100 + percent);
            zone.tracks = u32::try_from(tracks.div_ceil(100)).unwrap_or(u32::MAX);
        }
        let stroke = wider.platters.tracks_per_surface().saturating_sub(1);
        if let SeekCurve::Points(points) = &mut wider.platters.seek
            && let Some(last) = points.last_mut()
        {
            last.tracks = u32::try_from(stroke).unwrap_or(u32::MAX);
        }
        match Profile::from_toml(&wider.name, &wider.to_toml()) {
            Ok(valid) => match open::imagined(&valid) {
                Ok(_) => return Ok(valid),
                Err(error) => why = error.to_string(),
            },
            Err(error) => why = error.to_string(),
        }
    }
    let capacity = Unit::Bytes.format(profile.drive.capacity_bytes);
    let why = why.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    Err(format!("no such drive of {capacity} can be: {why}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn built_in(name: &str) -> Profile {
        Profile::from_toml(name, Profile::built_in(name).unwrap()).unwrap()
    }

    #[test]
    fn every_built_in_drive_can_be_changed_in_every_way_but_onto_the_flash_it_has() {
        let shingled = Profile::built_in_names()
            .map(built_in)
            .filter(|profile| profile.staging.is_some());
        for profile in shingled {
            let of = |profile: &Profile| profile.staging.clone().unwrap();
            let twice = staging(&profile, TWICE).unwrap();
            assert_eq!(of(&twice).slots, 2 * of(&profile).slots);
            let half = staging(&profile, HALF).unwrap();
            // To a whole sector.
            assert!(of(&profile).bytes - 2 * of(&half).bytes < 2 * 4096);
            for times in [HALF, TWICE] {
                let changed = bands(&profile, times);
                // The smallest bands of the tiny drive would not hold its entries.
                assert!(changed.is_ok() || profile.name == "tiny", "{changed:?}");
            }
            assert_eq!(passes(&profile, 2).unwrap().cleaning.passes, 2);
            let on_flash = flash(&profile);
            assert_eq!(
                on_flash.is_err(),
                profile.name == "flash-4tb",
                "{on_flash:?}"
            );
            let control = control(&built_in("control-5tb"), &profile).unwrap();
            assert_eq!(control.drive.capacity_bytes, profile.drive.capacity_bytes);
            assert!(control.staging.is_none(), "{}", control.name);
        }
    }

    #[test]
    fn a_shingled_drive_is_no_control() {
        let told = control(&built_in("archive-8tb"), &built_in("tiny")).unwrap_err();
        assert!(
            told.contains("archive-8tb is no conventional drive") && told.contains("leave it out"),
            "{told}"
        );
    }
}
