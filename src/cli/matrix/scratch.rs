//! Owns the folder of a served cell while it is run, and the image in it.
//!
//! Always holds: who runs a cell has its folder locked, so that one without a lock is left over.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use nix::fcntl::{Flock, FlockArg};

use crate::cli::create;
use crate::cli::exit::{OutputError, UsageError};
use crate::image::backing::{self, CreateOptions};
use crate::image::open;
use crate::lab::ageing::run::{self, Image};
use crate::lab::matrix::plan::Cell;
use crate::lab::start::{Start, StartError};
use crate::medium::file_store::FileStore;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::serve::fuse::error::FuseError;
use crate::serve::fuse::server::FuseServer;

/// Longest path of a folder in which there can be sockets that every client reaches.
const PATH_BYTES_MAX: usize = 80;

/// Where a drive is mounted in the folder of its cell.
const MOUNT: &str = "mount";

/// A folder that goes when it is dropped.
#[derive(Debug)]
pub(super) struct Scratch {
    folder: PathBuf,
    above: PathBuf,
    _lock: Flock<File>,
}

impl Scratch {
    /// A new folder for this cell in `above`, which is made where it is not there.
    pub(super) fn new(above: &Path, cell: &Cell) -> anyhow::Result<Scratch> {
        let name = format!("cell-{}-{}", cell.number, std::process::id());
        let folder = above.join(name);
        let cannot = || OutputError::of(format!("into the folder {}", folder.display()));
        fs::create_dir_all(&folder).map_err(cannot())?;
        let lock = lock(&folder).map_err(cannot())?;
        Ok(Scratch {
            folder,
            above: above.to_owned(),
            _lock: lock,
        })
    }

    /// Where a drive in it is mounted.
    pub(super) fn mount(&self) -> PathBuf {
        self.file(MOUNT)
    }

    /// A file in it.
    pub(super) fn file(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// The folder.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(&self.folder) {
            log::warn!("cannot remove {}: {error}", self.folder.display());
        }
        // Others may still use it.
        let _ = fs::remove_dir(&self.above);
    }
}

/// Takes away what runs that were killed left in `above`; what is in use stays.
pub(super) fn clear(above: &Path) {
    let Ok(entries) = fs::read_dir(above) else {
        return;
    };
    for entry in entries.flatten() {
        if !entry.file_name().to_str().is_some_and(is_of_a_cell) {
            continue;
        }
        let folder = entry.path();
        let Ok(_lock) = lock(&folder) else {
            continue;
        };
        let unmounted = match FuseServer::clear(&folder.join(MOUNT)) {
            Err(FuseError::Missing { .. }) => Ok(()),
            other => other.map_err(anyhow::Error::from),
        };
        let gone = unmounted.and_then(|()| Ok(fs::remove_dir_all(&folder)?));
        if let Err(error) = gone {
            log::warn!("{} is left over and stays: {error:#}", folder.display());
        }
    }
    // Others may still use it.
    let _ = fs::remove_dir(above);
}

/// Whether a folder has a name as [`Scratch::new`] gives it.
fn is_of_a_cell(name: &str) -> bool {
    let numbers = name
        .strip_prefix("cell-")
        .and_then(|rest| rest.split_once('-'));
    let number = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    numbers.is_some_and(|(cell, process)| number(cell) && number(process))
}

fn lock(folder: &Path) -> std::io::Result<Flock<File>> {
    let locked = Flock::lock(File::open(folder)?, FlockArg::LockExclusiveNonblock);
    locked.map_err(|(_, error)| error.into())
}

/// The folder in which there are those of cells: absolute, and such that commands can name it.
pub(super) fn place(wanted: &Path) -> anyhow::Result<PathBuf> {
    let place = std::path::absolute(wanted)
        .with_context(|| format!("cannot find the folder {}", wanted.display()))?;
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/._-+@:,=".contains(&byte);
    let bytes = place.as_os_str().as_encoded_bytes();
    if bytes.len() > PATH_BYTES_MAX || !bytes.iter().all(|byte| plain(*byte)) {
        let what = format!(
            "images and sockets of served cells would lie in {}, and commands and clients need a path of \
             at most {PATH_BYTES_MAX} bytes in which nothing has to be quoted; give one with --scratch",
            place.display()
        );
        return Err(UsageError(what).into());
    }
    Ok(place)
}

/// Makes the image of a cell, in the state in which it begins.
pub(super) fn image(path: &Path, cell: &Cell) -> anyhow::Result<()> {
    let mut profile = Profile::clone(&cell.profile);
    let aged = match cell.start {
        Start::AsItComes => None,
        Start::New => {
            profile.drive.formatted = false;
            None
        }
        Start::Formatted => {
            profile.drive.formatted = true;
            None
        }
        Start::Aged(_) if profile.staging.is_none() => {
            profile.drive.formatted = true;
            None
        }
        Start::Aged(wanted) => Some(wanted),
    };
    let layout = Layout::new(&profile).map_err(open::OpenError::from)?;
    let options = CreateOptions {
        promised_bytes: create::promised_bytes(&layout),
        ..CreateOptions::default()
    };
    let file = backing::create_backing(path, layout.total().bytes(), options)?;
    let store = || file.try_clone().and_then(FileStore::new);
    let id = u128::from(cell.number) << 64 | u128::from(cell.seed);
    open::make(&store()?, &profile, id.to_be_bytes())?;
    if let Some(wanted) = aged {
        let synced = store()?;
        let image = Image {
            carried: Box::new(store()?),
            synced: &synced,
        };
        let drive = open::open(&synced, false)?.drive;
        run::run(drive, image, &wanted, &mut |_, _| {}).map_err(|source| StartError::Age {
            drive: profile.name.clone(),
            source,
        })?;
    }
    Ok(())
}
