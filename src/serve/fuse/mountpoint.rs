//! Owns the judgement on a directory: may a drive be mounted here?
//!
//! A mount of ours whose daemon was killed is taken away, and only that: what anyone else left
//! behind is reported and stays.

use std::io;
use std::path::{Path, PathBuf};

use nix::errno::Errno;

use crate::image::mounts;
use crate::serve::fuse::attach::{DetachFault, Force, KIND, detach};
use crate::serve::fuse::error::FuseError;

/// Checks `dir`, mends it if a dead mount of ours covers it, and returns its real path.
pub(super) fn prepare(dir: &Path) -> Result<PathBuf, FuseError> {
    let real = match std::fs::metadata(dir) {
        Ok(found) if found.is_dir() => dir.canonicalize().map_err(unreadable(dir))?,
        Ok(_) => return Err(FuseError::NotADirectory { dir: dir.into() }),
        Err(error) => match error.raw_os_error() {
            Some(libc::ENOENT) => return Err(FuseError::Missing { dir: dir.into() }),
            Some(libc::ENOTDIR) => return Err(FuseError::NotADirectory { dir: dir.into() }),
            Some(libc::ENOTCONN | libc::ECONNABORTED) => {
                let real = below_real_parent(dir)?;
                mend(&real)?;
                real
            }
            _ => return Err(unreadable(dir)(error)),
        },
    };
    let mounted = mounts::current().map_err(unreadable(&real))?;
    if mounts::visible_at(&mounted, &real).is_some_and(|mount| mount.kind == KIND) {
        if is_served(&real) {
            return Err(FuseError::AlreadyServed { dir: real });
        }
        mend(&real)?;
    }
    let mut entries = std::fs::read_dir(&real).map_err(unreadable(&real))?;
    match entries.next() {
        None => Ok(real),
        Some(Ok(entry)) => Err(FuseError::NotEmpty {
            found: entry.file_name(),
            dir: real,
        }),
        Some(Err(source)) => Err(FuseError::Unreadable { dir: real, source }),
    }
}

/// Whether a server answers behind a mount. What the kernel knows of the directory by heart proves
/// nothing: it was told that this never changes.
fn is_served(dir: &Path) -> bool {
    let asked = nix::sys::statvfs::statvfs(dir);
    !matches!(asked, Err(Errno::ENOTCONN | Errno::ECONNABORTED))
}

/// The directory itself cannot be asked for its real path while its server is dead.
fn below_real_parent(dir: &Path) -> Result<PathBuf, FuseError> {
    let plain: PathBuf = dir.components().collect();
    let parent = match plain.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let name = plain.file_name().ok_or_else(|| {
        unreadable(dir)(io::Error::other("name the directory without a trailing .."))
    })?;
    Ok(parent.canonicalize().map_err(unreadable(dir))?.join(name))
}

fn mend(dir: &Path) -> Result<(), FuseError> {
    let mounted = mounts::current().map_err(unreadable(dir))?;
    let kind = mounts::visible_at(&mounted, dir).map_or("fuse", |mount| mount.kind.as_str());
    if kind != KIND {
        return Err(FuseError::StaleForeign {
            dir: dir.into(),
            kind: kind.into(),
        });
    }
    log::warn!(
        "{} still carried the mount of an imbrex that was killed; it is unmounted now. \
         Programs and loop devices that used that drive see errors until they open it again",
        dir.display()
    );
    match detach(dir, Force::Lazily) {
        Ok(()) | Err(DetachFault::NotMounted) => Ok(()),
        Err(DetachFault::Busy) => Err(FuseError::Busy {
            dir: dir.into(),
            holders: Vec::new(),
        }),
        Err(DetachFault::Other(source)) => Err(FuseError::Unmount {
            dir: dir.into(),
            source,
        }),
    }
}

fn unreadable(dir: &Path) -> impl Fn(io::Error) -> FuseError {
    let dir = dir.to_path_buf();
    move |source| FuseError::Unreadable {
        dir: dir.clone(),
        source,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_directory_is_taken_and_its_real_path_returned() {
        let scratch = tempfile::tempdir().unwrap();
        let link = scratch.path().join("link");
        let dir = scratch.path().join("dir");
        std::fs::create_dir(&dir).unwrap();
        std::os::unix::fs::symlink(&dir, &link).unwrap();
        assert_eq!(prepare(&link).unwrap(), dir.canonicalize().unwrap());
    }

    #[test]
    fn a_missing_directory_is_not_created_but_told_how_to() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = scratch.path().join("no such");
        let error = prepare(&dir).unwrap_err();
        assert!(matches!(error, FuseError::Missing { .. }), "{error}");
        assert!(error.to_string().contains("mkdir -p"), "{error}");
        assert!(!dir.exists());
    }

    #[test]
    fn a_directory_with_something_in_it_is_refused_by_the_name_of_that() {
        let scratch = tempfile::tempdir().unwrap();
        std::fs::write(scratch.path().join("precious"), "").unwrap();
        let error = prepare(scratch.path()).unwrap_err();
        assert!(matches!(error, FuseError::NotEmpty { .. }), "{error}");
        assert!(error.to_string().contains("precious"), "{error}");
    }

    #[test]
    fn a_file_is_refused_also_in_the_middle_of_the_path() {
        let scratch = tempfile::tempdir().unwrap();
        let file = scratch.path().join("file");
        std::fs::write(&file, "").unwrap();
        for path in [file.clone(), file.join("below")] {
            let error = prepare(&path).unwrap_err();
            assert!(matches!(error, FuseError::NotADirectory { .. }), "{error}");
        }
    }

    #[test]
    fn the_real_path_below_a_dead_directory_needs_only_its_parent() {
        let scratch = tempfile::tempdir().unwrap();
        let parent = scratch.path().canonicalize().unwrap();
        let dead = scratch.path().join("./dead/");
        assert_eq!(below_real_parent(&dead).unwrap(), parent.join("dead"));
    }
}
