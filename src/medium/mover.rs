//! Owns the mover: carries the bytes of the drive's movement lists to and from the backing store.
//!
//! What always holds: an order that bytes can tell is kept, within a plan and between plans;
//! nothing after an [`Step::Order`] begins before everything before it in the plan is done; nothing
//! after a [`Step::Barrier`] begins before everything before it, in all plans, is durable. The
//! first failed write or sync latches the mover: whatever is not done by then fails with that
//! error. It knows nothing of what the bytes mean, and asks no clock.

use std::fs::File;
use std::io;
use std::os::fd::BorrowedFd;
use std::sync::Arc;

use super::buffers::Buffers;
use super::file_store::FileStore;
use super::movement::{BufferId, Place, Plan, PlanId, Step};
use super::mover_plain::PlainMover;
use super::mover_ring::RingMover;
use super::store::Store;
use crate::units::{Pba, SECTOR_BYTES};

/// Carries out plans.
pub enum Mover {
    /// One call to the store after another; a plan is done when `submit` returns.
    Plain(PlainMover),
    /// Many operations at the same time through `io_uring`.
    Ring(Box<RingMover>),
}

/// Which mover to use.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MoverChoice {
    /// The ring where the system allows it, else plain.
    #[default]
    Auto,
    /// The ring or nothing.
    Ring,
    /// Plain.
    Plain,
}

/// A mover that is not known.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unknown mover {given:?}: give `auto`, `ring` or `plain`")]
pub struct UnknownMover {
    given: String,
}

impl std::str::FromStr for MoverChoice {
    type Err = UnknownMover;

    fn from_str(given: &str) -> Result<MoverChoice, UnknownMover> {
        match given {
            "auto" => Ok(MoverChoice::Auto),
            "ring" => Ok(MoverChoice::Ring),
            "plain" => Ok(MoverChoice::Plain),
            _ => Err(UnknownMover {
                given: given.to_owned(),
            }),
        }
    }
}

/// What a mover does to the backing store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StoreOperation {
    /// Reads.
    Read,
    /// Writes.
    Write,
    /// Zeroes or deallocates.
    Zero,
    /// Makes durable.
    Sync,
}

impl StoreOperation {
    fn doing(self) -> &'static str {
        match self {
            StoreOperation::Read => "reading",
            StoreOperation::Write => "writing",
            StoreOperation::Zero => "zeroing",
            StoreOperation::Sync => "syncing",
        }
    }
}

/// An operation on the backing store that failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{} {}failed: {cause}", .operation.doing(), range_words(*.at, *.bytes))]
pub struct MoverError {
    /// What was tried.
    pub operation: StoreOperation,
    /// First byte of the image; 0 for a sync.
    pub at: u64,
    /// How many bytes; 0 for a sync.
    pub bytes: u64,
    /// The system's error number, if it gave one.
    pub errno: Option<i32>,
    /// The error in words.
    pub cause: Arc<str>,
}

fn range_words(at: u64, bytes: u64) -> String {
    match bytes {
        0 => "the image ".to_owned(),
        _ => format!("{bytes} bytes at byte {at} of the image "),
    }
}

impl MoverError {
    pub(super) fn new(operation: StoreOperation, at: u64, bytes: u64, cause: &io::Error) -> Self {
        MoverError {
            operation,
            at,
            bytes,
            errno: cause.raw_os_error(),
            cause: cause.to_string().into(),
        }
    }
}

/// How a plan ended.
pub type Finished = (PlanId, Result<(), MoverError>);

/// Operations on the backing store since it was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Reads, cut ones counted as many.
    pub reads: u64,
    /// Writes, cut ones counted as many.
    pub writes: u64,
    /// Ranges zeroed.
    pub zeroes: u64,
    /// Syncs. A barrier with nothing written since the last one needs none.
    pub syncs: u64,
}

impl Tally {
    /// The sums of both.
    #[must_use]
    pub fn plus(self, other: Tally) -> Tally {
        Tally {
            reads: self.reads + other.reads,
            writes: self.writes + other.writes,
            zeroes: self.zeroes + other.zeroes,
            syncs: self.syncs + other.syncs,
        }
    }

    pub(super) fn add(&mut self, operation: StoreOperation) {
        match operation {
            StoreOperation::Read => self.reads += 1,
            StoreOperation::Write => self.writes += 1,
            StoreOperation::Zero => self.zeroes += 1,
            StoreOperation::Sync => self.syncs += 1,
        }
    }
}

impl Mover {
    /// A plain mover over any store.
    pub fn plain(store: Box<dyn Store>) -> Mover {
        Mover::Plain(PlainMover::new(store))
    }

