//! Owns what frontends hold: a cloneable [`Handle`] to the thread that owns the drive.
//!
//! A handle checks requests, sends them over a bounded channel, and never blocks on the drive's
//! answer: the reply function runs on the drive's thread and must not block. Frontends must not
//! know more about the drive than this.

use std::sync::Arc;

use crossbeam_channel::Sender;

use super::account::Account;
use super::limits::Limits;
use super::order::{Order, OrderError, Outcome};
use super::recorder::{Recorder, RecordingId};
use super::shelf::Shelf;
use super::time_limits::TimeLimit;
use crate::drive::fault::Failing;
use crate::drive::request::{Completion, Refusal, Status, Whereabouts};
use crate::profile::Profile;
use crate::units::SECTOR_BYTES;

/// Most bytes that one [`Ask::Cache`] reads, however large the drive's buffer is.
const WARMED_BYTES_MAX: u64 = 32 << 20;

/// What a frontend needs to know to describe the drive to its clients. It never changes.
#[derive(Clone, Debug, PartialEq, Eq)]
#[allow(clippy::struct_excessive_bools)] // independent facts of the drive, not a state
pub struct DriveInfo {
    /// Name of the profile.
    pub name: String,
    /// Bytes offered.
    pub capacity_bytes: u64,
    /// Smallest unit the host should address: 512 or 4096.
    pub logical_sector_bytes: u32,
    /// Physical sector: 4096.
    pub physical_sector_bytes: u32,
    /// Whether discard is offered.
    pub trim: bool,
    /// Whether zeroing is faster than writing when deallocation is allowed.
    pub fast_zeroes: bool,
    /// Whether a volatile write cache is on.
    pub write_cache: bool,
    /// Bytes that the drive's buffer for reads holds.
    pub read_buffer_bytes: u64,
    /// Opened for reading only.
    pub read_only: bool,
    /// What lies where is not to be told: it would show what is hidden of the drive.
    pub discreet: bool,
}

impl DriveInfo {
    /// The description of a drive of this profile.
    pub fn new(profile: &Profile, read_only: bool) -> DriveInfo {
        let physical = u32::try_from(SECTOR_BYTES).expect("a sector is 4096 bytes");
        DriveInfo {
            name: profile.name.clone(),
            capacity_bytes: profile.drive.capacity_bytes,
            logical_sector_bytes: profile.drive.logical_sector_bytes,
            physical_sector_bytes: physical,
            trim: profile.trim.enabled,
            fast_zeroes: profile.trim.enabled && profile.trim.zeroes_deallocate,
            write_cache: profile.write_cache.enabled,
            read_buffer_bytes: profile.read_ahead_bytes,
            read_only,
            discreet: false,
        }
    }

    /// How many bytes an [`Ask::Cache`] of `bytes` reads: as many as the drive can keep.
    pub fn warmed_bytes(&self, bytes: u64) -> u64 {
        bytes.min(self.read_buffer_bytes).min(WARMED_BYTES_MAX)
    }
}

/// What a frontend can ask. Offsets and lengths in bytes.
#[derive(Debug, PartialEq, Eq)]
pub enum Ask {
    /// Read `bytes` from `offset`.
    Read {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
    },
    /// Write `data` at `offset`.
    Write {
        /// First byte.
        offset: u64,
        /// The bytes.
        data: Vec<u8>,
        /// Durable before the reply.
        fua: bool,
    },
    /// Everything acknowledged so far becomes durable before the reply.
    Flush,
    /// The range is no longer needed and reads as zeroes.
    Trim {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
        /// Durable before the reply.
        fua: bool,
    },
    /// The range reads as zeroes.
    WriteZeroes {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
        /// Durable before the reply.
        fua: bool,
        /// Whether the drive may deallocate.
        may_deallocate: bool,
    },
    /// The range will be read soon: the drive reads its beginning, as much as its buffer holds,
    /// before the reply, and keeps it until it has to read something else.
    Cache {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
    },
    /// Where each part of the range lives, in order, without gaps; may stop early after at least
    /// one part.
    Whereabouts {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
    },
    /// A snapshot of state and counters.
    Status,
    /// A snapshot of latencies and of the slowest requests.
    Account,
    /// What no host asks: faults, limits, saved states.
    Order(Order),
    /// A recording begins: it takes what the drive is given from now on.
    Record(Box<Recorder>),
    /// A recording ends, if it is under way: what was answered by now is in it.
    EndRecording(RecordingId),
}

/// What a successful ask brings back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// A write, flush, trim, zeroing or caching is done; a recording has begun or ended.
    Done,
    /// The bytes of a read.
    Data(Vec<u8>),
    /// Runs of bytes and where they live.
    Whereabouts(Vec<(u64, Whereabouts)>),
    /// The snapshot.
    Status(Box<Status>),
    /// The snapshot.
    Account(Box<Account>),
    /// What came of an order.
    Order(Result<Outcome, OrderError>),
}

