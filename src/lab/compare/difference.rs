//! Owns what is said of two sides: each figure, its difference and how sure that is, and where the time
//! of all requests went.
//!
//! Always holds: the differences of the parts add up to the difference of the total time, and so do those
//! of the ranges. A difference is B less A: below 0, B needs less.

mod knowledge;
mod text;

use serde::Serialize;

use super::tally::Division;
use crate::lab::ranges::Owner;
use crate::lab::recording::Took;
use crate::lab::summary::Unwritten;

/// A figure of both sides. Values by which nothing can be divided are left out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Of A.
    pub a: Option<i64>,
    /// Of B.
    pub b: Option<i64>,
    /// B less A.
    pub difference: Option<i64>,
    /// Where the interval of the difference begins; nothing where nothing can be said.
    pub low: Option<i64>,
    /// Where it ends.
    pub high: Option<i64>,
}

/// What can be said of B's latency.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The whole interval lies below 0.
    Faster,
    /// The whole interval lies above 0.
    Slower,
    /// The interval holds 0, or there is none.
    CannotBeToldApart,
    /// A recording does not say how long requests took.
    NotKnown,
}

/// By which figure the verdict is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Mean latency.
    #[default]
    Mean,
    /// The median.
    Median,
    /// 90 % take no longer.
    P90,
    /// 99 % take no longer.
    P99,
}

/// From what the intervals come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Units {
    /// Stretches of time of each run.
    Stretches,
    /// Pairs of runs.
    Runs,
    /// There are no intervals: too few requests, or runs.
    None,
}

/// How intervals were found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Method {
    /// What was drawn anew.
    pub units: Units,
    /// How many of them there are.
    pub count: u64,
    /// How often they were drawn.
    pub draws: u32,
    /// In how many of a hundred cases an interval holds the truth.
    pub confidence_percent: u32,
    /// Start of the draws.
    pub seed: u64,
}

/// A side.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Side {
    /// What was run.
    pub name: String,
    /// Runs.
    pub runs: u64,
    /// Requests answered, in all runs.
    pub answered: u64,
    /// Answers that the machine gave noticeably late.
    pub late: u64,
    /// What that means, in a sentence; nothing where none was late.
    pub lag: Option<String>,
    /// What is known of how long requests took.
    pub took: Took,
    /// Reads that met nothing written; not known of recordings.
    pub reads_unwritten: Option<Unwritten>,
}

/// An operation of both sides, or all of them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OfOperation {
    /// Which; `all`.
    pub operation: &'static str,
    /// What can be said.
    pub verdict: Verdict,
    /// Requests.
    pub count: Difference,
    /// Bytes that the host read or wrote, zeroes included.
    pub bytes: Difference,
    /// Mean latency.
    pub mean_ns: Difference,
    /// Half take no longer.
    pub p50_ns: Difference,
    /// 90 % take no longer.
    pub p90_ns: Difference,
    /// 99 % take no longer.
    pub p99_ns: Difference,
    /// The longest. Drawing anew says nothing about extremes: it has no interval.
    pub max_ns: Difference,
    /// Sum of all latencies.
    pub total_ns: Difference,
    /// These bytes by the time of the run.
    pub bytes_per_s: Difference,
}

/// All requests, each operation counted by the mean of its shares in A and in B.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Alike {
    /// What can be said.
    pub verdict: Verdict,
    /// Mean latency.
    pub mean_ns: Difference,
    /// Half take no longer.
    pub p50_ns: Difference,
    /// 90 % take no longer.
    pub p90_ns: Difference,
    /// 99 % take no longer.
    pub p99_ns: Difference,
    /// Operations that only one side asked for: they count on neither.
    pub left_out: Vec<&'static str>,
}

/// A part of the time of all requests.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OfPart {
    /// Which.
    pub part: &'static str,
    /// In nanoseconds.
    pub total_ns: Difference,
}

/// The requests that begin in a range.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OfRange {
    /// Which.
    #[serde(flatten)]
    pub range: Owner,
    /// Requests.
    pub count: Difference,
    /// Sum of their latencies.
    pub total_ns: Difference,
    /// The part that differs most, and by how much; nothing where the parts are not known.
    pub mostly: Option<&'static str>,
    /// In nanoseconds.
    pub mostly_ns: Option<i64>,
}

/// What differs between two sides.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Comparison {
    /// The first.
    pub a: Side,
    /// The second.
    pub b: Side,
    /// What can be said of all requests: of `alike`, where the mixes differ.
    pub verdict: Verdict,
    /// All requests as if both sides had asked for the same mix of operations; nothing where they did.
    pub alike: Option<Alike>,
    /// By which figure.
    pub by: By,
    /// From what.
    pub method: Method,
    /// All requests, then each operation that occurred.
    pub operations: Vec<OfOperation>,
    /// Where the time went; nothing where a side does not know it.
    pub parts: Vec<OfPart>,
    /// By range, where anything was asked; what has no place (flushes) comes last.
    pub ranges: Vec<OfRange>,
    /// By structure, where a list was given.
    pub structures: Vec<OfRange>,
}

/// What a comparison needs besides the runs.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'r> {
    /// By what addresses are divided.
    pub division: Division<'r>,
    /// By which figure the verdict is given.
    pub by: By,
    /// Start of the draws.
    pub seed: u64,
}

/// With fewer pairs of runs nothing is said of how sure a difference is.
pub const RUNS_MIN: usize = 5;

#[cfg(test)]
mod tests;
