//! Owns the limits that hosts put on how long a drive may take, and the words for what tripped them.
//!
//! The limits are common practice on Linux and in storage software, as `docs/control.md` says for each.
//! Who trips them is for the monitor to find.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::drive::request::Operation;
use crate::medium::movement::RequestId;
use crate::time::Duration;

/// A limit of some host.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimeLimit {
    /// An array takes a drive out that has not answered a read or write by then.
    ArrayRecovery,
    /// A storage cluster takes a daemon for dead that hears nothing from its drive.
    ClusterHeartbeat,
    /// The kernel aborts a disk command.
    DiskCommand,
    /// The kernel aborts a flush.
    Flush,
    /// The kernel reports a task that waits for the drive.
    HungTask,
    /// A storage pool takes itself out of service.
    PoolDeadman,
    /// Eight commands above the disk command's limit within 60 s: the drive is taken out.
    SlowCommands,
}

/// A word that is no limit's.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no limit {given:?}; there are {}", TimeLimit::ALL.map(TimeLimit::word).join(", "))]
pub struct UnknownLimit {
    given: String,
}

impl TimeLimit {
    /// All of them, shortest first.
    pub const ALL: [TimeLimit; 7] = [
        TimeLimit::ArrayRecovery,
        TimeLimit::ClusterHeartbeat,
        TimeLimit::DiskCommand,
        TimeLimit::Flush,
        TimeLimit::HungTask,
        TimeLimit::PoolDeadman,
        TimeLimit::SlowCommands,
    ];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            TimeLimit::ArrayRecovery => "array-recovery",
            TimeLimit::ClusterHeartbeat => "cluster-heartbeat",
            TimeLimit::DiskCommand => "disk-command",
            TimeLimit::Flush => "flush",
            TimeLimit::HungTask => "hung-task",
            TimeLimit::PoolDeadman => "pool-deadman",
            TimeLimit::SlowCommands => "slow-commands",
        }
    }

    /// How long a command may take.
    pub fn duration(self) -> Duration {
        match self {
            TimeLimit::ArrayRecovery => Duration::from_s(7),
            TimeLimit::ClusterHeartbeat => Duration::from_s(20),
            TimeLimit::DiskCommand | TimeLimit::SlowCommands => Duration::from_s(30),
            TimeLimit::Flush => Duration::from_s(60),
            TimeLimit::HungTask => Duration::from_s(120),
            TimeLimit::PoolDeadman => Duration::from_s(300),
        }
    }

    /// Whether the drive is taken out of service at a trip.
    pub fn drops_the_drive(self) -> bool {
        match self {
            TimeLimit::ArrayRecovery
            | TimeLimit::ClusterHeartbeat
            | TimeLimit::PoolDeadman
            | TimeLimit::SlowCommands => true,
            TimeLimit::DiskCommand | TimeLimit::Flush | TimeLimit::HungTask => false,
        }
    }

    /// Whether it is about such requests.
    pub(super) fn holds_for(self, operation: Operation) -> bool {
        self.holds_for_word(operation.word())
    }

    /// Whether it is about requests of the operation with this word.
    pub fn holds_for_word(self, operation: &str) -> bool {
        match self {
            TimeLimit::Flush => operation == "flush",
            // A flush has a limit of its own.
            TimeLimit::DiskCommand | TimeLimit::SlowCommands => operation != "flush",
            TimeLimit::ArrayRecovery => ["read", "write", "write-zeroes"].contains(&operation),
            TimeLimit::ClusterHeartbeat | TimeLimit::HungTask | TimeLimit::PoolDeadman => true,
        }
    }

    /// Its place in [`TimeLimit::ALL`].
    pub(super) fn place(self) -> usize {
        let found = TimeLimit::ALL.iter().position(|each| *each == self);
        found.expect("all limits are in the list")
    }
}

impl fmt::Display for TimeLimit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for TimeLimit {
    type Err = UnknownLimit;

    fn from_str(given: &str) -> Result<TimeLimit, UnknownLimit> {
        let found = TimeLimit::ALL.into_iter().find(|each| each.word() == given);
        found.ok_or_else(|| UnknownLimit {
            given: given.to_owned(),
        })
    }
}

/// What a limit would have done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Tripped {
    /// Which limit.
    pub limit: TimeLimit,
    /// How long a command may take by it, in nanoseconds.
    pub limit_ns: u64,
    /// How often it was tripped.
    pub trips: u64,
    /// When the drive would have been taken out of service first, in nanoseconds of model time, if
    /// this limit does that.
    pub dropped_ns: Option<u64>,
    /// The first trips, one by one.
    pub first: Vec<Trip>,
}

/// A request that took too long.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Trip {
    /// What kind of request.
    pub operation: &'static str,
    /// First byte.
    pub offset: u64,
    /// How many bytes.
    pub bytes: u64,
    /// When it arrived, in nanoseconds of model time.
    pub arrived_ns: u64,
    /// When it tripped the limit.
    pub tripped_ns: u64,
    /// How long it took in all; nothing while it waits.
    pub took_ns: Option<u64>,
    /// Where its time went, in words, or that it waits.
    pub cause: String,
    #[serde(skip)]
    pub(super) request: RequestId,
}
