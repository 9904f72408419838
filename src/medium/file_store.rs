//! Owns the store over an ordinary (sparse) file or a block device that is already open.
//!
//! Zeroing deallocates where the file system can; the length never changes. The lock is advisory:
//! it keeps a second imbrex out, not other programs.

use std::fs::File;
use std::io::{self, Seek, SeekFrom};
use std::os::unix::fs::FileExt;

use nix::errno::Errno;
use nix::fcntl::{FallocateFlags, Flock, FlockArg, fallocate};

use super::store::Store;
use crate::units::{count, index};

/// Bytes written at a time where holes cannot be punched.
const ZERO_CHUNK_BYTES: u64 = 1 << 20;

/// An open file or block device.
#[derive(Debug)]
pub struct FileStore {
    file: File,
    bytes: u64,
}

impl FileStore {
    /// Wraps a file open for reading, and for writing if anything is to be written.
    pub fn new(file: File) -> io::Result<FileStore> {
        // Seeking tells the size of a block device too; metadata does not.
        let bytes = (&file).seek(SeekFrom::End(0))?;
        Ok(FileStore { file, bytes })
    }

    /// The file, for a mover that speaks to the kernel itself.
    pub fn file(&self) -> &File {
        &self.file
    }
}

/// How an image is locked while open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lock {
    /// Nobody else has it open.
    Exclusive,
    /// Others may have it open for reading.
    Shared,
}

/// A lock on a file for as long as this exists.
#[derive(Debug)]
#[must_use = "dropping it unlocks the file"]
pub struct Locked {
    _lock: Flock<File>,
}

/// Locks a file until the result is dropped, without waiting. `None` if somebody else has it
/// locked.
pub fn lock(file: &File, lock: Lock) -> io::Result<Option<Locked>> {
    let arg = match lock {
        Lock::Exclusive => FlockArg::LockExclusiveNonblock,
        Lock::Shared => FlockArg::LockSharedNonblock,
    };
    // A duplicate shares the lock with the original, so the caller may keep using its own.
    match Flock::lock(file.try_clone()?, arg) {
        Ok(locked) => Ok(Some(Locked { _lock: locked })),
        Err((_, Errno::EWOULDBLOCK)) => Ok(None),
        Err((_, errno)) => Err(errno.into()),
    }
}

impl Store for FileStore {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.bytes)
    }

    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        self.file.read_exact_at(into, at)
    }

    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        check_end(self.bytes, at, count(from.len()))?;
        self.file.write_all_at(from, at)
    }

    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()> {
        check_end(self.bytes, at, bytes)?;
        if bytes == 0 {
            return Ok(());
        }
        match punch(&self.file, at, bytes) {
            Err(Errno::EOPNOTSUPP | Errno::ENOSYS | Errno::ENODEV) => self.write_zeroes(at, bytes),
            other => Ok(other?),
        }
    }

    fn sync(&self) -> io::Result<()> {
        self.file.sync_data()
    }
}

impl FileStore {
    fn write_zeroes(&self, at: u64, bytes: u64) -> io::Result<()> {
        let zeroes = vec![0; index(bytes.min(ZERO_CHUNK_BYTES))];
        let mut done = 0;
        while done < bytes {
            let now = (bytes - done).min(ZERO_CHUNK_BYTES);
            self.file.write_all_at(&zeroes[..index(now)], at + done)?;
            done += now;
        }
        Ok(())
    }
}

fn punch(file: &File, at: u64, bytes: u64) -> Result<(), Errno> {
    let (Ok(at), Ok(bytes)) = (i64::try_from(at), i64::try_from(bytes)) else {
        return Err(Errno::EFBIG);
    };
    let flags = FallocateFlags::FALLOC_FL_PUNCH_HOLE | FallocateFlags::FALLOC_FL_KEEP_SIZE;
    loop {
        match fallocate(file, flags, at, bytes) {
            Err(Errno::EINTR) => {}
            other => return other,
        }
    }
}

/// A write past the end would grow an ordinary file without a word.
pub(super) fn check_end(size: u64, at: u64, bytes: u64) -> io::Result<()> {
    match at.checked_add(bytes) {
        Some(end) if end <= size => Ok(()),
        _ => Err(io::Error::new(
            io::ErrorKind::UnexpectedEof,
            format!("{bytes} bytes at {at} lie past the end of the image at {size}"),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store(bytes: u64) -> FileStore {
        let file = tempfile::tempfile().expect("a temporary file");
        file.set_len(bytes).expect("set its length");
        FileStore::new(file).expect("wrap it")
    }

    #[test]
    fn zeroed_bytes_read_as_zeroes_and_their_neighbours_stay() {
        let store = store(1 << 16);
        store.write_at(&vec![0xab; 1 << 16], 0).expect("write");
        store.zero_at(4096, 8192).expect("zero");
        let mut all = vec![0; 1 << 16];
        store.read_at(&mut all, 0).expect("read");
        let expected = |at: usize| if (4096..12288).contains(&at) { 0 } else { 0xab };
        assert!(
            all.iter()
                .enumerate()
                .all(|(at, byte)| *byte == expected(at))
        );
    }

    #[test]
    fn written_zeroes_equal_punched_ones() {
        let bytes = ZERO_CHUNK_BYTES * 2 + 4096;
        let store = store(bytes + 8192);
        store
            .write_at(&vec![1; index(bytes + 8192)], 0)
            .expect("write");
        store.write_zeroes(4096, bytes).expect("zero");
        let mut all = vec![0; index(bytes + 8192)];
        store.read_at(&mut all, 0).expect("read");
        assert!(all[..4096].iter().all(|byte| *byte == 1));
        assert!(all[4096..index(bytes + 4096)].iter().all(|byte| *byte == 0));
        assert!(all[index(bytes + 4096)..].iter().all(|byte| *byte == 1));
    }

    #[test]
    fn nothing_reaches_past_the_end() {
        let store = store(8192);
        assert_eq!(store.bytes().expect("size"), 8192);
        assert!(store.write_at(&[1; 4096], 4097).is_err());
        assert!(store.zero_at(8192, 1).is_err());
        assert!(store.zero_at(u64::MAX, 2).is_err());
        assert!(store.read_at(&mut [0; 2], 8191).is_err());
        assert_eq!(store.file().metadata().expect("metadata").len(), 8192);
    }

    #[test]
    fn an_exclusive_lock_keeps_everybody_out_and_a_shared_one_only_writers() {
        let named = tempfile::NamedTempFile::new().expect("a temporary file");
        let open = || File::open(named.path()).expect("open it");
        let (a, b) = (open(), open());
        let held = lock(&a, Lock::Exclusive).expect("lock").expect("free");
        assert!(lock(&b, Lock::Shared).expect("try").is_none());
        drop(held);
        let _held = lock(&a, Lock::Shared).expect("lock").expect("free");
        assert!(lock(&b, Lock::Exclusive).expect("try").is_none());
        assert!(lock(&b, Lock::Shared).expect("try").is_some());
    }
}
