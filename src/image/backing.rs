//! Owns the creation and opening of what an image lies on: a sparse file or a block device.
//!
//! Nothing that belongs to someone is overwritten without a word for it, and a disk in use is
//! never touched. What is returned is locked against a second server for as long as it is open.
//! It knows nothing of what an image contains.

use std::fs::{self, File, Metadata, OpenOptions as FileOptions};
use std::io::{self, Seek, SeekFrom};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::image::backing_error::BackingError;
use crate::image::device;
use crate::image::lock::{self, Use};
use crate::image::room::{self, Need};
use crate::image::signature;

/// What may be done to create a backing. The default allows a new file only.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(clippy::struct_excessive_bools)] // words of the user, independent of each other
pub struct CreateOptions {
    /// A block device is meant.
    pub block_device: bool,
    /// What is recognised on the device may be lost: the second word.
    pub overwrite_signature: bool,
    /// An existing regular file may be replaced.
    pub force_existing: bool,
    /// Bytes that the file may come to occupy and for which there must be room now. Means nothing
    /// for a device.
    pub promised_bytes: u64,
    /// The promise need not be kept.
    pub allow_overcommit: bool,
}

/// How a backing is opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OpenOptions {
    /// For reading only; then several may read a file at once.
    pub read_only: bool,
    /// A block device is meant.
    pub block_device: bool,
}

/// Creates a backing of at least `bytes` that reads as zeroes (a file) or as anything (a device).
///
/// A new file is exactly `bytes` long, one hole, mode 0600, and its name is durable. Refused
/// without having changed anything; only a system that fails midway can leave an empty file.
pub fn create_backing(
    path: &Path,
    bytes: u64,
    options: CreateOptions,
) -> Result<File, BackingError> {
    if options.block_device {
        return create_on_device(path, bytes, options.overwrite_signature);
    }
    let existing = match fs::symlink_metadata(path) {
        Ok(found) => Some(existing_file(path, &found, options)?),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(system(path, "look at")(error)),
    };
    let returned_bytes = existing.as_ref().map_or(0, |(_, occupied)| *occupied);
    let need = Need {
        bytes,
        promised_bytes: (!options.allow_overcommit).then_some(options.promised_bytes),
        returned_bytes,
    };
    room::check(path, need)?;
    let file = match existing {
        Some((file, _)) => file,
        None => new_file(path)?,
    };
    file.set_len(0)
        .and_then(|()| file.set_len(bytes))
        .and_then(|()| file.sync_all())
        .map_err(system(path, "set the length of"))?;
    File::open(room::parent(path))
        .and_then(|folder| folder.sync_all())
        .map_err(system(path, "make durable the name of"))?;
    Ok(file)
}

/// Opens a backing and locks it.
pub fn open_backing(path: &Path, options: OpenOptions) -> Result<File, BackingError> {
    let found = fs::metadata(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => BackingError::Missing { path: path.into() },
        _ => system(path, "look at")(error),
    })?;
    check_kind(path, &found, options.block_device).map_err(|error| match error {
        BackingError::IsDevice { path } => BackingError::OnDevice { path },
        other => other,
    })?;
    if options.block_device {
        return open_device(path, &found, options.read_only);
    }
    let file = FileOptions::new()
        .read(true)
        .write(!options.read_only)
        // Should the name have become a pipe since, opening must not wait for its other end.
        .custom_flags(libc::O_NONBLOCK)
        .open(path)
        .map_err(|source| match source.raw_os_error() {
            Some(libc::EACCES | libc::EPERM | libc::EROFS)
                if !options.read_only && File::open(path).is_ok() =>
            {
                let path = path.into();
                BackingError::NotWritable { path, source }
            }
            _ => system(path, "open")(source),
        })?;
    let usage = if options.read_only {
        Use::Reading
    } else {
        Use::Alone
    };
    check_and_lock(path, &file, usage)?;
    // A server that puts a saved image in this one's place renames it over this name.
    let (opened, named) = (file.metadata(), fs::metadata(path));
    match (opened, named) {
        (Ok(opened), Ok(named)) if (opened.dev(), opened.ino()) == (named.dev(), named.ino()) => {
            Ok(file)
        }
        _ => {
            let replaced = io::Error::other("another file took its name meanwhile; try again");
            Err(system(path, "open")(replaced))
        }
    }
}

/// Bytes of an opened backing, file or device.
pub fn backing_bytes(backing: &File) -> io::Result<u64> {
    let mut backing = backing;
    backing.seek(SeekFrom::End(0))
}

fn new_file(path: &Path) -> Result<File, BackingError> {
    let file = FileOptions::new()
        .read(true)
        .write(true)
        .create_new(true)
        .mode(0o600)
        .custom_flags(libc::O_NOFOLLOW)
        .open(path)
        .map_err(system(path, "create"))?;
    check_and_lock(path, &file, Use::Alone)?;
    Ok(file)
}

