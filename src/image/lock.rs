//! Owns the lock that keeps a second server away from an image, and who may hold it.
//!
//! The lock is advisory and belongs to the opened file: it ends with the last copy of the
//! descriptor, also when the process is killed. What the kernel was doing for a killed process keeps
//! such a copy until it is finished, a moment longer than the process lives.

use std::fmt;
use std::fs::{self, File};
use std::io;
use std::os::fd::AsRawFd;
use std::os::unix::fs::MetadataExt;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::fcntl::FlockArg;

/// How long a lock may outlive its process: a slow disk has to finish what it was given.
const LEFT_BEHIND_MAX: Duration = Duration::from_secs(10);
/// How often it is tried meanwhile.
const RETRY: Duration = Duration::from_millis(5);

/// A process that may hold the lock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LockHolder {
    /// Its number.
    pub pid: u32,
    /// Its name.
    pub name: String,
}

impl fmt::Display for LockHolder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "process {} ({})", self.pid, self.name)
    }
}

/// How an image is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Use {
    /// By this process alone.
    Alone,
    /// Together with others that read too.
    Reading,
}

/// Locks `file`; `false` when someone else has it.
pub(super) fn take(file: &File, wanted: Use) -> io::Result<bool> {
    let wanted = match wanted {
        Use::Alone => FlockArg::LockExclusiveNonblock,
        Use::Reading => FlockArg::LockSharedNonblock,
    };
    // The newer call wraps the file and cannot hand it back with its lock kept.
    #[allow(deprecated)]
    match nix::fcntl::flock(file.as_raw_fd(), wanted) {
        Ok(()) => Ok(true),
        Err(Errno::EWOULDBLOCK) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

/// As [`take`], and waits for a lock that no living process holds.
pub(super) fn take_from_the_dead(file: &File, wanted: Use) -> io::Result<bool> {
    let begun = Instant::now();
    loop {
        if take(file, wanted)? {
            return Ok(true);
        }
        if !holders(file).is_empty() || begun.elapsed() > LEFT_BEHIND_MAX {
            return Ok(false);
        }
        std::thread::sleep(RETRY);
    }
}

/// Who may hold the lock on `file`. The kernel's list names files by their number within a
/// filesystem, so this is a hint for people.
pub(super) fn holders(file: &File) -> Vec<LockHolder> {
    let Ok(inode) = file.metadata().map(|found| found.ino()) else {
        return Vec::new();
    };
    let text = fs::read_to_string("/proc/locks").unwrap_or_default();
    // One without a name has ended meanwhile.
    let name_of = |pid| fs::read_to_string(format!("/proc/{pid}/comm")).ok();
    pids(&text, inode)
        .into_iter()
        .filter_map(|pid| {
            let name = name_of(pid)?.trim_end().to_owned();
            Some(LockHolder { pid, name })
        })
        .collect()
}

/// A line reads: number, kind, `ADVISORY`, access, process, device and inode, range. Waiting
/// processes have an arrow after the number.
fn pids(text: &str, inode: u64) -> Vec<u32> {
    text.lines()
        .filter_map(|line| {
            let fields: Vec<&str> = line.split_whitespace().collect();
            let [_, "FLOCK", _, _, pid, file, ..] = fields[..] else {
                return None;
            };
            let listed: u64 = file.rsplit(':').next()?.parse().ok()?;
            // Processes of other namespaces appear as 0.
            let pid: u32 = pid.parse().ok()?;
            (listed == inode && pid > 0).then_some(pid)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_the_kernels_list_only_holders_of_this_file_are_taken() {
        let text = "1: FLOCK  ADVISORY  WRITE 70 fe:00:55 0 EOF\n\
                    1: -> FLOCK  ADVISORY  WRITE 71 fe:00:55 0 EOF\n\
                    2: POSIX  ADVISORY  WRITE 72 fe:00:55 0 EOF\n\
                    3: FLOCK  ADVISORY  READ 0 fe:00:55 0 EOF\n\
                    4: FLOCK  ADVISORY  READ 73 fe:00:56 0 EOF\n\
                    nonsense\n";
        assert_eq!(pids(text, 55), [70]);
    }

    #[allow(deprecated)]
    fn release(file: &File) {
        nix::fcntl::flock(file.as_raw_fd(), FlockArg::Unlock).unwrap();
    }

    #[test]
    fn readers_share_and_a_writer_is_alone() {
        let scratch = tempfile::NamedTempFile::new().unwrap();
        let open = || File::open(scratch.path()).unwrap();
        let (one, two, writer) = (open(), open(), open());
        assert!(take(&one, Use::Reading).unwrap());
        assert!(take(&two, Use::Reading).unwrap());
        assert!(!take(&writer, Use::Alone).unwrap());
        // Said aloud rather than left to closing: a program that another test starts just now
        // holds a copy of every open file for a moment.
        release(&one);
        release(&two);
        assert!(take(&writer, Use::Alone).unwrap());
        assert!(!take(&open(), Use::Reading).unwrap());
    }
}
