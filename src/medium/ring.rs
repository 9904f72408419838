//! Owns the `io_uring` over one file: starts jobs, continues short ones, says which are over.
//!
//! At most [`ENTRIES`] jobs are under way. A job's memory is lent to the ring until the job is
//! over, and the ring waits for all its jobs before it goes away. The ring allows itself only the
//! operations it uses. It knows nothing of plans, and keeps no order between jobs.
#![allow(unsafe_code)] // the kernel is handed addresses of memory

use std::cell::Cell;
use std::fs::File;
use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, RawFd};

use io_uring::register::Restriction;
use io_uring::squeue::Entry;
use io_uring::types::{Fd, FsyncFlags};
use io_uring::{IoUring, opcode};
use nix::errno::Errno;

use super::memory::{Lending, Lent};
use crate::units::count;

/// Jobs that can be under way at the same time.
pub(super) const ENTRIES: u32 = 256;

/// Something for the kernel to do with the file.
pub(super) enum Job {
    /// Fill or drain the lent memory, from this byte of the file on.
    Transfer(Lent, u64),
    /// Deallocate.
    Punch {
        /// First byte.
        at: u64,
        /// How many.
        bytes: u64,
    },
    /// Make everything durable (data, and what is needed to find it).
    Sync,
}

/// See the module's description.
pub(super) struct Ring {
    uring: IoUring,
    file: File,
    /// Index is the kernel's name for the job.
    flights: Vec<Option<Flight>>,
    free: Vec<usize>,
    /// Entries put into the queue that the kernel has not been told of.
    unsubmitted: usize,
    /// The file system cannot tell what is at hand.
    never_at_hand: Cell<bool>,
    #[cfg(test)]
    pub(super) faults: Option<super::mover::tests::Countdown>,
}

struct Flight {
    job: Job,
    token: u64,
    done: usize,
}

impl Ring {
    /// A ring over `file`. Fails where the system does not allow or know rings.
    pub(super) fn new(file: File) -> io::Result<Ring> {
        let uring = IoUring::builder().setup_r_disabled().build(ENTRIES)?;
        let allowed = [
            opcode::Read::CODE,
            opcode::Write::CODE,
            opcode::Fallocate::CODE,
            opcode::Fsync::CODE,
        ];
        let mut restrictions = allowed.map(Restriction::sqe_op);
        uring.submitter().register_restrictions(&mut restrictions)?;
        uring.submitter().register_enable_rings()?;
        let slots = usize::try_from(ENTRIES).expect("64-bit host");
        Ok(Ring {
            uring,
            file,
            flights: (0..slots).map(|_| None).collect(),
            free: (0..slots).rev().collect(),
            unsubmitted: 0,
            never_at_hand: Cell::new(false),
            #[cfg(test)]
            faults: None,
        })
    }

