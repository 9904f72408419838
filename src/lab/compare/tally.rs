//! Owns what is kept of a run for a comparison: each latency with its moment, and the sums of the parts
//! of all latencies, in all and by range of addresses.
//!
//! Always holds: the parts add up to the sum of all latencies, where they are known; so do the ranges, with
//! what has no place.

use super::answer::Answer;
use crate::drive::request::Operation;
use crate::host::account::{LAG_NOTICED, Lag};
use crate::lab::ranges::Ranges;
use crate::lab::recording::Took;
use crate::lab::summary::Unwritten;
use crate::units::count;

/// A request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Point {
    pub(super) arrived_ns: u64,
    pub(super) took_ns: u64,
    /// Bytes that were read or written.
    pub(super) bytes: u64,
}

/// What was spent on the requests of a range.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Spent {
    pub(super) count: u64,
    pub(super) total_ns: u64,
    pub(super) parts: [u64; 12],
}

impl Spent {
    pub(super) fn add(&mut self, other: &Spent) {
        self.count += other.count;
        self.total_ns = self.total_ns.saturating_add(other.total_ns);
        for (sum, part) in self.parts.iter_mut().zip(other.parts) {
            // Not reached: 584 years.
            *sum = sum.saturating_add(part);
        }
    }
}

/// What is kept of a run.
#[derive(Clone, Debug)]
pub struct Tally {
    /// By operation, in the order of the answers.
    pub(super) points: [Vec<Point>; Operation::WORDS.len()],
    /// In all.
    pub(super) spent: Spent,
    /// By range; requests without a place come last.
    pub(super) by_range: Vec<Spent>,
    /// By structure, where there is a list of them, likewise.
    pub(super) by_structure: Vec<Spent>,
    pub(super) lag: Lag,
    /// Reads that met nothing written, where that is known.
    pub(super) reads_unwritten: Option<Unwritten>,
    /// From the first request to the last answer.
    pub(super) span: Option<(u64, u64)>,
    /// What is known of the times.
    pub(super) took: Took,
}

/// By what a comparison divides the addresses.
#[derive(Clone, Copy, Debug)]
pub struct Division<'r> {
    /// Ranges of equal width.
    pub ranges: &'r Ranges,
    /// Structures of a list.
    pub structures: Option<&'r Ranges>,
}

impl Tally {
    /// Nothing yet.
    pub fn new(division: Division<'_>) -> Tally {
        let empty = |ranges: &Ranges| vec![Spent::default(); ranges.owners().len() + 1];
        Tally {
            points: Default::default(),
            spent: Spent::default(),
            by_range: empty(division.ranges),
            by_structure: division.structures.map_or_else(Vec::new, empty),
            lag: Lag::default(),
            reads_unwritten: None,
            span: None,
            took: Took::Parts,
        }
    }

    /// Takes an answer. A request belongs to the range in which it begins.
    pub fn take(&mut self, answer: &Answer, division: Division<'_>) {
        self.points[answer.operation.kind()].push(Point {
            arrived_ns: answer.arrived_ns,
            took_ns: answer.took_ns(),
            bytes: answer.host_bytes(),
        });
        let spent = Spent {
            count: 1,
            total_ns: answer.took_ns(),
            parts: answer.parts,
        };
        self.spent.add(&spent);
        let place = |ranges: &Ranges| {
            let nowhere = ranges.owners().len();
            answer.offset.map_or(nowhere, |offset| ranges.at(offset))
        };
        self.by_range[place(division.ranges)].add(&spent);
        if let Some(structures) = division.structures {
            self.by_structure[place(structures)].add(&spent);
        }
        self.lag.answered += 1;
        if answer.lag > LAG_NOTICED {
            self.lag.late += 1;
            self.lag.longest = self.lag.longest.max(answer.lag);
            self.lag.sum += answer.lag;
        }
        let (first, last) = self.span.unwrap_or((answer.arrived_ns, answer.due_ns));
        self.span = Some((first.min(answer.arrived_ns), last.max(answer.due_ns)));
    }

    /// Notes how many reads met nothing written: an answer does not tell.
    pub fn met_nothing(&mut self, reads_unwritten: Unwritten) {
        self.reads_unwritten = Some(reads_unwritten);
    }

    /// Notes what is known of the times of the answers.
    pub fn knows(&mut self, took: Took) {
        self.took = took;
    }

    /// Requests answered.
    pub fn answered(&self) -> u64 {
        self.lag.answered
    }

    /// From the first request to the last answer.
    pub(super) fn length_ns(&self) -> u64 {
        self.span.map_or(0, |(first, last)| last - first)
    }

    /// How many requests of each operation were answered.
    pub(super) fn counts(&self) -> [u64; Operation::WORDS.len()] {
        self.points.each_ref().map(|points| count(points.len()))
    }

    /// Those of one operation, or all.
    pub(super) fn of(&self, kind: Option<usize>) -> Vec<Point> {
        match kind {
            Some(kind) => self.points[kind].clone(),
            None => self.points.iter().flatten().copied().collect(),
        }
    }
}
