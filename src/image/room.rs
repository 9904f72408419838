//! Owns the question whether a filesystem can hold a sparse image: before there is one, found out by
//! trying, and while it is used.
//!
//! It tries with a file of its own beside the image, which is gone afterwards, so that nothing
//! exists before everything is known. All sizes are bytes.

use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use nix::sys::resource::{Resource, getrlimit};

use crate::image::backing_error::BackingError;

/// Length of the hole that shows whether holes cost anything. Filesystems without holes write all
/// of it, so it is small.
const PROBE_BYTES: u64 = 1024 * 1024;

/// What an image will need.
#[derive(Clone, Copy, Debug)]
pub(super) struct Need {
    /// Its length.
    pub(super) bytes: u64,
    /// What it may come to occupy; `None` where that is not to be checked.
    pub(super) promised_bytes: Option<u64>,
    /// What it occupies now and gives back.
    pub(super) returned_bytes: u64,
}

/// Room for an image that is in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RoomLeft {
    /// What is free on its filesystem for this process.
    pub free_bytes: u64,
    /// What of the image occupies nothing yet, and will once it is written.
    pub growth_bytes: u64,
}

/// How much room there is for the image in `file`; `None` where it is no regular file.
pub fn left(file: &File) -> io::Result<Option<RoomLeft>> {
    let found = file.metadata()?;
    if !found.is_file() {
        return Ok(None);
    }
    let occupied = found.blocks() * 512;
    Ok(Some(RoomLeft {
        free_bytes: free_bytes(file)?,
        growth_bytes: found.len().saturating_sub(occupied),
    }))
}

/// Checks that the filesystem at `path` can hold what is needed.
pub(super) fn check(path: &Path, need: Need) -> Result<(), BackingError> {
    let limit = getrlimit(Resource::RLIMIT_FSIZE).map_or(u64::MAX, |(soft, _)| soft);
    if need.bytes > limit {
        // Trying would bring the signal that ends this process.
        return Err(BackingError::OverLimit {
            path: path.into(),
            needed_bytes: need.bytes,
            allowed_bytes: limit,
        });
    }
    let fault = |doing| {
        move |source| BackingError::System {
            path: path.into(),
            doing,
            source,
        }
    };
    let probe = Probe::create(path).map_err(|source| match source.kind() {
        io::ErrorKind::NotFound => BackingError::Missing {
            path: parent(path).into(),
        },
        _ => fault("create a file beside")(source),
    })?;
    check_sparse(path, &probe.file)?;
    check_length(path, &probe.file, need.bytes)?;
    let Some(promised_bytes) = need.promised_bytes else {
        return Ok(());
    };
    let free = free_bytes(&probe.file).map_err(fault("ask for the free space around"))?;
    let free_bytes = free.saturating_add(need.returned_bytes);
    if free_bytes < promised_bytes {
        return Err(BackingError::NoRoom {
            path: path.into(),
            promised_bytes,
            free_bytes,
        });
    }
    Ok(())
}

/// The directory that `path` is in.
pub(super) fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

fn check_sparse(path: &Path, probe: &File) -> Result<(), BackingError> {
    let allocated_bytes = probe
        .set_len(PROBE_BYTES)
        .and_then(|()| probe.sync_all())
        .and_then(|()| probe.metadata())
        .map(|found| found.blocks() * 512)
        .map_err(|source| BackingError::System {
            path: path.into(),
            doing: "try a sparse file beside",
            source,
        })?;
    if costs_bytes(allocated_bytes) {
        return Err(BackingError::NotSparse {
            path: path.into(),
            probe_bytes: PROBE_BYTES,
            allocated_bytes,
        });
    }
    Ok(())
}

/// A filesystem may spend a block or two on a file with a hole, but not half of the hole.
fn costs_bytes(allocated_bytes: u64) -> bool {
    allocated_bytes >= PROBE_BYTES / 2
}

fn check_length(path: &Path, probe: &File, bytes: u64) -> Result<(), BackingError> {
    match probe.set_len(bytes) {
        Ok(()) => Ok(()),
        Err(error) if is_too_long(&error) => Err(BackingError::TooLong {
            path: path.into(),
            needed_bytes: bytes,
            allowed_bytes: longest(probe, bytes),
        }),
        Err(source) => Err(BackingError::System {
            path: path.into(),
            doing: "try the length beside",
            source,
        }),
    }
}