    /// Readable when a job is over.
    pub(super) fn fd(&self) -> BorrowedFd<'_> {
        // SAFETY: the descriptor belongs to `self.uring`, which the result borrows.
        unsafe { BorrowedFd::borrow_raw(AsRawFd::as_raw_fd(&self.uring)) }
    }

    /// Whether another job can be started.
    pub(super) fn has_room(&self) -> bool {
        !self.free.is_empty()
    }

    /// Jobs under way.
    pub(super) fn in_flight(&self) -> usize {
        self.flights.len() - self.free.len()
    }

    /// Fills `into` from byte `at` of the file on, if the system has all of it at hand; saves a round
    /// through the ring. If not, `into` may hold anything.
    pub(super) fn read_at_hand(&self, into: &mut [u8], at: u64) -> bool {
        #[cfg(test)]
        if self.faults.is_some() {
            return false;
        }
        if self.never_at_hand.get() {
            return false;
        }
        let Ok(at) = libc::off_t::try_from(at) else {
            return false;
        };
        let part = libc::iovec {
            iov_base: into.as_mut_ptr().cast(),
            iov_len: into.len(),
        };
        let fd = self.file.as_fd().as_raw_fd();
        // SAFETY: the kernel writes no more than `iov_len` bytes to memory that `into` borrows for
        // the length of the call.
        let read = unsafe { libc::preadv2(fd, &raw const part, 1, at, libc::RWF_NOWAIT) };
        if read < 0 && Errno::last() == Errno::EOPNOTSUPP {
            self.never_at_hand.set(true);
        }
        usize::try_from(read) == Ok(into.len())
    }

    /// Puts a job into the queue; [`Ring::submit`] tells the kernel.
    ///
    /// # Panics
    /// If there is no room.
    pub(super) fn start(&mut self, token: u64, job: Job) {
        let slot = self.free.pop().expect("the caller has asked for room");
        let flight = self.flights[slot].insert(Flight {
            job,
            token,
            done: 0,
        });
        let entry = flight.entry(self.file.as_fd().as_raw_fd(), slot);
        self.push(&entry);
    }

    fn push(&mut self, entry: &Entry) {
        // SAFETY: the memory that the entry names is lent to the flight in `self.flights`, which
        // stays until the kernel has reported the job over. The queue has as many places as there
        // are flights, and `submit` empties it, so there is room.
        unsafe { self.uring.submission().push(entry) }.expect("as many places as flights");
        self.unsubmitted += 1;
    }

    /// Tells the kernel of all jobs in the queue, in one call; waits for `want` to be over.
    pub(super) fn submit(&mut self, want: usize) -> io::Result<()> {
        while self.unsubmitted > 0 || want > 0 {
            match self.uring.submit_and_wait(want) {
                Ok(taken) => {
                    self.unsubmitted -= taken;
                    if self.unsubmitted == 0 {
                        break;
                    }
                }
                // Interrupted, or the kernel is short of memory for the moment.
                Err(e) if matches!(e.raw_os_error(), Some(libc::EINTR | libc::EAGAIN)) => {}
                // The completion queue must be emptied first.
                Err(e) if e.raw_os_error() == Some(libc::EBUSY) => break,
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }

    /// Appends the tokens of jobs that are over. Short ones go on instead.
    pub(super) fn collect(&mut self, over: &mut Vec<(u64, io::Result<()>)>) {
        loop {
            let completion = self.uring.completion().next();
            let Some(completion) = completion else {
                return;
            };
            let slot = usize::try_from(completion.user_data()).expect("64-bit host");
            let flight = self.flights[slot].as_mut().expect("the job is under way");
            let outcome = flight.took(completion.result());
            #[cfg(test)]
            let outcome = match (&outcome, &self.faults) {
                (Some(_), Some(faults)) if faults.strikes() => {
                    Some(Err(io::Error::from_raw_os_error(libc::EIO)))
                }
                _ => outcome,
            };
            if let Some(outcome) = outcome {
                over.push((flight.token, outcome));
                self.flights[slot] = None;
                self.free.push(slot);
            } else {
                let entry = flight.entry(self.file.as_fd().as_raw_fd(), slot);
                self.push(&entry);
            }
        }
    }
}

impl Flight {
    fn entry(&self, fd: RawFd, slot: usize) -> Entry {
        let fd = Fd(fd);
        let entry = match &self.job {
            Job::Transfer(lent, at) => {
                let at = at + count(self.done);
                // SAFETY: `done` bytes of the lent memory are over, never more than all.
                let start = unsafe { lent.start().add(self.done) };
                let rest = u32::try_from(lent.len() - self.done).unwrap_or(u32::MAX);
                match lent.lending() {
                    Lending::Fill => opcode::Read::new(fd, start, rest).offset(at).build(),
                    Lending::Drain => opcode::Write::new(fd, start, rest).offset(at).build(),
                }
            }
            Job::Punch { at, bytes } => opcode::Fallocate::new(fd, *bytes)
                .offset(*at)
                .mode(libc::FALLOC_FL_PUNCH_HOLE | libc::FALLOC_FL_KEEP_SIZE)
                .build(),
            Job::Sync => opcode::Fsync::new(fd).flags(FsyncFlags::DATASYNC).build(),
        };
        entry.user_data(count(slot))
    }

    /// What a result of the kernel means: over, or `None` if there is more to do.
    fn took(&mut self, result: i32) -> Option<io::Result<()>> {
        if matches!(-result, libc::EINTR | libc::EAGAIN) {
            return None;
        }
        let Ok(taken) = usize::try_from(result) else {
            return Some(Err(io::Error::from_raw_os_error(-result)));
        };
        let Job::Transfer(lent, _) = &self.job else {
            return Some(Ok(()));
        };
        self.done += taken;
        if self.done >= lent.len() {
            return Some(Ok(()));
        }
        (taken == 0).then(|| {
            Err(io::Error::new(
                io::ErrorKind::UnexpectedEof,
                "the image ends before the transfer does",
            ))
        })
    }
}

impl Drop for Ring {
    fn drop(&mut self) {
        let mut over = Vec::new();
        while self.in_flight() > 0 {
            if self.submit(1).is_err() {
                // The kernel may still use the memory: better to lose it than to hand it out.
                self.flights.drain(..).for_each(std::mem::forget);
                return;
            }
            self.collect(&mut over);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::print_stdout)] // says what it skips

    use super::*;

    #[test]
    fn the_kernel_refuses_an_operation_that_the_ring_does_not_use() {
        let file = tempfile::tempfile().expect("a file");
        let mut ring = match Ring::new(file) {
            Ok(ring) => ring,
            Err(error) => return println!("skipped: no io_uring here ({error})"),
        };
        for (entry, expected) in [
            (opcode::Nop::new().build(), -libc::EACCES),
            (opcode::Socket::new(1, 1, 0).build(), -libc::EACCES),
        ] {
            ring.push(&entry);
            ring.submit(1).expect("the ring takes it");
            let over = ring.uring.completion().next();
            assert_eq!(over.expect("it is over").result(), expected);
        }
        ring.start(7, Job::Sync);
        ring.submit(1).expect("the ring takes it");
        let mut over = Vec::new();
        ring.collect(&mut over);
        assert!(matches!(over[..], [(7, Ok(()))]), "{over:?}");
    }
}