    /// The mover of choice over a file or block device that is open for what will be done. Says in
    /// the log which one it is. Fails only if [`MoverChoice::Ring`] cannot be had.
    pub fn open(file: File, choice: MoverChoice) -> io::Result<Mover> {
        if choice == MoverChoice::Plain {
            log::info!("mover: plain, as asked for");
            return Ok(Mover::plain(Box::new(FileStore::new(file)?)));
        }
        match RingMover::new(
            Box::new(FileStore::new(file.try_clone()?)?),
            file.try_clone()?,
        ) {
            Ok(ring) => {
                log::info!("mover: io_uring");
                Ok(Mover::Ring(Box::new(ring)))
            }
            Err(denied) if choice == MoverChoice::Ring => Err(io::Error::new(
                denied.kind(),
                format!("io_uring is not to be had here ({denied}); `plain` and `auto` do without"),
            )),
            Err(denied) => {
                log::info!("mover: plain, because io_uring is not to be had here ({denied})");
                Ok(Mover::plain(Box::new(FileStore::new(file)?)))
            }
        }
    }

    /// From now on writes of any size are made in [`Mover::submit`], if nothing they touch is under
    /// way. The kernel would hand them to a worker, one after another: that keeps the caller free for
    /// other moments, and costs more in all. Where no moments are kept, this is faster.
    pub fn write_at_once(&mut self) {
        if let Mover::Ring(ring) = self {
            ring.write_at_once_bytes = u64::MAX;
        }
    }

    /// Which one it is: `plain` or `ring`.
    pub fn name(&self) -> &'static str {
        match self {
            Mover::Plain(_) => "plain",
            Mover::Ring(_) => "ring",
        }
    }

    /// Takes a plan. Plans must come in ascending order of their ids. Operations may wait for the
    /// next [`Mover::poll`] to reach the kernel, so that many go in one call.
    pub fn submit(&mut self, mut list: Plan, buffers: &mut Buffers) {
        for (id, bytes) in list.allocate.drain(..) {
            buffers.allocate(id, bytes);
        }
        match self {
            Mover::Plain(plain) => plain.submit(list, buffers),
            Mover::Ring(ring) => ring.submit(list, buffers),
        }
    }

    /// Gets on as far as is possible without waiting, and appends the plans that are over by now,
    /// in no particular order.
    pub fn poll(&mut self, buffers: &mut Buffers, finished: &mut Vec<Finished>) {
        match self {
            Mover::Plain(plain) => plain.poll(finished),
            Mover::Ring(ring) => ring.poll(buffers, finished),
        }
    }

    /// Like [`Mover::poll`], but waits for at least one operation if any is under way.
    pub fn wait(&mut self, buffers: &mut Buffers, finished: &mut Vec<Finished>) {
        match self {
            Mover::Plain(plain) => plain.poll(finished),
            Mover::Ring(ring) => ring.wait(buffers, finished),
        }
    }

    /// Plans not over yet, or over and not yet fetched by [`Mover::poll`].
    pub fn in_flight(&self) -> usize {
        match self {
            Mover::Plain(plain) => plain.in_flight(),
            Mover::Ring(ring) => ring.in_flight(),
        }
    }

    /// Readable when an operation is over that [`Mover::poll`] should see; `None` if nothing is
    /// ever under way between calls.
    pub fn fd(&self) -> Option<BorrowedFd<'_>> {
        match self {
            Mover::Plain(_) => None,
            Mover::Ring(ring) => Some(ring.fd()),
        }
    }

    /// The error that latched the mover.
    pub fn failure(&self) -> Option<&MoverError> {
        match self {
            Mover::Plain(plain) => plain.failure(),
            Mover::Ring(ring) => ring.failure(),
        }
    }

    /// What was done to the backing store so far.
    pub fn tally(&self) -> Tally {
        match self {
            Mover::Plain(plain) => plain.tally(),
            Mover::Ring(ring) => ring.tally(),
        }
    }
}

/// Where byte `skip` of a sector lies in the image: the medium is the image, from its first byte.
pub(super) fn byte_of(pba: Pba, skip: u64) -> u64 {
    pba.0 * SECTOR_BYTES + skip
}

/// The buffers that a plan names, each once.
pub(super) fn buffers_of(plan: &Plan) -> Vec<BufferId> {
    let mut ids = Vec::new();
    for step in &plan.steps {
        if let Step::Move(movement) = step {
            for place in [movement.from, movement.to] {
                if let Place::Buffer { id, .. } = place
                    && !ids.contains(&id)
                {
                    ids.push(id);
                }
            }
        }
    }
    ids
}

/// Whether a failed read spoils no more than the plan itself: it only fills replies. Anything else
/// would let later plans write what was never read.
pub(super) fn only_fills_replies(plan: &Plan) -> bool {
    plan.steps.iter().all(|step| match step {
        Step::Move(movement) => matches!(
            movement.to,
            Place::Discard
                | Place::Buffer {
                    id: BufferId::Request(_),
                    ..
                }
        ),
        Step::Order => true,
        Step::Record(_) | Step::Barrier => false,
    })
}

#[cfg(test)]
#[path = "mover_tests.rs"]
pub(super) mod tests;
