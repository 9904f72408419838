//! Owns mounting and unmounting: directly where this process may, else through `fusermount3`.
//!
//! A mount of ours is known by its kind, [`KIND`]. The file is for its owner (and root) alone.

use std::fs::OpenOptions;
use std::io;
use std::os::fd::{AsRawFd, OwnedFd};
use std::path::Path;

use nix::errno::Errno;
use nix::mount::{MntFlags, MsFlags};
use nix::unistd::{getegid, geteuid};

use crate::serve::fuse::error::FuseError;
use crate::serve::fuse::helper::{self, HelperFault};

/// Kind under which the kernel lists our mounts.
pub(super) const KIND: &str = "fuse.imbrex";

const NAME: &str = "imbrex";
const DEVICE: &str = "/dev/fuse";

/// How the mount shall be.
#[derive(Clone, Copy, Debug)]
pub(super) struct Manner {
    /// Root may use it too, where the daemon is not root.
    pub(super) allow_root: bool,
    /// Nothing can be written.
    pub(super) read_only: bool,
}

/// Whether unmounting waits for nobody.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Force {
    /// Refused while the filesystem is in use.
    OnlyWhenUnused,
    /// The filesystem disappears from the tree now and ends when its last user is done.
    Lazily,
}

/// Why unmounting failed.
#[derive(Debug)]
pub(super) enum DetachFault {
    /// It is in use.
    Busy,
    /// Nothing is mounted there.
    NotMounted,
    /// Anything else.
    Other(io::Error),
}

/// Mounts on `dir` and returns the connection to the kernel.
pub(super) fn attach(dir: &Path, manner: Manner) -> Result<OwnedFd, FuseError> {
    if geteuid().is_root() {
        match attach_directly(dir, manner)? {
            Some(connection) => return Ok(connection),
            None => log::debug!("mounting directly is not permitted; asking fusermount3"),
        }
    }
    attach_through_helper(dir, manner)
}

/// Unmounts `dir`.
pub(super) fn detach(dir: &Path, force: Force) -> Result<(), DetachFault> {
    let flags = match force {
        Force::OnlyWhenUnused => MntFlags::UMOUNT_NOFOLLOW,
        Force::Lazily => MntFlags::UMOUNT_NOFOLLOW | MntFlags::MNT_DETACH,
    };
    match nix::mount::umount2(dir, flags) {
        Ok(()) => Ok(()),
        Err(Errno::EBUSY) => Err(DetachFault::Busy),
        Err(Errno::EINVAL | Errno::ENOENT) => Err(DetachFault::NotMounted),
        Err(Errno::EPERM) => detach_through_helper(dir, force),
        Err(error) => Err(DetachFault::Other(error.into())),
    }
}

/// `None` where the kernel does not permit it: root of a container without the right to mount.
fn attach_directly(dir: &Path, manner: Manner) -> Result<Option<OwnedFd>, FuseError> {
    let connection = OpenOptions::new()
        .read(true)
        .write(true)
        .open(DEVICE)
        .map_err(|source| match source.raw_os_error() {
            Some(libc::ENOENT | libc::ENODEV | libc::ENXIO) => FuseError::NoDevice,
            _ => FuseError::Device { source },
        })?;
    let mut options = format!(
        "fd={},rootmode=40000,user_id={},group_id={},default_permissions",
        connection.as_raw_fd(),
        geteuid(),
        getegid(),
    );
    let mut flags = MsFlags::MS_NOSUID | MsFlags::MS_NODEV | MsFlags::MS_NOEXEC;
    if manner.read_only {
        flags |= MsFlags::MS_RDONLY;
    }
    if manner.allow_root {
        // The kernel knows only root's word for everyone; the session turns the others away.
        options.push_str(",allow_other");
    }
    match nix::mount::mount(Some(NAME), dir, Some(KIND), flags, Some(options.as_str())) {
        Ok(()) => Ok(Some(connection.into())),
        Err(Errno::EPERM) => Ok(None),
        Err(Errno::ENODEV) => Err(FuseError::NoDevice),
        Err(error) => Err(FuseError::Mount {
            dir: dir.into(),
            source: error.into(),
        }),
    }
}

fn attach_through_helper(dir: &Path, manner: Manner) -> Result<OwnedFd, FuseError> {
    let mut options =
        format!("fsname={NAME},subtype={NAME},default_permissions,nosuid,nodev,noexec");
    if manner.read_only {
        options.push_str(",ro");
    }
    if manner.allow_root {
        options.push_str(",allow_other");
    }
    helper::mount(dir, &options).map_err(|fault| match fault {
        HelperFault::Missing => FuseError::NoHelper,
        HelperFault::Refused(message) => FuseError::HelperRefused {
            dir: dir.into(),
            message,
        },
        HelperFault::System(source) => FuseError::Mount {
            dir: dir.into(),
            source,
        },
    })
}

fn detach_through_helper(dir: &Path, force: Force) -> Result<(), DetachFault> {
    helper::unmount(dir, force == Force::Lazily).map_err(|fault| match fault {
        // Its own words are all it tells; the system's word for EBUSY is among them.
        HelperFault::Refused(message) if message.contains("busy") => DetachFault::Busy,
        HelperFault::Refused(message) => DetachFault::Other(io::Error::other(message)),
        HelperFault::Missing => {
            DetachFault::Other(io::Error::new(io::ErrorKind::NotFound, FuseError::NoHelper))
        }
        HelperFault::System(error) => DetachFault::Other(error),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::mounts;

    #[test]
    fn the_helper_mounts_and_unmounts_as_the_kernel_does() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = scratch.path().canonicalize().unwrap();
        let manner = Manner {
            allow_root: false,
            read_only: true,
        };
        let connection = match attach_through_helper(&dir, manner) {
            Ok(connection) => connection,
            Err(error) => {
                let here = OpenOptions::new().read(true).write(true).open(DEVICE);
                println!("skipped: {error}");
                assert!(
                    here.is_err() || matches!(error, FuseError::NoHelper),
                    "{error}"
                );
                return;
            }
        };
        let mounted = mounts::current().unwrap();
        assert_eq!(mounts::visible_at(&mounted, &dir).unwrap().kind, KIND);
        drop(connection);
        // Lazily, since a program that another test starts holds open files for a moment.
        let detached = detach_through_helper(&dir, Force::Lazily);
        assert!(detached.is_ok(), "{detached:?}");
        let mounted = mounts::current().unwrap();
        assert_eq!(mounts::visible_at(&mounted, &dir), None);
    }
}