/// A length that does not fit a signed number is refused before the filesystem is asked.
fn is_too_long(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EFBIG | libc::EINVAL))
        || error.kind() == io::ErrorKind::InvalidInput
}

/// Longest file below `refused` that the filesystem takes.
fn longest(probe: &File, refused: u64) -> u64 {
    let (mut taken, mut refused) = (0, refused);
    while refused - taken > 1 {
        let middle = taken + (refused - taken) / 2;
        if probe.set_len(middle).is_ok() {
            taken = middle;
        } else {
            refused = middle;
        }
    }
    taken
}

fn free_bytes(file: &File) -> io::Result<u64> {
    let found = nix::sys::statvfs::fstatvfs(file)?;
    Ok(found
        .blocks_available()
        .saturating_mul(found.fragment_size()))
}

/// A file of our own, removed when dropped.
struct Probe {
    file: File,
    path: PathBuf,
}

impl Probe {
    fn create(beside: &Path) -> io::Result<Probe> {
        let mut name = OsString::from(".");
        name.push(beside.file_name().unwrap_or_default());
        name.push(format!(".probe-{}", std::process::id()));
        let path = parent(beside).join(name);
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&path)?;
        Ok(Probe { file, path })
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_file(&self.path) {
            log::warn!("{} could not be removed: {error}", self.path.display());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn need(bytes: u64, promised_bytes: u64) -> Need {
        Need {
            bytes,
            promised_bytes: Some(promised_bytes),
            returned_bytes: 0,
        }
    }

    #[test]
    fn a_sparse_file_far_larger_than_the_disk_has_room_and_leaves_nothing() {
        let scratch = tempfile::tempdir().unwrap();
        check(&scratch.path().join("image"), need(1 << 40, 4096)).unwrap();
        assert_eq!(std::fs::read_dir(scratch.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_promise_beyond_the_free_space_is_refused_with_both_numbers() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("image");
        let refused = check(&path, need(1 << 20, 1 << 60)).unwrap_err();
        let BackingError::NoRoom {
            promised_bytes,
            free_bytes,
            ..
        } = refused
        else {
            panic!("{refused}");
        };
        assert_eq!(promised_bytes, 1 << 60);
        assert!(free_bytes > 0 && free_bytes < 1 << 60);
        // What the old image gives back counts as free.
        let returning = Need {
            returned_bytes: 1 << 60,
            ..need(1 << 20, 1 << 60)
        };
        check(&path, returning).unwrap();
        assert_eq!(std::fs::read_dir(scratch.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_length_no_filesystem_has_is_refused_with_the_longest_it_takes() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("image");
        let refused = check(&path, need(u64::MAX, 0)).unwrap_err();
        let BackingError::TooLong { allowed_bytes, .. } = refused else {
            panic!("{refused}");
        };
        check(&path, need(allowed_bytes, 0)).unwrap();
        let more = check(&path, need(allowed_bytes + 1, 0)).unwrap_err();
        assert!(matches!(more, BackingError::TooLong { .. }), "{more}");
    }

    #[test]
    fn a_missing_directory_is_named() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("none/image");
        let refused = check(&path, need(4096, 0)).unwrap_err();
        assert!(
            matches!(&refused, BackingError::Missing { path } if path.ends_with("none")),
            "{refused}"
        );
    }

    #[test]
    fn what_is_written_cannot_grow_any_more() {
        let scratch = tempfile::tempdir().unwrap();
        let file = File::create(scratch.path().join("image")).unwrap();
        file.set_len(1 << 30).unwrap();
        let before = left(&file).unwrap().expect("a file");
        assert!(before.growth_bytes > (1 << 30) - PROBE_BYTES && before.free_bytes > 0);
        let written = vec![1; 4 << 20];
        std::os::unix::fs::FileExt::write_all_at(&file, &written, 1 << 20).unwrap();
        file.sync_all().unwrap();
        let after = left(&file).unwrap().expect("a file");
        assert!(
            after.growth_bytes <= before.growth_bytes - (4 << 20),
            "{after:?}"
        );
        assert_eq!(left(&File::open("/dev/null").unwrap()).unwrap(), None);
    }

    #[test]
    fn a_hole_that_takes_its_length_costs_bytes_and_one_of_two_blocks_does_not() {
        assert!(costs_bytes(PROBE_BYTES));
        assert!(costs_bytes(PROBE_BYTES + 32_768));
        assert!(!costs_bytes(0));
        assert!(!costs_bytes(131_072));
    }
}
