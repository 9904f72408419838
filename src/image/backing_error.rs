//! Owns every reason not to create or open a backing, in words for whoever typed the command.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::image::device::DeviceUser;
use crate::image::lock::LockHolder;
use crate::image::signature::Signature;

/// Why a backing was not created or opened. Nothing has been changed then. All sizes in bytes.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // `path` is the path given; the other fields are described by the messages
pub enum BackingError {
    /// There is a file already.
    #[error("{} exists already ({bytes} bytes): name another file, remove this one, or say explicitly that it may be replaced", path.display())]
    Exists { path: PathBuf, bytes: u64 },
    /// Links are not followed when creating.
    #[error("{} is a symbolic link, which is not followed when an image is created: name the file itself", path.display())]
    Symlink { path: PathBuf },
    /// There is nothing, or no directory to create it in.
    #[error("{} does not exist", path.display())]
    Missing { path: PathBuf },
    /// Neither file nor block device.
    #[error("{} is {kind}: an image is a regular file or, with an explicit option, a block device", path.display())]
    WrongKind { path: PathBuf, kind: &'static str },
    /// A block device without the word for it.
    #[error("{} is a block device: say explicitly that a block device is meant, everything on it will belong to the image", path.display())]
    IsDevice { path: PathBuf },
    /// An image on a block device, without the word for it.
    #[error("{} is a block device: an image that lies on one is opened only where that is said explicitly", path.display())]
    OnDevice { path: PathBuf },
    /// The word for a block device, but it is none.
    #[error("{} is not a block device, though one was asked for: leave that option out, or name the device", path.display())]
    NotADevice { path: PathBuf },
    /// The filesystem allocates every byte of a file.
    #[error("{} would lie on a filesystem without sparse files: a file of {probe_bytes} bytes, all of it a hole, took {allocated_bytes} bytes there. Name a place on ext4, XFS, btrfs or tmpfs", path.display())]
    NotSparse {
        path: PathBuf,
        probe_bytes: u64,
        allocated_bytes: u64,
    },
    /// The filesystem has no files that long.
    #[error("{} must be {needed_bytes} bytes long, but its filesystem takes files of at most {allowed_bytes} bytes: name a place on XFS, btrfs or tmpfs, or take a smaller drive", path.display())]
    TooLong {
        path: PathBuf,
        needed_bytes: u64,
        allowed_bytes: u64,
    },
    /// The process may not have files that long.
    #[error("{} must be {needed_bytes} bytes long, but this process may write files of at most {allowed_bytes} bytes: raise that limit (ulimit -f unlimited)", path.display())]
    OverLimit {
        path: PathBuf,
        needed_bytes: u64,
        allowed_bytes: u64,
    },
    /// The promise could not be kept.
    #[error("{} may grow to {promised_bytes} bytes, but its filesystem has {free_bytes} bytes free: make room, name another place, or allow overcommitting explicitly (a full filesystem then looks like a failed drive)", path.display())]
    NoRoom {
        path: PathBuf,
        promised_bytes: u64,
        free_bytes: u64,
    },
    /// Someone uses the device. No option helps.
    #[error("{} is in use: {}. Unmount it or take it apart first; a disk in use is never touched", path.display(), Listed(users))]
    DeviceInUse {
        path: PathBuf,
        users: Vec<DeviceUser>,
    },
    /// The kernel does not give the device to us alone.
    #[error("{} is claimed by something that is not visible here: another imbrex, a mount in another namespace, or a volume built on it. A disk in use is never touched", path.display())]
    DeviceClaimed { path: PathBuf },
    /// Something is on the device.
    #[error("{} carries {}: if that may be lost, say so with the second explicit option", path.display(), Listed(signatures))]
    Signed {
        path: PathBuf,
        signatures: Vec<Signature>,
    },
    /// The device is too small.
    #[error("{} has {present_bytes} bytes, but this profile needs {needed_bytes}: name a larger device or take a smaller drive", path.display())]
    DeviceTooSmall {
        path: PathBuf,
        needed_bytes: u64,
        present_bytes: u64,
    },
    /// Another server has it.
    #[error("{} is locked by another process{}: one imbrex at a time serves an image, so stop that one first", path.display(), Holders(holders))]
    Locked {
        path: PathBuf,
        holders: Vec<LockHolder>,
    },
    /// A loop device reads and writes it.
    #[error("{} is the file behind the loop device {}: detach it first (losetup -d {})", path.display(), device.display(), device.display())]
    BehindLoop { path: PathBuf, device: PathBuf },
    /// It may be read only.
    #[error("{} may not be written by this user or lies on a filesystem mounted for reading", path.display())]
    NotWritable { path: PathBuf, source: io::Error },
    /// The system refused something.
    #[error("cannot {doing} {}", path.display())]
    System {
        path: PathBuf,
        doing: &'static str,
        source: io::Error,
    },
}

struct Listed<'a, T>(&'a [T]);

impl<T: fmt::Display> fmt::Display for Listed<'_, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (turn, item) in self.0.iter().enumerate() {
            write!(f, "{}{item}", if turn == 0 { "" } else { ", " })?;
        }
        Ok(())
    }
}

struct Holders<'a>(&'a [LockHolder]);

impl fmt::Display for Holders<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return Ok(());
        }
        write!(f, ", perhaps {}", Listed(self.0))
    }
}