/// Why an ask failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HostError {
    /// The range is not on the drive, or empty.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The drive was opened for reading only.
    #[error("the drive is read-only")]
    ReadOnly,
    /// Discard is switched off in the profile.
    #[error("discard is switched off in this drive's profile")]
    Unsupported,
    /// The drive has failed (a write or sync to the backing store failed, or a defect stopped it).
    #[error("the drive has failed: {0}")]
    Failed(Arc<str>),
    /// A fault on request.
    #[error("{0}")]
    Failing(Failing),
    /// A limit is enforced and the answer did not come in time.
    #[error("no answer within {}: the limit {limit} is enforced", .limit.duration())]
    TooSlow {
        /// Which limit.
        limit: TimeLimit,
    },
    /// A limit is enforced and the drive was too slow too often.
    #[error("the drive was taken out of service by the limit {limit}, which is enforced")]
    TakenOut {
        /// Which limit.
        limit: TimeLimit,
    },
    /// The power was cut on request.
    #[error("the drive has no power: it was cut on request")]
    NoPower,
    /// Another state was put in the drive's place.
    #[error("the drive was put back into a saved state while the request waited")]
    Replaced,
    /// The drive is shutting down.
    #[error("the drive is shutting down")]
    Gone,
}

impl From<Failing> for HostError {
    fn from(failing: Failing) -> HostError {
        HostError::Failing(failing)
    }
}

/// A reply: the answer, and for host requests what the drive says of its timing.
#[derive(Debug)]
pub struct Reply {
    /// Outcome.
    pub outcome: Result<Answer, HostError>,
    /// Timing of the request, for reads, writes, flushes, trims and zeroing.
    pub completion: Option<Completion>,
}

/// Called once, on the drive's thread, with the reply. Must not block.
pub type ReplyTo = Box<dyn FnOnce(Reply) + Send>;

/// Takes replies that were put down to whoever waits for them.
pub trait Carrier: Send + Sync {
    /// Called on the drive's thread after one reply or several. Must not block, nor keep the thread
    /// busy with many more than `bytes_max` bytes.
    fn carry(&self, bytes_max: usize);
}

/// What travels to the drive's thread.
pub struct Call {
    /// The question.
    pub ask: Ask,
    /// Who waits.
    pub reply: ReplyTo,
    /// Who is told after the reply, if it does not reach its client by itself.
    pub carrier: Option<Arc<dyn Carrier>>,
}

impl Call {
    /// Answers that the drive is gone.
    pub fn send_away(self) {
        (self.reply)(Reply {
            outcome: Err(HostError::Gone),
            completion: None,
        });
        if let Some(carrier) = self.carrier {
            carrier.carry(0);
        }
    }
}

/// Wakes the drive's thread when it waits for something else than the channel.
pub trait Wake: Send + Sync {
    /// A call was sent. Must be cheap when the thread is awake.
    fn wake(&self);
}

/// A cloneable handle to a running drive.
#[derive(Clone)]
pub struct Handle {
    info: Arc<DriveInfo>,
    calls: Sender<Call>,
    wake: Arc<dyn Wake>,
    limits: Limits,
    shelf: Shelf,
}

impl Handle {
    /// Joins the ends. Called by the host loop, and by tests with a loop of their own.
    pub fn new(info: Arc<DriveInfo>, calls: Sender<Call>, wake: Arc<dyn Wake>) -> Handle {
        Handle {
            info,
            calls,
            wake,
            limits: Limits::default(),
            shelf: Shelf::default(),
        }
    }

    /// The same handle with another budget of payload bytes.
    #[must_use]
    pub fn with_limits(self, limits: Limits) -> Handle {
        Handle { limits, ..self }
    }

    /// The budget of payload bytes, shared by all frontends. Take from it before allocating memory
    /// for a payload, and keep the permit until the reply is sent.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Memory for payloads of writes; what carried the bytes of a read may go back there.
    pub fn shelf(&self) -> &Shelf {
        &self.shelf
    }

    /// The drive's description.
    pub fn info(&self) -> &DriveInfo {
        &self.info
    }

    /// Sends an ask. Blocks only while the bounded channel is full. If the drive is gone the reply
    /// is given at once, on this thread.
    pub fn send(&self, ask: Ask, reply: ReplyTo) {
        self.send_call(Call {
            ask,
            reply,
            carrier: None,
        });
    }

    /// Like [`Handle::send`]; `carrier` is told after the reply, and perhaps after several.
    pub fn send_carried(&self, ask: Ask, reply: ReplyTo, carrier: Arc<dyn Carrier>) {
        self.send_call(Call {
            ask,
            reply,
            carrier: Some(carrier),
        });
    }

    fn send_call(&self, call: Call) {
        match self.calls.send(call) {
            Ok(()) => self.wake.wake(),
            Err(refused) => refused.into_inner().send_away(),
        }
    }

    /// Sends an ask and waits for the reply.
    pub fn ask(&self, ask: Ask) -> Result<Answer, HostError> {
        let (sender, receiver) = crossbeam_channel::bounded(1);
        self.send(
            ask,
            Box::new(move |reply| {
                // The receiver waits below; it cannot be gone.
                let _ = sender.send(reply.outcome);
            }),
        );
        receiver.recv().unwrap_or(Err(HostError::Gone))
    }
}
