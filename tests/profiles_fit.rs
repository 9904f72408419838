//! Every profile that ships, whole and scaled down, describes a drive whose parts fit.

#![allow(clippy::unwrap_used)] // in a test it is an assertion

use imbrex::image::open;
use imbrex::medium::derived::Derived;
use imbrex::medium::layout::Layout;
use imbrex::profile::Profile;

fn shipped() -> Vec<Profile> {
    let names = Profile::built_in_names();
    names
        .into_iter()
        .map(|name| Profile::from_toml(name, Profile::built_in(name).unwrap()).unwrap())
        .collect()
}

#[test]
fn every_shipped_profile_becomes_a_drive() {
    for profile in shipped() {
        let layout =
            Layout::new(&profile).unwrap_or_else(|error| panic!("{}: {error}", profile.name));
        assert_eq!(layout.capacity().bytes(), profile.drive.capacity_bytes);
        println!("{}\n{}", profile.name, Derived::of(&profile, &layout));
        assert!(open::imagined(&profile).is_ok());
    }
}

#[test]
fn every_shipped_profile_can_be_scaled_down_and_still_fits() {
    for profile in shipped() {
        let whole = profile.drive.capacity_bytes;
        let parts = [2, 3, 7, 10, 50, 100, 250, 1000].map(|part| whole / part / 4096 * 4096);
        let sizes = [1, 2, 5, 10, 20, 32, 50, 64, 100, 200, 500, 1000].map(|gib| gib << 30);
        for capacity in parts
            .into_iter()
            .chain(sizes)
            .filter(|&bytes| bytes <= whole)
        {
            let capacity = capacity.max(profile.capacity_bytes_min());
            let (scaled, changed) = profile
                .scaled_to(capacity)
                .unwrap_or_else(|error| panic!("{}: {error}", profile.name));
            let layout = Layout::new(&scaled)
                .unwrap_or_else(|error| panic!("{} to {capacity}: {error}", profile.name));
            assert_eq!(layout.capacity().bytes(), capacity);
            assert!(capacity == whole || !changed.is_empty());
        }
    }
}

/// The data of a drive that is scaled down ends where that of the whole drive does: near the inner
/// diameter, where tracks and bands are shortest.
#[test]
fn a_scaled_desktop_reaches_nearly_as_far_in_as_the_whole_one() {
    let desktop = shipped().into_iter().find(|it| it.name == "desktop-5tb");
    let desktop = desktop.unwrap();
    let innermost = |profile: &Profile| {
        let layout = Layout::new(profile).unwrap();
        Derived::of(profile, &layout).band_bytes_inner
    };
    let whole = innermost(&desktop);
    for gib in [20, 50, 100, 500] {
        let (scaled, _) = desktop.scaled_to(gib << 30).unwrap();
        let found = innermost(&scaled);
        assert!(
            found * 10 <= whole * 11,
            "{gib} GiB: {found} bytes, not {whole}"
        );
    }
}
