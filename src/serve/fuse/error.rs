//! Owns everything that can go wrong between a drive and its mounted file, in words for whoever
//! typed the command.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::serve::fuse::holders::Holder;

/// Why a drive could not be mounted or unmounted.
#[derive(Debug, thiserror::Error)]
pub enum FuseError {
    /// There is no such directory.
    #[error("{} does not exist: create the directory first (mkdir -p {})", dir.display(), dir.display())]
    Missing {
        /// Directory asked for.
        dir: PathBuf,
    },
    /// It is something else than a directory.
    #[error("{} is not a directory: name an empty directory, the drive appears in it as a file called disk", dir.display())]
    NotADirectory {
        /// Path asked for.
        dir: PathBuf,
    },
    /// Mounting would hide what is in it.
    #[error("{} is not empty (it holds {found:?}): mounting would hide that, so name an empty directory", dir.display())]
    NotEmpty {
        /// Directory asked for.
        dir: PathBuf,
        /// Name of one thing in it.
        found: std::ffi::OsString,
    },
    /// Another imbrex serves there.
    #[error("{} already shows a drive of another imbrex: stop that one, or name another directory", dir.display())]
    AlreadyServed {
        /// Directory asked for.
        dir: PathBuf,
    },
    /// Something dead is mounted there which imbrex did not leave behind.
    #[error("the {kind} filesystem mounted on {} has lost its server: unmount it (umount -l {}) and start again", dir.display(), dir.display())]
    StaleForeign {
        /// Directory asked for.
        dir: PathBuf,
        /// Kind of filesystem.
        kind: String,
    },
    /// The directory could not be looked at.
    #[error("cannot look into {}", dir.display())]
    Unreadable {
        /// Directory asked for.
        dir: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The kernel offers no FUSE.
    #[error(
        "there is no /dev/fuse: load the module (modprobe fuse), or in a container hand the device in (--device /dev/fuse)"
    )]
    NoDevice,
    /// /dev/fuse cannot be opened.
    #[error("cannot open /dev/fuse")]
    Device {
        /// What the system said.
        source: io::Error,
    },
    /// This user may not mount and the program that may is missing.
    #[error(
        "this user may not mount by itself and fusermount3, which would do it, is not installed: apt-get install fuse3, or run as root"
    )]
    NoHelper,
    /// fusermount3 refused.
    #[error("fusermount3 did not mount {}: {message}", dir.display())]
    HelperRefused {
        /// Directory asked for.
        dir: PathBuf,
        /// What it said, in one line.
        message: String,
    },
    /// The kernel refused the mount.
    #[error("cannot mount on {}", dir.display())]
    Mount {
        /// Directory asked for.
        dir: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The kernel and the session could not agree, or a thread could not be started.
    #[error("cannot serve the filesystem on {}", dir.display())]
    Session {
        /// Directory mounted.
        dir: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Someone uses the file.
    #[error("{} is in use{}", dir.display(), HolderList(holders))]
    Busy {
        /// Directory mounted.
        dir: PathBuf,
        /// Who could be found out. Processes of other users are hidden from ordinary users.
        holders: Vec<Holder>,
    },
    /// The kernel refused to unmount for another reason.
    #[error("cannot unmount {}", dir.display())]
    Unmount {
        /// Directory mounted.
        dir: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

struct HolderList<'a>(&'a [Holder]);

impl fmt::Display for HolderList<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return write!(
                f,
                " by something this user cannot see: look with lsof or fuser as root"
            );
        }
        for holder in self.0 {
            write!(f, "\n  {holder}")?;
        }
        Ok(())
    }
}
