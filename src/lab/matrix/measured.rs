//! Owns what is known of a cell that was run: figures of the drive and, where it was served, of what
//! ran beside it.

use std::collections::BTreeMap;

use super::demand::Rank;
use crate::host::account::{Lag, Latencies};
use crate::host::time_limits::Tripped;
use crate::lab::summary::{Emptied, Summary, Unwritten};

/// The figure of reads that met nothing written.
const READS_UNWRITTEN: &str = "reads_unwritten";

/// What is known of a cell.
#[derive(Clone, Debug, Default)]
pub struct Measured {
    /// Requests answered.
    pub answered: u64,
    /// Time of the drive from the beginning to the last answer, in nanoseconds.
    pub busy_ns: u64,
    /// Latencies by operation.
    pub operations: Vec<Latencies>,
    /// Reads that met nothing written.
    pub reads_unwritten: Unwritten,
    /// Bytes that the host read.
    pub read_bytes: u64,
    /// Bytes that the host wrote.
    pub written_bytes: u64,
    /// Thousandths of a byte written to the medium for each of the host; nothing where it wrote nothing.
    pub write_amplification_milli: Option<u64>,
    /// The longest time without an answer while a request was under way.
    pub longest_stall_ns: Option<u64>,
    /// Limits of hosts, and how often each was tripped.
    pub host_limits: Vec<Tripped>,
    /// From the last answer until nothing was left to do, for a drive that was left alone.
    pub drained_ns: Option<u64>,
    /// How the staging area emptied meanwhile.
    pub emptied: Vec<Emptied>,
    /// What ran beside a served drive.
    pub beside: Option<Beside>,
}

/// What is known of a command or guest beside a served drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Beside {
    /// Its exit code; nothing where a signal ended it.
    pub exit: Option<i32>,
    /// Whether it ended in time.
    pub in_time: bool,
    /// What a check of the image found, where one was asked for.
    pub verified: Option<Verified>,
    /// How late answers were, where answers waited for their moment.
    pub lag: Option<Lag>,
}

/// What a check of an image found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// Whether nothing was wrong.
    pub clean: bool,
    /// In a sentence.
    pub words: String,
}

impl From<&Summary> for Measured {
    fn from(summary: &Summary) -> Measured {
        let drained = summary.drained_ns;
        Measured {
            answered: summary.answered,
            busy_ns: summary.answered_ns,
            operations: summary.operations.clone(),
            reads_unwritten: summary.reads_unwritten,
            read_bytes: summary.status.counters.host_read_bytes,
            written_bytes: summary.host_written_bytes,
            write_amplification_milli: summary.write_amplification_milli,
            longest_stall_ns: summary.longest_stall.as_ref().map(|stall| stall.took_ns),
            host_limits: summary.host_limits.clone(),
            drained_ns: drained.map(|at| at.saturating_sub(summary.answered_ns)),
            emptied: summary.emptied.clone(),
            beside: None,
        }
    }
}

impl Measured {
    /// Bytes per second over the time of the run.
    pub fn rate(&self, bytes: u64) -> u64 {
        let scaled = u128::from(bytes) * 1_000_000_000;
        let rate = scaled.checked_div(u128::from(self.busy_ns));
        rate.map_or(0, |rate| u64::try_from(rate).unwrap_or(u64::MAX))
    }

    /// Latencies of a kind of request, if there were any.
    pub fn latencies(&self, operation: &str) -> Option<&Latencies> {
        let mut found = self.operations.iter();
        found.find(|kind| kind.operation == operation && kind.count > 0)
    }

    /// Every figure by its name, which ends in its unit.
    pub fn figures(&self) -> BTreeMap<String, u64> {
        let mut figures = BTreeMap::new();
        let mut put = |name: &str, value: u64| {
            figures.insert(name.to_owned(), value);
        };
        put("answered", self.answered);
        put("busy_ns", self.busy_ns);
        for kind in self.operations.iter().filter(|kind| kind.count > 0) {
            let operation = kind.operation.replace('-', "_");
            put(&format!("{operation}_count"), kind.count);
            for rank in Rank::ALL {
                let name = format!("{operation}_{}_ns", rank.word());
                put(&name, at_rank(kind, rank));
            }
        }
        if self.reads_unwritten.reads > 0 {
            put(READS_UNWRITTEN, self.reads_unwritten.unwritten);
        }
        put("read_bytes", self.read_bytes);
        put("written_bytes", self.written_bytes);
        put("read_bytes_per_s", self.rate(self.read_bytes));
        put("written_bytes_per_s", self.rate(self.written_bytes));
        if let Some(milli) = self.write_amplification_milli {
            put("write_amplification_milli", milli);
        }
        if let Some(ns) = self.longest_stall_ns {
            put("longest_stall_ns", ns);
        }
        if let Some(ns) = self.drained_ns {
            put("drained_ns", ns);
        }
        for tripped in self.host_limits.iter().filter(|limit| limit.trips > 0) {
            let limit = tripped.limit.word().replace('-', "_");
            put(&format!("{limit}_trips"), tripped.trips);
        }
        if let Some(lag) = self.beside.as_ref().and_then(|beside| beside.lag) {
            put("late", lag.late);
            put("lag_longest_ns", lag.longest.0);
        }
        figures
    }
}

/// Reads that met nothing written, by the figures of a cell.
pub fn unwritten_in(figures: &BTreeMap<String, u64>) -> Unwritten {
    let figure = |name: &str| figures.get(name).copied().unwrap_or(0);
    Unwritten {
        reads: figure("read_count"),
        unwritten: figure(READS_UNWRITTEN),
    }
}

/// What a share of the requests took at most.
pub fn at_rank(kind: &Latencies, rank: Rank) -> u64 {
    match rank {
        Rank::P50 => kind.p50_ns,
        Rank::P90 => kind.p90_ns,
        Rank::P99 => kind.p99_ns,
        Rank::P999 => kind.p999_ns,
        Rank::Longest => kind.max_ns,
    }
}
