//! Owns what is asked of a drive in an experiment: a complete and valid [`Workload`].
//!
//! It is made from TOML (`check` goes by the keys in `book`) or from a few words (`shorthand`, which
//! writes the TOML). Whether it fits a drive is found out by whoever has the drive.

mod book;
mod check;
pub mod error;
mod shorthand;

use crate::time::Duration;

/// What is asked of a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Workload {
    /// Short name, shown to people.
    pub name: String,
    /// Start of everything that looks random.
    pub seed: u64,
    /// When it ends.
    pub limits: Limits,
    /// What the drive does when the last request was answered.
    pub afterwards: Afterwards,
    /// Where the requests go.
    pub place: Place,
    /// What is asked.
    pub mix: Mix,
    /// When the requests come.
    pub arrivals: Arrivals,
    /// Bursts with pauses between them.
    pub bursts: Option<Bursts>,
}

/// When a workload ends: whichever comes first; at least one is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Requests in all.
    pub count: Option<u64>,
    /// Time in which requests are submitted.
    pub duration: Option<Duration>,
}

/// What the drive does when the last request was answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Afterwards {
    /// The experiment is over.
    Stop,
    /// The drive is left alone until it has nothing left to do on its own account.
    Drain,
}

/// Where requests go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// In which order.
    pub order: Order,
    /// Bytes of a request: the range is cut into blocks of this size.
    pub request_bytes: u64,
    /// First byte of the range.
    pub from: u64,
    /// Bytes of the range; `None`: up to the end of the drive.
    pub length: Option<u64>,
}

/// The order in which blocks are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Any block, each as likely as any other.
    Uniform,
    /// One after the other, round and round.
    Sequential,
    /// A block, then so many left out; when the range is through, the ones that were left out.
    AlternateBlocks {
        /// Blocks left out between two.
        skip: u64,
    },
}

/// What is asked, in percent; adds up to 100.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mix {
    /// Reads.
    pub read: u32,
    /// Writes.
    pub write: u32,
    /// Discards.
    pub trim: u32,
    /// Flushes.
    pub flush: u32,
}

/// When requests come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrivals {
    /// Whatever the drive does.
    Open {
        /// Thousandths of a request per second, on average.
        per_s_milli: u64,
        /// How far they are apart.
        spacing: Spacing,
    },
    /// As soon as fewer than this number are under way.
    Closed {
        /// Requests under way.
        under_way: u32,
    },
}

/// How far requests are apart that come at a rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spacing {
    /// As independent events (a Poisson process).
    Poisson,
    /// All the same.
    Even,
}

/// Bursts with pauses between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bursts {
    /// Requests of a burst.
    pub count: u64,
    /// From the last answer of a burst to the first request of the next.
    pub pause: Duration,
}

#[cfg(test)]
mod tests;
