//! Owns what the host can ask and what it is told: requests, completions, breakdowns, effects.
//!
//! A [`Request`] that exists is in bounds; nobody below checks again.

use super::fault::{Failing, Note};
use crate::medium::movement::{BufferId, Plan, PlanId, RequestId};
use crate::time::{Duration, Instant};
use crate::units::HomeBand;

/// What the host asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operation {
    /// Read into the request's buffer.
    Read,
    /// Write the request's buffer.
    Write {
        /// Durable before it is acknowledged.
        fua: bool,
    },
    /// Make everything acknowledged so far durable. Offset and length are 0.
    Flush,
    /// The host no longer needs the range; it reads as zeroes from now on.
    Trim,
    /// Zero the range.
    WriteZeroes {
        /// Durable before it is acknowledged.
        fua: bool,
        /// Whether the drive may deallocate instead.
        may_deallocate: bool,
    },
}

impl Operation {
    /// The words of all kinds of requests, in the order in which reports list them.
    pub const WORDS: [&str; 5] = ["read", "write", "flush", "trim", "write-zeroes"];

    /// Place of its kind in [`Operation::WORDS`].
    pub fn kind(self) -> usize {
        match self {
            Operation::Read => 0,
            Operation::Write { .. } => 1,
            Operation::Flush => 2,
            Operation::Trim => 3,
            Operation::WriteZeroes { .. } => 4,
        }
    }

    /// The word for its kind.
    pub fn word(self) -> &'static str {
        Operation::WORDS[self.kind()]
    }

    /// Whether it must be durable before it is acknowledged, whatever the cache says.
    pub fn is_fua(self) -> bool {
        matches!(
            self,
            Operation::Write { fua: true } | Operation::WriteZeroes { fua: true, .. }
        )
    }
}

/// A request that is in bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Request {
    id: RequestId,
    operation: Operation,
    offset: u64,
    bytes: u64,
}

/// Why a request was refused before it reached the drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Past the end.
    #[error("bytes {offset} to {end} lie past the end of the drive at {capacity}", end = .offset.saturating_add(*.bytes))]
    OutOfBounds {
        /// First byte asked for.
        offset: u64,
        /// How many.
        bytes: u64,
        /// Size of the drive.
        capacity: u64,
    },
    /// Nothing to do is not a request.
    #[error("a request for no bytes at offset {offset}")]
    Empty {
        /// First byte asked for.
        offset: u64,
    },
}

impl Request {
    /// Checks a request against a drive of `capacity` bytes. Any byte alignment is taken: the
    /// drive reads what a partly written sector holds, as a 512-byte-sector drive does.
    pub fn new(
        id: RequestId,
        operation: Operation,
        offset: u64,
        bytes: u64,
        capacity: u64,
    ) -> Result<Request, Refusal> {
        if operation == Operation::Flush {
            return Ok(Request {
                id,
                operation,
                offset: 0,
                bytes: 0,
            });
        }
        if bytes == 0 {
            return Err(Refusal::Empty { offset });
        }
        match offset.checked_add(bytes) {
            Some(end) if end <= capacity => Ok(Request {
                id,
                operation,
                offset,
                bytes,
            }),
            _ => Err(Refusal::OutOfBounds {
                offset,
                bytes,
                capacity,
            }),
        }
    }

    /// Its name.
    pub fn id(&self) -> RequestId {
        self.id
    }

    /// What is asked.
    pub fn operation(&self) -> Operation {
        self.operation
    }

    /// First byte.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// How many bytes.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The buffer that carries its bytes, for reads and writes.
    pub fn buffer(&self) -> BufferId {
        BufferId::Request(self.id)
    }
}

