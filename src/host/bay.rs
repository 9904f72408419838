//! Owns what the event loop needs of the place that a drive lies in: opening it again, copying it,
//! putting another state in its place.
//!
//! Called on the drive's thread while nothing is under way. What fails has changed nothing, except
//! where it says otherwise.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use super::machine::Machine;
use crate::drive::Drive;
use crate::image::backing::{self, OpenOptions};
use crate::image::copying::{self, Copied, CopyError};
use crate::image::open;
use crate::medium::file_store::FileStore;
use crate::medium::mover::{Mover, MoverChoice};
use crate::profile::Profile;

/// The place of a drive.
pub trait Bay<M: Machine>: Send {
    /// Opens what lies there, as after a power cut.
    fn open(&mut self) -> Result<(M, Mover), BayError>;
    /// Copies what lies there to a new file.
    fn save(&self, to: &Path) -> Result<Copied, BayError>;
    /// Puts the prepared file `with` there. What was there goes on to exist for as long as somebody
    /// has it open.
    fn replace(&mut self, with: &Path) -> Result<(), BayError>;
}

/// Why something could not be done. Words, because it travels to other threads and processes.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{doing}: {why}")]
pub struct BayError {
    /// What was tried.
    pub doing: String,
    /// What went wrong.
    pub why: String,
    /// Whether it was refused to protect data.
    pub protects: bool,
}

impl BayError {
    fn new(doing: impl Into<String>, why: &dyn std::error::Error) -> BayError {
        let mut words = why.to_string();
        let mut cause = why.source();
        while let Some(deeper) = cause {
            words = format!("{words}: {deeper}");
            cause = deeper.source();
        }
        BayError {
            doing: doing.into(),
            why: words,
            protects: false,
        }
    }
}

impl From<CopyError> for BayError {
    fn from(error: CopyError) -> BayError {
        BayError {
            protects: matches!(error, CopyError::Exists { .. }),
            ..BayError::new("the image was not copied", &error)
        }
    }
}

/// An image in a file.
#[derive(Debug)]
pub struct FileBay {
    seat: Seat,
    file: File,
    mover: MoverChoice,
    read_only: bool,
}

/// Where an image lies and what it must be.
#[derive(Clone, Debug)]
pub struct Seat {
    /// The image, without links.
    path: PathBuf,
    profile: Profile,
}

impl Seat {
    /// An image at `path`, whose profile is `profile`.
    pub fn new(path: PathBuf, profile: Profile) -> Seat {
        Seat { path, profile }
    }

    /// Makes sure that `file` holds a usable image of the same drive and copies it to a file beside
    /// the image, ready for [`Bay::replace`].
    pub fn prepare(&self, file: &Path) -> Result<PathBuf, BayError> {
        let doing = || format!("{} was not put in place", file.display());
        let options = OpenOptions {
            read_only: true,
            block_device: false,
        };
        let saved = backing::open_backing(file, options).map_err(|e| BayError::new(doing(), &e))?;
        let store = saved
            .try_clone()
            .and_then(FileStore::new)
            .map_err(|e| BayError::new(doing(), &e))?;
        let opened = open::open(&store, true).map_err(|e| BayError::new(doing(), &e))?;
        if *opened.drive.profile() != self.profile {
            if opened.sealed.is_some() {
                return Err(BayError {
                    doing: doing(),
                    why: "it holds another drive, which is sealed".to_owned(),
                    protects: true,
                });
            }
            let (theirs, ours) = (opened.drive.profile(), &self.profile);
            return Err(BayError {
                doing: doing(),
                why: format!(
                    "it holds another drive: profile {} with format number {:#018x}, and the one that is served is {} with {:#018x}; every key of both profiles must be the same",
                    theirs.name,
                    theirs.format_fingerprint(),
                    ours.name,
                    ours.format_fingerprint()
                ),
                protects: true,
            });
        }
        Ok(copying::copy_beside(&saved, &self.path)?)
    }
}

impl FileBay {
    /// The bay of an image that is open as `file`.
    pub fn new(seat: Seat, file: File, mover: MoverChoice, read_only: bool) -> FileBay {
        FileBay {
            seat,
            file,
            mover,
            read_only,
        }
    }
}

impl Bay<Drive> for FileBay {
    fn open(&mut self) -> Result<(Drive, Mover), BayError> {
        let doing = "the image cannot be opened again";
        let again = || self.file.try_clone().map_err(|e| BayError::new(doing, &e));
        let store = FileStore::new(again()?).map_err(|e| BayError::new(doing, &e))?;
        let opened = open::open(&store, self.read_only).map_err(|e| BayError::new(doing, &e))?;
        let mover = Mover::open(again()?, self.mover).map_err(|e| BayError::new("no mover", &e))?;
        Ok((opened.drive, mover))
    }

    fn save(&self, to: &Path) -> Result<Copied, BayError> {
        Ok(copying::copy_to_new(&self.file, to)?)
    }

    fn replace(&mut self, with: &Path) -> Result<(), BayError> {
        let doing = || format!("{} stays as it is", self.seat.path.display());
        if self.read_only {
            return Err(BayError {
                doing: doing(),
                why: "it is served for reading only".to_owned(),
                protects: true,
            });
        }
        // Locked before it has the name, so that nobody else can get at it in between.
        let file = backing::open_backing(with, OpenOptions::default())
            .map_err(|e| BayError::new(doing(), &e))?;
        fs::rename(with, &self.seat.path).map_err(|e| BayError::new(doing(), &e))?;
        self.file = file;
        // From here on it is done, durable or not.
        if let Err(error) = copying::sync_folder(&self.seat.path) {
            log::warn!(
                "the new name of {} may not survive a crash of this machine: {error}",
                self.seat.path.display()
            );
        }
        Ok(())
    }
}
