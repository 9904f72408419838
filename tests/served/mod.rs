//! A drive as frontends meet it: the thread that owns it, handles to it, a store in memory.
//!
//! The pace is off, so nobody waits for the model. Offsets and lengths are plain bytes here, of any
//! alignment.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use imbrex::host::clock::Pace;
use imbrex::host::handle::{Answer, Ask, DriveInfo, Handle, HostError};
use imbrex::host::limits::Limits;
use imbrex::host::owner::{Owner, StopError, Stopped, Watched};
use imbrex::host::recorder::Recorder;
use imbrex::image::open;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::mover::Mover;
use imbrex::profile::Profile;

/// A running drive.
pub(crate) struct Served {
    pub(crate) handle: Handle,
    pub(crate) store: MemoryStore,
    owner: Owner,
}

/// A store with a new image of `profile`.
pub(crate) fn new_image(profile: &Profile) -> MemoryStore {
    let store = MemoryStore::new(open::image_bytes(profile).unwrap());
    open::make(&store, profile, [7; 16]).unwrap();
    store
}

impl Served {
    /// Opens the image in `store`.
    pub(crate) fn start(store: &MemoryStore, read_only: bool) -> Served {
        Served::begin(store, read_only, None)
    }

    /// Opens the image in `store`; every answer is recorded.
    pub(crate) fn start_recorded(store: &MemoryStore, recorder: Recorder) -> Served {
        Served::begin(store, false, Some(recorder))
    }

    fn begin(store: &MemoryStore, read_only: bool, recorder: Option<Recorder>) -> Served {
        let opened = open::open(store, read_only).unwrap();
        let info = DriveInfo::new(opened.drive.profile(), read_only);
        let mover = Mover::plain(Box::new(store.clone()));
        let limits = Limits::default();
        let watched = Watched {
            recorder,
            ..Watched::default()
        };
        let (handle, owner) = Owner::start_in(
            (opened.drive, mover, None),
            Pace::Off,
            info,
            limits,
            watched,
        )
        .unwrap();
        Served {
            handle,
            store: store.clone(),
            owner,
        }
    }

    pub(crate) fn stop(self) -> Result<Stopped, StopError> {
        self.owner.stop()
    }

    pub(crate) fn write(&self, offset: u64, data: Vec<u8>) -> Result<Answer, HostError> {
        let fua = false;
        self.handle.ask(Ask::Write { offset, data, fua })
    }

    /// # Panics
    /// Unless it is answered with data.
    pub(crate) fn read(&self, offset: u64, bytes: u64) -> Vec<u8> {
        match self.handle.ask(Ask::Read { offset, bytes }) {
            Ok(Answer::Data(data)) => data,
            other => panic!("a read of {bytes} bytes at {offset} was answered {other:?}"),
        }
    }
}
