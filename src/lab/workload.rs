//! Owns what is asked of a drive in an experiment: a complete and valid [`Workload`].
//!
//! It is made from TOML (`check` goes by the keys in `book`), from a few words (`shorthand`, which
//! writes the TOML), or is one of those that come with imbrex (`built_in`, TOML as well). Whether it
//! fits a drive is found out by whoever has the drive.

mod book;
mod built_in;
mod check;
pub mod error;
mod shorthand;
mod stream_check;

use crate::time::Duration;

/// Most requests of an experiment.
pub const COUNT_MAX: u64 = 1_000_000_000_000;

/// What is asked of a drive: streams that run side by side, in phases one after the other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Workload {
    /// Short name, shown to people.
    pub name: String,
    /// Start of everything that looks random.
    pub seed: u64,
    /// When it ends, whatever its phases say.
    pub limits: Limits,
    /// How many times the phases are gone through.
    pub rounds: u64,
    /// What the drive does when the last request was answered.
    pub afterwards: Afterwards,
    /// One after the other; never empty. A phase begins when all requests of the one before were
    /// answered.
    pub phases: Vec<Phase>,
    /// Never empty.
    pub streams: Vec<Stream>,
}

/// When a workload ends: whichever comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
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

/// A stretch of an experiment. It ends when its time is over, or when all of its streams that have
/// a count are through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Phase {
    /// Its name.
    pub name: String,
    /// How long requests are submitted.
    pub duration: Option<Duration>,
    /// Indices of the streams that run in it; none: the drive is left alone.
    pub streams: Vec<usize>,
}

/// Requests of one kind of work.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stream {
    /// Its name.
    pub name: String,
    /// Where its requests go.
    pub place: Place,
    /// How large they are.
    pub sizes: Vec<Size>,
    /// What is asked.
    pub mix: Mix,
    /// A flush follows each time so many other requests were made.
    pub flush_every: Option<u64>,
    /// When the requests come.
    pub arrivals: Arrivals,
    /// How the rate changes over the day.
    pub day: Option<Day>,
    /// Bursts with pauses between them.
    pub bursts: Option<Bursts>,
    /// Requests in each phase.
    pub count: Option<u64>,
}

/// Where requests go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// In which order.
    pub order: Order,
    /// First byte of the range.
    pub from: Spot,
    /// Bytes of the range; `None`: up to the end of the drive.
    pub length: Option<Spot>,
    /// Requests begin at multiples of this in the range, where the order chooses freely.
    pub align: u64,
}

/// A number of bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// So many.
    Bytes(u64),
    /// Millionths of the drive, rounded down to whole sectors.
    Part(u64),
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
    /// Few blocks often, many seldom, and so within the few and within the many.
    Skewed {
        /// Percent of the requests that go to the rest of percent of the blocks.
        share: u32,
        /// Whether the often used ones lie all over the range, and not at its start.
        scattered: bool,
    },
    /// A hot part at the start of the range and a cold rest.
    HotCold {
        /// The hot part in percent of the range.
        part: u32,
        /// Percent of the requests that go there.
        share: u32,
    },
    /// A log that is overwritten round and round, and a mark at its start that is rewritten.
    Ring {
        /// Requests between two rewrites of the mark.
        mark_every: u64,
    },
    /// A small area at the start of each of many groups, as filesystems lay out their metadata.
    Scatter {
        /// Bytes from one group to the next.
        group_bytes: u64,
        /// Bytes of the area.
        area_bytes: u64,
        /// Requests in one group before another is chosen.
        stay: u64,
    },
}

/// A size of requests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Bytes.
    pub bytes: u64,
    /// Percent of the requests.
    pub share: u32,
}

/// What is asked, in percent; adds up to 100.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Mix {
    /// Reads.
    pub read: u32,
    /// Writes.
    pub write: u32,
    /// Writes that are durable before they are answered.
    pub fua_write: u32,
    /// Flushes.
    pub flush: u32,
    /// Discards.
    pub trim: u32,
    /// Zeroing requests, which may deallocate.
    pub zero: u32,
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

/// How a rate changes over the day, which begins with the run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Day {
    /// Percent of the rate in each of as many equal parts of the day; one at least is not 0.
    pub parts: Vec<u32>,
    /// How long the day is.
    pub length: Duration,
}

/// Bursts with pauses between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bursts {
    /// Requests of a burst.
    pub count: u64,
    /// From the last answer of a burst to the first request of the next.
    pub pause: Duration,
}

impl Stream {
    /// A range of so many bytes from an address on is asked for once, from front to back, in requests of
    /// equal size, one at a time; what is left of less than a request is left out.
    pub fn once_through(
        name: String,
        (from, bytes): (u64, u64),
        request_bytes: u64,
        mix: Mix,
    ) -> Stream {
        Stream {
            name,
            place: Place {
                order: Order::Sequential,
                from: Spot::Bytes(from),
                length: Some(Spot::Bytes(bytes)),
                align: request_bytes,
            },
            sizes: vec![Size {
                bytes: request_bytes,
                share: 100,
            }],
            mix,
            flush_every: None,
            arrivals: Arrivals::Closed { under_way: 1 },
            day: None,
            bursts: None,
            count: Some(bytes / request_bytes),
        }
    }

    /// Bytes of its largest request.
    pub fn largest(&self) -> u64 {
        self.sizes.iter().map(|size| size.bytes).max().unwrap_or(0)
    }
}

impl Workload {
    /// Requests that it will make in all, and the time at which the last comes, where that is known
    /// beforehand.
    pub fn extent(&self) -> (Option<u64>, Option<Duration>) {
        let durations = self.phases.iter().map(|phase| phase.duration.map(|d| d.0));
        let in_phases: Option<u64> = durations.sum();
        let in_phases = in_phases.map(|ns| Duration(ns.saturating_mul(self.rounds)));
        let both = [in_phases, self.limits.duration].into_iter().flatten();
        let counts = self.phases.iter().flat_map(|phase| &phase.streams);
        let counts: Option<u64> = counts.map(|at| self.streams[*at].count).sum();
        let counts = counts.map(|count| count.saturating_mul(self.rounds));
        let count = [counts, self.limits.count].into_iter().flatten().min();
        (count, both.min())
    }
}

#[cfg(test)]
mod tests;