/// Opens and locks the file that shall be replaced; also says how many bytes it occupies.
fn existing_file(
    path: &Path,
    found: &Metadata,
    options: CreateOptions,
) -> Result<(File, u64), BackingError> {
    if found.file_type().is_symlink() {
        return Err(BackingError::Symlink { path: path.into() });
    }
    check_kind(path, found, false)?;
    if !options.force_existing {
        return Err(BackingError::Exists {
            path: path.into(),
            bytes: found.len(),
        });
    }
    let file = FileOptions::new()
        .read(true)
        .write(true)
        .custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK)
        .open(path)
        .map_err(system(path, "open"))?;
    check_and_lock(path, &file, Use::Alone)?;
    Ok((file, found.blocks() * 512))
}

fn check_and_lock(path: &Path, file: &File, usage: Use) -> Result<(), BackingError> {
    let found = file.metadata().map_err(system(path, "look at"))?;
    check_kind(path, &found, false)?;
    if !lock::take_from_the_dead(file, usage).map_err(system(path, "lock"))? {
        return Err(BackingError::Locked {
            path: path.into(),
            holders: lock::holders(file),
        });
    }
    match loop_device_over(&found) {
        Some(device) => Err(BackingError::BehindLoop {
            path: path.into(),
            device,
        }),
        None => Ok(()),
    }
}

fn check_kind(path: &Path, found: &Metadata, want_device: bool) -> Result<(), BackingError> {
    let kind = found.file_type();
    let path = path.to_path_buf();
    if kind.is_block_device() {
        return if want_device {
            Ok(())
        } else {
            Err(BackingError::IsDevice { path })
        };
    }
    if kind.is_file() {
        return if want_device {
            Err(BackingError::NotADevice { path })
        } else {
            Ok(())
        };
    }
    let kind = if kind.is_dir() {
        "a directory"
    } else if kind.is_fifo() {
        "a named pipe"
    } else if kind.is_socket() {
        "a socket"
    } else if kind.is_char_device() {
        "a character device"
    } else {
        "no file"
    };
    Err(BackingError::WrongKind { path, kind })
}

/// The loop device, if any, whose file this is. The name that the kernel lists can be out of date,
/// so the file behind it is compared.
fn loop_device_over(found: &Metadata) -> Option<PathBuf> {
    fs::read_dir("/sys/block")
        .ok()?
        .filter_map(Result::ok)
        .find(|entry| {
            let Ok(listed) = fs::read(entry.path().join("loop/backing_file")) else {
                return false;
            };
            let listed = listed.strip_suffix(b"\n").unwrap_or(&listed);
            fs::symlink_metadata(std::ffi::OsStr::from_bytes(listed))
                .is_ok_and(|other| (other.dev(), other.ino()) == (found.dev(), found.ino()))
        })
        .map(|entry| Path::new("/dev").join(entry.file_name()))
}

fn create_on_device(
    path: &Path,
    bytes: u64,
    overwrite_signature: bool,
) -> Result<File, BackingError> {
    // Devices are named by links (by serial number, by volume), so here links are followed.
    let found = fs::metadata(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => BackingError::Missing { path: path.into() },
        _ => system(path, "look at")(error),
    })?;
    check_kind(path, &found, true)?;
    let device = open_device(path, &found, false)?;
    let present_bytes = backing_bytes(&device).map_err(system(path, "find the size of"))?;
    if present_bytes < bytes {
        return Err(BackingError::DeviceTooSmall {
            path: path.into(),
            needed_bytes: bytes,
            present_bytes,
        });
    }
    let signatures =
        signature::find(&device, present_bytes).map_err(system(path, "read what is on"))?;
    if !signatures.is_empty() && !overwrite_signature {
        return Err(BackingError::Signed {
            path: path.into(),
            signatures,
        });
    }
    signature::erase(&device, &signatures).map_err(system(path, "erase what is on"))?;
    Ok(device)
}

/// Opens a device that nobody uses, for us alone. The kernel's own claim stands in for the lock:
/// it also keeps out mounts, volumes and swap for as long as the device is open.
fn open_device(path: &Path, found: &Metadata, read_only: bool) -> Result<File, BackingError> {
    let users = device::users(found.rdev()).map_err(system(path, "find out who uses"))?;
    if !users.is_empty() {
        return Err(BackingError::DeviceInUse {
            path: path.into(),
            users,
        });
    }
    let device = FileOptions::new()
        .read(true)
        .write(!read_only)
        .custom_flags(libc::O_EXCL)
        .open(path)
        .map_err(|error| match error.raw_os_error() {
            Some(libc::EBUSY) => BackingError::DeviceClaimed { path: path.into() },
            _ => system(path, "open")(error),
        })?;
    let opened = device.metadata().map_err(system(path, "look at"))?;
    if !opened.file_type().is_block_device() || opened.rdev() != found.rdev() {
        let changed = io::Error::other("it became another device while it was looked at");
        return Err(system(path, "open")(changed));
    }
    Ok(device)
}

fn system(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> BackingError {
    let path = path.to_path_buf();
    move |source| BackingError::System {
        path,
        doing,
        source,
    }
}

#[cfg(test)]
mod tests;
