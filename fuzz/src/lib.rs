//! Owns what the fuzz targets stand on: a server over an array of bytes, and images with a past. It judges nothing: a target fails by a panic,
//! its own or one of imbrex, on whatever thread.

pub mod inline_drive;
pub mod old_image;
pub mod session;

use imbrex::host::clock::Pace;
use imbrex::host::handle::{DriveInfo, Handle};
use imbrex::host::limits::Limits;
use imbrex::host::owner::Owner;
use imbrex::image::open;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::mover::Mover;
use imbrex::profile::Profile;

/// A drive of 2 MiB: eight bands.
pub fn small() -> Profile {
    let text = Profile::built_in("tiny").expect("it ships");
    let mut profile = Profile::from_toml("tiny", text).expect("what ships is valid");
    profile.drive.capacity_bytes = 2 << 20;
    if let Some(staging) = &mut profile.staging {
        staging.merge_every_entries = 4;
    }
    profile
}

/// A store with a new image of `profile`.
pub fn new_image(profile: &Profile) -> MemoryStore {
    let store = MemoryStore::new(open::image_bytes(profile).expect("its parts fit"));
    open::make(&store, profile, [7; 16]).expect("the store does not fail");
    store
}

/// Serves the image in `store` with the pace off.
pub fn start(store: &MemoryStore) -> (Handle, Owner) {
    let opened = open::open(store, false).expect("it was just made");
    let info = DriveInfo::new(opened.drive.profile(), false);
    let mover = Mover::plain(Box::new(store.clone()));
    Owner::start(opened.drive, mover, Pace::Off, info, Limits::default())
        .expect("threads can be started")
}
