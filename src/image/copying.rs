//! Owns the copying of whole images to files: sharing what lies on the medium where the filesystem can,
//! else hole for hole. From a device, where holes cannot be told, all that is not zero is copied.
//!
//! A copy appears under its name only when it is complete and durable; a crash leaves at most a file
//! whose name says what it was to become. An existing file is never replaced. Nothing here knows what
//! an image contains.

use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use rustix::fs::{CWD, RenameFlags, SeekFrom, copy_file_range, ioctl_ficlone, renameat_with, seek};
use rustix::io::Errno;

use super::room::parent;
use crate::medium::store::is_zero;
use crate::units::{count, index};

/// Bytes copied at a time.
const CHUNK_BYTES: u64 = 8 << 20;
/// Bytes of memory where the kernel cannot copy by itself.
const MEMORY_BYTES: u64 = 1 << 20;
/// Bytes that become a hole if they are all zero.
const PIECE_BYTES: usize = 64 << 10;

/// What a copy took.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Copied {
    /// Bytes of the image, holes included.
    pub image_bytes: u64,
    /// Bytes copied; nothing where both files share them.
    pub copied_bytes: u64,
    /// Whether both files share what lies on the medium.
    pub shared: bool,
}

/// Why an image was not copied.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// There is something already.
    #[error("{} exists already and is left alone: choose another name", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The system.
    #[error("cannot {doing} {}", path.display())]
    System {
        /// What was tried.
        doing: &'static str,
        /// With which file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

/// Copies the first `bytes` of `from` to a new file at `path`, which only its owner can read.
pub fn copy_to_new(from: &File, bytes: u64, path: &Path) -> Result<Copied, CopyError> {
    let exists = || CopyError::Exists { path: path.into() };
    if fs::symlink_metadata(path).is_ok() {
        return Err(exists());
    }
    let unfinished = beside(path, "saving");
    let (_, copied) = copy_anew(from, bytes, &unfinished)?;
    let moved = renameat_with(CWD, &unfinished, CWD, path, RenameFlags::NOREPLACE);
    if let Err(errno) = moved {
        // It is ours, and of no use.
        let _ = fs::remove_file(&unfinished);
        if errno == Errno::EXIST {
            return Err(exists());
        }
        return Err(failed("name", path)(errno.into()));
    }
    sync_folder(path).map_err(failed("make durable the name of", path))?;
    Ok(copied)
}

/// Copies the first `bytes` of `from` to a file beside `image` that is as accessible as that, replacing
/// what an earlier attempt left; tells its name.
pub fn copy_beside(from: &File, bytes: u64, image: &Path) -> Result<PathBuf, CopyError> {
    let path = beside(image, "restoring");
    match fs::remove_file(&path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            return Err(failed("remove what is left of", &path)(error));
        }
        _ => {}
    }
    let (file, _) = copy_anew(from, bytes, &path)?;
    fs::metadata(image)
        .and_then(|found| file.set_permissions(found.permissions()))
        .map_err(failed("set the permissions of", &path))?;
    Ok(path)
}

/// Makes the name of `path` durable.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(parent(path))?.sync_all()
}

fn beside(path: &Path, what: &str) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{what}"))
}

fn copy_anew(from: &File, bytes: u64, path: &Path) -> Result<(File, Copied), CopyError> {
    let to = OpenOptions::new()
        .read(true)
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)
        .map_err(failed("create", path))?;
    let copied = copy(from, bytes, &to).and_then(|copied| to.sync_all().map(|()| copied));
    match copied {
        Ok(copied) => Ok((to, copied)),
        Err(error) => {
            // It is ours, and of no use.
            let _ = fs::remove_file(path);
            Err(failed("copy the image to", path)(error))
        }
    }
}

/// Copies the first `image_bytes` of `from` to the empty file `to`.
fn copy(from: &File, image_bytes: u64, to: &File) -> io::Result<Copied> {
    let shared = ioctl_ficlone(to, from).is_ok();
    to.set_len(image_bytes)?;
    if shared {
        return Ok(Copied {
            image_bytes,
            copied_bytes: 0,
            shared: true,
        });
    }
    let mut copied_bytes = 0;
    let mut at = 0;
    while let Some((start, end)) = next_data(from, at, image_bytes)? {
        copied_bytes += copy_range(from, to, start, end)?;
        at = end;
    }
    Ok(Copied {
        image_bytes,
        copied_bytes,
        shared: false,
    })
}

/// The next run that is no hole, from `at` on, of the first `bytes`.
pub(super) fn next_data(file: &File, at: u64, bytes: u64) -> io::Result<Option<(u64, u64)>> {
    if at >= bytes {
        return Ok(None);
    }
    let start = match seek(file, SeekFrom::Data(at)) {
        Err(Errno::NXIO) => return Ok(None),
        // Not every filesystem knows its holes.
        Err(Errno::INVAL) => return Ok(Some((at, bytes))),
        other => other?,
    };
    let end = seek(file, SeekFrom::Hole(start))?.min(bytes);
    Ok((start < end).then_some((start, end)))
}

