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
use crate::image::backing_error::BackingError;
use crate::image::copying::{self, Copied, CopyError};
use crate::image::open::{self, Opened};
use crate::image::overwriting;
use crate::medium::file_store::FileStore;
use crate::medium::mover::{Mover, MoverChoice};
use crate::profile::Profile;

/// The place of a drive.
pub trait Bay<M: Machine>: Send {
    /// Opens what lies there, as after a power cut.
    fn open(&mut self) -> Result<(M, Mover), BayError>;
    /// Copies what lies there to a new file.
    fn save(&self, to: &Path) -> Result<Copied, BayError>;
    /// Puts there what the file `with` holds, which [`Seat::prepare`] has named.
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
    /// What became of the data.
    pub data: DataAfter,
}

/// What has become of the data when something could not be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DataAfter {
    /// Nothing was changed.
    Unchanged,
    /// Nothing was changed: it was refused to protect them.
    Protected,
    /// What lay in the bay is gone, and what was to take its place is not all there.
    Gone,
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
            data: DataAfter::Unchanged,
        }
    }

    fn protecting(doing: String, why: impl Into<String>) -> BayError {
        BayError {
            doing,
            why: why.into(),
            data: DataAfter::Protected,
        }
    }
}

impl From<CopyError> for BayError {
    fn from(error: CopyError) -> BayError {
        let mut told = BayError::new("the image was not copied", &error);
        if matches!(error, CopyError::Exists { .. }) {
            told.data = DataAfter::Protected;
        }
        told
    }
}

/// An image in a file or on a device.
#[derive(Debug)]
pub struct ImageBay {
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
    ground: Ground,
    profile: Profile,
    /// The drive is sealed: what differs between it and another is not told.
    discreet: bool,
}

/// What an image lies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ground {
    /// A file, whose name another can take.
    File,
    /// A block device: another state has to be copied over it.
    Device,
}

impl Seat {
    /// An image at `path`, whose profile is `profile`.
    pub fn new(path: PathBuf, ground: Ground, profile: Profile) -> Seat {
        Seat {
            path,
            ground,
            profile,
            discreet: false,
        }
    }

    /// The place at `path` of an image that was opened there.
    pub fn of(path: PathBuf, ground: Ground, opened: &Opened) -> Seat {
        let seat = Seat::new(path, ground, opened.drive.profile().clone());
        match opened.sealed {
            Some(_) => seat.discreet(),
            None => seat,
        }
    }

    /// The same of a sealed drive: nothing that is told of other images tells of it.
    #[must_use]
    pub fn discreet(self) -> Seat {
        Seat {
            discreet: true,
            ..self
        }
    }

    /// Makes sure that `file` holds a usable image of the same drive. What it tells is the file for
    /// [`Bay::replace`]: a copy beside the image, or where the image lies on a device the file itself.
    pub fn prepare(&self, file: &Path) -> Result<PathBuf, BayError> {
        let saved = self.usable(file)?;
        match self.ground {
            Ground::File => Ok(copying::copy_beside(&saved, self.bytes()?, &self.path)?),
            Ground::Device => Ok(file.to_owned()),
        }
    }

    /// Removes what was prepared and is not needed. What has become the image by now is gone already.
    pub fn abandon(&self, prepared: &Path) {
        if self.ground == Ground::File {
            // Of no use to anybody, and replaced by the next that is prepared.
            let _ = fs::remove_file(prepared);
        }
    }

    /// Opens a file that holds a usable image of the same drive; nobody changes it while it is open.
    fn usable(&self, file: &Path) -> Result<File, BayError> {
        self.compared(file).map_err(|error| {
            if !self.discreet {
                return error;
            }
            // What differs between two drives tells of both.
            BayError {
                doing: format!("{} was not put in place", file.display()),
                why: "it cannot be used, or does not hold this drive".to_owned(),
                ..error
            }
        })
    }

    fn compared(&self, file: &Path) -> Result<File, BayError> {
        let doing = || format!("{} was not put in place", file.display());
        let options = OpenOptions {
            read_only: true,
            block_device: false,
        };
        let saved = backing::open_backing(file, options).map_err(|error| match error {
            BackingError::OnDevice { .. } => BayError {
                why: "it is a block device, and a saved state is a file: `save` copies what an image on a \
                      device holds to one"
                    .to_owned(),
                ..BayError::new(doing(), &error)
            },
            other => BayError::new(doing(), &other),
        })?;
        let store = saved
            .try_clone()
            .and_then(FileStore::new)
            .map_err(|e| BayError::new(doing(), &e))?;
        let opened = open::open(&store, true).map_err(|e| BayError::new(doing(), &e))?;
        let (theirs, ours) = (opened.drive.profile(), &self.profile);
        if theirs == ours {
            return Ok(saved);
        }
        if opened.sealed.is_some() {
            let why = "it holds another drive, which is sealed";
            return Err(BayError::protecting(doing(), why));
        }
        let why = format!(
            "it holds another drive: profile {} with format number {:#018x}, and the one that is served is {} with {:#018x}; every key of both profiles must be the same",
            theirs.name,
            theirs.format_fingerprint(),
            ours.name,
            ours.format_fingerprint()
        );
        Err(BayError::protecting(doing(), why))
    }