/// Where the time of a request went. The parts add up to completion minus arrival.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Breakdown {
    /// Waiting for other host requests.
    pub queue: Duration,
    /// Waiting for a cleaning step that was under way.
    pub cleaning: Duration,
    /// Waiting for room in the staging area or its map (cleaning in the foreground).
    pub room: Duration,
    /// Waiting for a merge of the map.
    pub merge: Duration,
    /// Waiting for the write cache to be moved to the medium: all of it for a flush, enough of it
    /// for a write that lacks room in it.
    pub destage: Duration,
    /// Moving the arm and switching heads.
    pub seek: Duration,
    /// Waiting for the sector to come round.
    pub rotation: Duration,
    /// Passing over sectors, flash and interface transfer.
    pub transfer: Duration,
    /// Out-of-band revolutions.
    pub out_of_band: Duration,
    /// Electronics.
    pub overhead: Duration,
    /// Waiting for the end of a stall on request.
    pub stalled: Duration,
    /// What a mechanism slowed on request took longer, and trying to read what cannot be read on
    /// request.
    pub slowed: Duration,
    /// How much later than due the host machine delivered it: a fault of the rig, not of the drive.
    pub lag: Duration,
}

impl Breakdown {
    /// Both together, part by part: those of a request that another one followed.
    #[must_use]
    pub fn joined(&self, next: &Breakdown) -> Breakdown {
        Breakdown {
            queue: self.queue + next.queue,
            cleaning: self.cleaning + next.cleaning,
            room: self.room + next.room,
            merge: self.merge + next.merge,
            destage: self.destage + next.destage,
            seek: self.seek + next.seek,
            rotation: self.rotation + next.rotation,
            transfer: self.transfer + next.transfer,
            out_of_band: self.out_of_band + next.out_of_band,
            overhead: self.overhead + next.overhead,
            stalled: self.stalled + next.stalled,
            slowed: self.slowed + next.slowed,
            lag: self.lag + next.lag,
        }
    }

    /// Sum of all parts but the lag.
    pub fn modelled(&self) -> Duration {
        self.queue
            + self.cleaning
            + self.room
            + self.merge
            + self.destage
            + self.seek
            + self.rotation
            + self.transfer
            + self.out_of_band
            + self.overhead
            + self.stalled
            + self.slowed
    }
}

/// The answer to a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Completion {
    /// Which request.
    pub request: RequestId,
    /// What was asked.
    pub operation: Operation,
    /// First byte.
    pub offset: u64,
    /// How many bytes.
    pub bytes: u64,
    /// When it arrived.
    pub arrived: Instant,
    /// When the modelled drive is done.
    pub due: Instant,
    /// The plan that must have been carried out before it may be answered.
    pub needs: Option<PlanId>,
    /// Where the time went.
    pub breakdown: Breakdown,
    /// The bands that the drive cleaned on its own account while it waited, if any.
    pub behind: Option<BandsCleaned>,
    /// The bands that were cleaned to make room while it waited, if any.
    pub room_by: Option<BandsCleaned>,
    /// By how much it missed its sector, if it had to wait for nearly a whole revolution.
    pub missed_by: Option<Duration>,
    /// Why it fails, if it does, by a fault on request. It has changed nothing then, and its buffer
    /// means nothing.
    pub failing: Option<Failing>,
}

/// Bands that were cleaned while a request waited.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BandsCleaned {
    /// The one that it waited for longest.
    pub longest: HomeBand,
    /// How many they were.
    pub count: u32,
}

/// What the drive wants done, in this order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Effect {
    /// Carry out a plan.
    Move(Plan),
    /// Answer a request when its moment has come and the plan it needs is done.
    Complete(Completion),
    /// Nothing planned later than this uses the buffer. The mover may still be using it for plans
    /// already made.
    Release(BufferId),
    /// No answer is given before this moment, or, without one, before [`Effect::Resume`]: a stall on
    /// request.
    Hold {
        /// The moment.
        until: Option<Instant>,
    },
    /// Answers are given again from this moment on.
    Resume {
        /// The moment.
        at: Instant,
    },
    /// A fault on request was imposed, struck or ended.
    Note(Note),
}

