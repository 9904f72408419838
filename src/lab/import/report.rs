//! Owns what an import understood: operations, sizes, order, gaps and span, and what was passed over
//! with which reason. Gathered request by request in constant memory.

mod text;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::drive::request::Operation;
use crate::units::{count, index};

/// A request as it stands in a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Parsed {
    /// When it came; where that counts from is the trace's business.
    pub(super) at_ns: u64,
    pub(super) operation: Operation,
    pub(super) offset: u64,
    pub(super) bytes: u64,
    /// How long it took, if that is known.
    pub(super) took_ns: Option<u64>,
}

/// Why a line gave no request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Skip {
    /// It is in order and not meant for us.
    Aside(&'static str),
    /// It is of the text's form, such as a head or an empty line.
    Form(&'static str),
    /// It makes no sense.
    Bad(&'static str),
    /// The text as a whole is of another kind.
    Wrong(String),
}

/// A line that made no sense.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BadLine {
    /// Its number, from 1.
    pub line: u64,
    /// What is wrong.
    pub why: &'static str,
    /// What it says, cut short.
    pub text: String,
}

/// What was understood of a trace. Times are nanoseconds, sizes bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Report {
    /// Lines read.
    pub lines: u64,
    /// Requests written to the recording.
    pub requests: u64,
    /// By operation; those that did not occur are left out.
    pub operations: Vec<Kind>,
    /// From the first request to the last.
    pub span_ns: u64,
    /// One past the last byte that was asked for.
    pub end_bytes: u64,
    /// How many times nothing came for so long, and for how long in all.
    pub gaps: Vec<Gaps>,
    /// Whether it is known how long requests took.
    pub answers_known: bool,
    /// Drives that the trace names, with their requests.
    pub drives: Vec<(String, u64)>,
    /// The one that was taken.
    pub drive: Option<String>,
    /// Columns of a table with a head that were of no use.
    pub columns_unread: Vec<String>,
    /// Lines without a request that are in order, by what they are.
    pub aside: BTreeMap<&'static str, u64>,
    /// Lines that make no sense, by reason.
    pub bad: BTreeMap<&'static str, u64>,
    /// The first of them.
    pub first_bad: Vec<BadLine>,
    /// What to think about.
    pub warnings: Vec<String>,
}

/// Requests of one operation.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Kind {
    /// Its word.
    pub operation: &'static str,
    /// How many.
    pub requests: u64,
    /// How many of them must be durable before they are answered.
    pub fua: u64,
    /// Bytes together.
    pub bytes: u64,
    /// How many begin where the one before of this operation ended.
    pub sequential: u64,
    /// Upper bounds, each twice the last, and how many are no larger and did not fit the one before.
    pub sizes: Vec<(u64, u64)>,
}

/// Times in which nothing came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Gaps {
    /// Shortest that is counted here.
    pub from_ns: u64,
    /// How many.
    pub count: u64,
    /// Time together.
    pub ns: u64,
}

const SIZES: usize = 40;
const GAPS_FROM_NS: [u64; 4] = [10_000_000, 100_000_000, 1_000_000_000, 10_000_000_000];

/// Gathers a report.
pub(super) struct Gatherer {
    kinds: [KindSoFar; 5],
    gaps: [Gaps; 4],
    requests: u64,
    first_ns: u64,
    last_ns: u64,
    end_bytes: u64,
    answers_known: bool,
}

#[derive(Clone, Copy)]
struct KindSoFar {
    requests: u64,
    fua: u64,
    bytes: u64,
    sequential: u64,
    end: Option<u64>,
    sizes: [u64; SIZES],
}

impl Gatherer {
    pub(super) fn new() -> Gatherer {
        let kind = KindSoFar {
            requests: 0,
            fua: 0,
            bytes: 0,
            sequential: 0,
            end: None,
            sizes: [0; SIZES],
        };
        Gatherer {
            kinds: [kind; 5],
            gaps: GAPS_FROM_NS.map(|from_ns| Gaps {
                from_ns,
                ..Gaps::default()
            }),
            requests: 0,
            first_ns: 0,
            last_ns: 0,
            end_bytes: 0,
            answers_known: false,
        }
    }

    /// Takes a request; they come in order of time.
    pub(super) fn take(&mut self, request: &Parsed) {
        if self.requests == 0 {
            self.first_ns = request.at_ns;
            self.last_ns = request.at_ns;
        }
        self.requests += 1;
        self.answers_known |= request.took_ns.is_some();
        let gap = request.at_ns.saturating_sub(self.last_ns);
        for gaps in self.gaps.iter_mut().filter(|gaps| gap >= gaps.from_ns) {
            gaps.count += 1;
            gaps.ns += gap;
        }
        self.last_ns = request.at_ns;
        let kind = &mut self.kinds[request.operation.kind()];
        kind.requests += 1;
        kind.fua += u64::from(request.operation.is_fua());
        if request.operation == Operation::Flush {
            return;
        }
        let end = request.offset + request.bytes;
        self.end_bytes = self.end_bytes.max(end);
        kind.bytes = kind.bytes.saturating_add(request.bytes);
        kind.sequential += u64::from(kind.end == Some(request.offset));
        kind.end = Some(end);
        let size = request.bytes.max(1).next_power_of_two().trailing_zeros();
        kind.sizes[index(u64::from(size)).min(SIZES - 1)] += 1;
    }

    /// What is known at the end; the importer adds what it knows of lines.
    pub(super) fn finish(self) -> Report {
        let kinds = Operation::WORDS.into_iter().zip(&self.kinds);
        let operations = kinds.filter(|(_, kind)| kind.requests > 0);
        Report {
            requests: self.requests,
            operations: operations.map(|(word, kind)| kind.finish(word)).collect(),
            span_ns: self.last_ns - self.first_ns,
            end_bytes: self.end_bytes,
            gaps: self.gaps.to_vec(),
            answers_known: self.answers_known,
            ..Report::default()
        }
    }
}

impl KindSoFar {
    fn finish(&self, operation: &'static str) -> Kind {
        let sizes = self.sizes.iter().enumerate();
        let there = sizes.filter(|(_, requests)| **requests > 0);
        Kind {
            operation,
            requests: self.requests,
            fua: self.fua,
            bytes: self.bytes,
            sequential: self.sequential,
            sizes: there
                .map(|(power, requests)| (1 << count(power), *requests))
                .collect(),
        }
    }
}