    /// Of the image; a device may have more.
    fn bytes(&self) -> Result<u64, BayError> {
        open::image_bytes(&self.profile).map_err(|e| BayError::new("its size is not known", &e))
    }
}

impl ImageBay {
    /// The bay of an image that is open as `file`.
    pub fn new(seat: Seat, file: File, mover: MoverChoice, read_only: bool) -> ImageBay {
        ImageBay {
            seat,
            file,
            mover,
            read_only,
        }
    }

    /// Has the prepared file take the image's name.
    fn rename(&mut self, with: &Path) -> Result<(), BayError> {
        let path = &self.seat.path;
        // Locked before it has the name, so that nobody else can get at it in between.
        let file = backing::open_backing(with, OpenOptions::default())
            .map_err(|e| BayError::new(stays(path), &e))?;
        fs::rename(with, path).map_err(|e| BayError::new(stays(path), &e))?;
        self.file = file;
        // From here on it is done, durable or not.
        if let Err(error) = copying::sync_folder(path) {
            let path = path.display();
            log::warn!("the new name of {path} may not survive a crash of this machine: {error}");
        }
        Ok(())
    }

    /// Copies what the file holds over the device.
    fn overwrite(&mut self, with: &Path) -> Result<(), BayError> {
        // Looked at again: nobody has held it since it was prepared.
        let saved = self.seat.usable(with)?;
        let path = &self.seat.path;
        let bytes = self.seat.bytes()?;
        let device = self.file.try_clone().and_then(FileStore::new);
        let device = device.map_err(|e| BayError::new(stays(path), &e))?;
        overwriting::copy_over(&saved, &device, path, bytes).map_err(|error| {
            let doing = format!(
                "{} holds no image any more, until one is made on it and the saved one restored",
                path.display()
            );
            BayError {
                data: DataAfter::Gone,
                ..BayError::new(doing, &error)
            }
        })
    }
}

impl Bay<Drive> for ImageBay {
    fn open(&mut self) -> Result<(Drive, Mover), BayError> {
        let doing = "the image cannot be opened again";
        let again = || self.file.try_clone().map_err(|e| BayError::new(doing, &e));
        let store = FileStore::new(again()?).map_err(|e| BayError::new(doing, &e))?;
        let opened = open::open(&store, self.read_only).map_err(|e| BayError::new(doing, &e))?;
        let mover = Mover::open(again()?, self.mover).map_err(|e| BayError::new("no mover", &e))?;
        Ok((opened.drive, mover))
    }

    fn save(&self, to: &Path) -> Result<Copied, BayError> {
        Ok(copying::copy_to_new(&self.file, self.seat.bytes()?, to)?)
    }

    fn replace(&mut self, with: &Path) -> Result<(), BayError> {
        if self.read_only {
            let why = "it is served for reading only";
            return Err(BayError::protecting(stays(&self.seat.path), why));
        }
        match self.seat.ground {
            Ground::File => self.rename(with),
            Ground::Device => self.overwrite(with),
        }
    }
}

fn stays(path: &Path) -> String {
    format!("{} stays as it is", path.display())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tiny(with: &str) -> Profile {
        let text = Profile::built_in("tiny").expect("it is built in");
        let profile = Profile::from_toml("tiny", text).expect("it is valid");
        let change = crate::profile::changed::Change::from_words(with).expect("a key");
        profile.changed(&[change]).expect("it is valid")
    }

    fn image(path: &Path, profile: &Profile) -> File {
        let bytes = open::image_bytes(profile).expect("it fits");
        let file = backing::create_backing(path, bytes, backing::CreateOptions::default());
        let file = file.expect("a new file");
        let store = FileStore::new(file.try_clone().expect("again")).expect("a store");
        open::make(&store, profile, [7; 16]).expect("made");
        file
    }

    #[test]
    fn a_file_that_was_exchanged_since_it_was_looked_at_tells_nothing_of_a_sealed_drive() {
        let folder = tempfile::tempdir().expect("a scratch folder");
        let (ours, theirs) = (tiny("staging.slots=48"), tiny("staging.slots=32"));
        let (path, with) = (folder.path().join("device"), folder.path().join("saved"));
        let file = image(&path, &ours);
        drop(image(&with, &theirs));
        let told = |seat: Seat| {
            let again = file.try_clone().expect("again");
            let mut bay = ImageBay::new(seat, again, MoverChoice::Plain, false);
            // As if `prepare` had seen another file under this name.
            let refused = bay.replace(&with).expect_err("another drive");
            assert_eq!(refused.data, DataAfter::Protected);
            refused.to_string()
        };
        let seat = || Seat::new(path.clone(), Ground::Device, ours.clone());
        let number = format!("{:#018x}", ours.format_fingerprint());
        let open = told(seat());
        assert!(open.contains(&number), "{open}");
        let sealed = told(seat().discreet());
        assert!(
            !sealed.contains(&number) && !sealed.contains("0x"),
            "{sealed}"
        );
        assert!(
            sealed.contains("cannot be used, or does not hold this drive"),
            "{sealed}"
        );
    }
}