/// When the drive wants to be called again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Deadline {
    /// The moment.
    pub at: Instant,
    /// Whether a host request waits for it (`pace off` jumps there) or only the drive's own work.
    pub host_waits: bool,
}

/// Where a range of host addresses now lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whereabouts {
    /// Never written, or discarded: reads as zeroes.
    Nowhere,
    /// In its home band.
    Home,
    /// In the staging area (or a spare band that a running pass fills).
    Staged,
    /// In the volatile write cache.
    Cached,
}

/// A snapshot of the drive's state and counters, for people and machines.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Status {
    /// Model time of the snapshot in nanoseconds.
    pub at_ns: u64,
    /// Log slots in use.
    pub staging_slots_used: u64,
    /// Log slots there are.
    pub staging_slots: u64,
    /// Map extents in use.
    pub extents_used: u64,
    /// Map extents allowed.
    pub extents: u64,
    /// Bands with staged sectors.
    pub dirty_bands: u64,
    /// Bytes waiting in the volatile write cache.
    pub cached_bytes: u64,
    /// The band being cleaned.
    pub cleaning_band: Option<u32>,
    /// Sequence number of the newest record.
    pub sequence: u64,
    /// Sequence number up to which the newest merged map speaks.
    pub map_sequence: u64,
    /// Log entries after which the map is due to be merged.
    pub entries_to_merge: u32,
    /// Counters since the image was opened.
    pub counters: Counters,
}

/// Counters since the image was opened.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Counters {
    /// Host reads answered.
    pub host_reads: u64,
    /// Of these, reads of nothing but what was never written (or was discarded): no mechanism has a part in
    /// them.
    pub host_reads_unwritten: u64,
    /// Host writes answered.
    pub host_writes: u64,
    /// Host flushes answered.
    pub host_flushes: u64,
    /// Host trims answered.
    pub host_trims: u64,
    /// Host zeroing requests answered.
    pub host_zeroes: u64,
    /// Host requests failed by a fault on request; not counted among the others.
    pub host_failed: u64,
    /// Bytes read by the host.
    pub host_read_bytes: u64,
    /// Bytes written by the host, zeroes included.
    pub host_written_bytes: u64,
    /// Log entries written.
    pub entries: u64,
    /// Map merges.
    pub merges: u64,
    /// Bands cleaned.
    pub bands_cleaned: u64,
    /// Bands cleaned while a host request waited for room.
    pub bands_cleaned_foreground: u64,
    /// Bytes moved on the medium by purpose, in the order of `Purpose::ALL`.
    pub medium_bytes: [u64; 13],
    /// Time of the arm by purpose in nanoseconds, in the order of `Purpose::ALL`.
    pub medium_ns: [u64; 13],
}

impl Counters {
    /// The sums of both.
    #[must_use]
    pub fn plus(&self, other: &Counters) -> Counters {
        let sums = |a: &[u64; 13], b: &[u64; 13]| std::array::from_fn(|i| a[i] + b[i]);
        Counters {
            host_reads: self.host_reads + other.host_reads,
            host_reads_unwritten: self.host_reads_unwritten + other.host_reads_unwritten,
            host_writes: self.host_writes + other.host_writes,
            host_flushes: self.host_flushes + other.host_flushes,
            host_trims: self.host_trims + other.host_trims,
            host_zeroes: self.host_zeroes + other.host_zeroes,
            host_failed: self.host_failed + other.host_failed,
            host_read_bytes: self.host_read_bytes + other.host_read_bytes,
            host_written_bytes: self.host_written_bytes + other.host_written_bytes,
            entries: self.entries + other.entries,
            merges: self.merges + other.merges,
            bands_cleaned: self.bands_cleaned + other.bands_cleaned,
            bands_cleaned_foreground: self.bands_cleaned_foreground
                + other.bands_cleaned_foreground,
            medium_bytes: sums(&self.medium_bytes, &other.medium_bytes),
            medium_ns: sums(&self.medium_ns, &other.medium_ns),
        }
    }
}