/// Tells how many bytes it copied.
fn copy_range(from: &File, to: &File, start: u64, end: u64) -> io::Result<u64> {
    let mut copied_bytes = 0;
    let mut at = start;
    while at < end {
        let now = (end - at).min(CHUNK_BYTES);
        let (mut source, mut target) = (at, at);
        let length = index(now);
        match copy_file_range(from, Some(&mut source), to, Some(&mut target), length) {
            Ok(0) | Err(Errno::XDEV | Errno::INVAL | Errno::OPNOTSUPP | Errno::NOSYS) => {
                copied_bytes += copy_by_memory(from, to, at, now)?;
                at += now;
            }
            Ok(bytes) => {
                copied_bytes += count(bytes);
                at += count(bytes);
            }
            Err(Errno::INTR) => {}
            Err(errno) => return Err(errno.into()),
        }
    }
    Ok(copied_bytes)
}

/// Leaves out what is zero, since `to` is zero there. Tells how many bytes it copied.
fn copy_by_memory(from: &File, to: &File, start: u64, bytes: u64) -> io::Result<u64> {
    let mut memory = vec![0; index(bytes.min(MEMORY_BYTES))];
    let mut copied_bytes = 0;
    let mut done = 0;
    while done < bytes {
        let now = index((bytes - done).min(MEMORY_BYTES));
        from.read_exact_at(&mut memory[..now], start + done)?;
        for piece in memory[..now].chunks(PIECE_BYTES) {
            if !is_zero(piece) {
                to.write_all_at(piece, start + done)?;
                copied_bytes += count(piece.len());
            }
            done += count(piece.len());
        }
    }
    Ok(copied_bytes)
}

pub(super) fn failed(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> CopyError {
    let path = path.to_path_buf();
    move |source| CopyError::System {
        doing,
        path,
        source,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOLE: u64 = 1 << 20;

    /// Data, a hole, data, a hole.
    fn image(folder: &Path) -> (File, Vec<u8>) {
        let path = folder.join("a.img");
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .open(path)
            .unwrap();
        file.set_len(4 * HOLE).unwrap();
        file.write_all_at(b"first", 0).unwrap();
        file.write_all_at(b"second", 2 * HOLE + 5).unwrap();
        let mut bytes = vec![0; index(4 * HOLE)];
        file.read_exact_at(&mut bytes, 0).unwrap();
        (file, bytes)
    }

    #[test]
    fn a_copy_has_the_same_bytes_and_no_more_blocks() {
        use std::os::unix::fs::MetadataExt;
        let folder = tempfile::tempdir().unwrap();
        let (file, bytes) = image(folder.path());
        let path = folder.path().join("b.img");
        let copied = copy_to_new(&file, 4 * HOLE, &path).unwrap();
        assert_eq!(copied.image_bytes, 4 * HOLE);
        assert!(copied.copied_bytes < HOLE, "{copied:?}");
        assert_eq!(fs::read(&path).unwrap(), bytes);
        let blocks = |file: fs::Metadata| file.blocks();
        assert!(blocks(fs::metadata(&path).unwrap()) <= blocks(file.metadata().unwrap()));
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    }

    #[test]
    fn memory_copies_what_the_kernel_does_not() {
        let folder = tempfile::tempdir().unwrap();
        let (file, bytes) = image(folder.path());
        let to = tempfile::tempfile().unwrap();
        to.set_len(4 * HOLE).unwrap();
        let copied = copy_by_memory(&file, &to, 0, 4 * HOLE).unwrap();
        let mut copy = vec![1; index(4 * HOLE)];
        to.read_exact_at(&mut copy, 0).unwrap();
        assert_eq!(copy, bytes);
        assert_eq!(copied, 2 * count(PIECE_BYTES), "two places hold something");
    }

    #[test]
    fn no_more_is_copied_than_belongs_to_the_image() {
        let folder = tempfile::tempdir().unwrap();
        let (file, bytes) = image(folder.path());
        let path = folder.path().join("b.img");
        let copied = copy_to_new(&file, HOLE, &path).unwrap();
        assert_eq!(copied.image_bytes, HOLE);
        assert_eq!(fs::read(&path).unwrap(), bytes[..index(HOLE)]);
    }

    #[test]
    fn an_existing_file_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let (file, _) = image(folder.path());
        let path = folder.path().join("thesis");
        fs::write(&path, "mine").unwrap();
        let error = copy_to_new(&file, HOLE, &path).unwrap_err();
        assert!(matches!(error, CopyError::Exists { .. }), "{error}");
        assert_eq!(fs::read(&path).unwrap(), b"mine");
    }

    #[test]
    fn what_an_earlier_attempt_left_beside_the_image_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let (file, bytes) = image(folder.path());
        let image = folder.path().join("a.img");
        fs::write(beside(&image, "restoring"), "half of something").unwrap();
        let path = copy_beside(&file, 4 * HOLE, &image).unwrap();
        assert_eq!(fs::read(path).unwrap(), bytes);
    }
}
