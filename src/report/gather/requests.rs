//! Owns what a report takes from a recording: everything its figures show of the requests.
//!
//! Two looks through the file, the first for its bounds. Memory does not grow with it. Always holds:
//! counts, bytes and times are those of all rows, and of each stretch of time the slowest request is
//! kept with its sentence. How long a request took includes a lag that counts as late, as it does in
//! the account of a served drive.

use std::collections::BTreeMap;

use hdrhistogram::Histogram;

use super::rows::{Row, Rows};
use crate::host::account::{LAG_NOTICED, Lag};
use crate::host::time_limits::TimeLimit;
use crate::lab::recording::{TOOK, Took};
use crate::report::bins::grid::Grid;
use crate::report::bins::ladder::rung;
use crate::report::bins::steps::{Steps, round};
use crate::report::cause::Cause;
use crate::report::error::ReportError;
use crate::time::Duration;

/// Stretches of time in a curve.
const STRETCHES_MAX: u64 = 240;
/// Stretches of time and of addresses in a map of places.
const PLACES_MAX: (u64, u64) = (160, 48);
/// Slowest requests kept.
const SLOWEST_MAX: usize = 10;
/// Longest latency told apart.
const LATENCY_MAX_NS: u64 = 3_600_000_000_000;

/// What is read of each row, numbers first.
const COLUMNS: [&str; 20] = [
    "request",
    "offset",
    "bytes",
    "arrived_ns",
    "due_ns",
    "lag_ns",
    Cause::PARTS[0].1,
    Cause::PARTS[1].1,
    Cause::PARTS[2].1,
    Cause::PARTS[3].1,
    Cause::PARTS[4].1,
    Cause::PARTS[5].1,
    Cause::PARTS[6].1,
    Cause::PARTS[7].1,
    Cause::PARTS[8].1,
    Cause::PARTS[9].1,
    Cause::PARTS[10].1,
    Cause::PARTS[11].1,
    "operation",
    "cause",
];
const FIRST_PART: usize = 6;
const OPERATION: usize = 18;
const CAUSE: usize = 19;

/// The words of operations, in the order of an account.
pub(in crate::report) const OPERATIONS: [&str; 5] =
    ["read", "write", "flush", "trim", "write-zeroes"];

/// A recording, binned.
#[derive(Debug)]
pub(in crate::report) struct Requests {
    /// What is known of how long requests took. Where nothing is, all of them seem to have taken no time.
    pub(in crate::report) took: Took,
    /// When the first request arrived.
    pub(in crate::report) from_ns: u64,
    /// When the last answer was due.
    pub(in crate::report) to_ns: u64,
    /// By operation, in the order of [`OPERATIONS`].
    pub(in crate::report) operations: Vec<OperationUse>,
    /// Sums of the parts, in the order of [`Cause::PARTS`].
    pub(in crate::report) parts: [u64; 12],
    /// How late answers were.
    pub(in crate::report) lag: Lag,
    /// Requests that took longer than each limit of hosts, in the order of [`TimeLimit::ALL`]; nothing of
    /// slow commands, of which it takes several.
    pub(in crate::report) trips: [u64; TimeLimit::ALL.len()],
    /// Stretches of time.
    pub(in crate::report) steps: Steps,
    /// What happened in each.
    pub(in crate::report) stretches: Vec<Stretch>,
    /// The slowest requests, slowest first.
    pub(in crate::report) slowest: Vec<Slow>,
    /// Bytes by time and place that were read, written, discarded.
    pub(in crate::report) places: [Grid; 3],
}

/// How the requests of an operation fared.
#[derive(Debug)]
pub(in crate::report) struct OperationUse {
    /// Its word.
    pub(in crate::report) word: &'static str,
    /// Requests.
    pub(in crate::report) count: u64,
    /// Their bytes.
    pub(in crate::report) bytes: u64,
    /// How long they took, with an error below 1 %.
    pub(in crate::report) took: Histogram<u64>,
    /// How long the longest took.
    pub(in crate::report) longest_ns: u64,
    /// How many by size (its power of two) and how long they took (rungs of the ladder).
    pub(in crate::report) by_size: BTreeMap<(u32, u32), u64>,
}

/// What happened in a stretch of time.
#[derive(Clone, Debug, Default)]
pub(in crate::report) struct Stretch {
    /// Requests answered.
    pub(in crate::report) answered: u64,
    /// Bytes read by them.
    pub(in crate::report) read_bytes: u64,
    /// Bytes written by them, zeroing included.
    pub(in crate::report) written_bytes: u64,
    /// How long they took.
    pub(in crate::report) took: Option<Histogram<u64>>,
    /// The slowest of them.
    pub(in crate::report) slowest: Option<Slow>,
    /// Answers that came late.
    pub(in crate::report) late: u64,
}

/// A slow request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::report) struct Slow {
    /// What was asked.
    pub(in crate::report) operation: String,
    /// First byte.
    pub(in crate::report) offset: u64,
    /// How many bytes.
    pub(in crate::report) bytes: u64,
    /// When it came.
    pub(in crate::report) arrived_ns: u64,
    /// How long it took.
    pub(in crate::report) took_ns: u64,
    /// What took longest of that.
    pub(in crate::report) cause: Cause,
    /// The same in a sentence.
    pub(in crate::report) words: String,
}

struct Bounds {
    rows: u64,
    from_ns: u64,
    to_ns: u64,
    first_byte: u64,
    end_byte: u64,
}

/// Reads the recording; `None`: it has no requests.
pub(super) fn gather(rows: &Rows) -> Result<Option<Requests>, ReportError> {
    let bounds = bounds(rows)?;
    if bounds.rows == 0 {
        return Ok(None);
    }
    let mut requests = Requests::new(&bounds);
    rows.each(&COLUMNS, |row| requests.take(row))?;
    requests.lag.answered = bounds.rows;
    requests.took = Took::of(rows.about(TOOK).as_deref());
    Ok(Some(requests))
}

fn bounds(rows: &Rows) -> Result<Bounds, ReportError> {
    let mut bounds = Bounds {
        rows: 0,
        from_ns: u64::MAX,
        to_ns: 0,
        first_byte: u64::MAX,
        end_byte: 0,
    };
    rows.each(&["arrived_ns", "due_ns", "offset", "bytes"], |row| {
        let (arrived, due) = (row.number(0)?, row.number(1)?);
        let (offset, bytes) = (row.number(2)?, row.number(3)?);
        bounds.rows += 1;
        bounds.from_ns = bounds.from_ns.min(arrived);
        bounds.to_ns = bounds.to_ns.max(due);
        if bytes > 0 {
            bounds.first_byte = bounds.first_byte.min(offset);
            bounds.end_byte = bounds.end_byte.max(offset + bytes);
        }
        Ok(())
    })?;
    bounds.first_byte = bounds.first_byte.min(bounds.end_byte);
    Ok(bounds)
}

fn histogram() -> Histogram<u64> {
    Histogram::new_with_bounds(1, LATENCY_MAX_NS, 2).expect("the bounds are 2 apart or more")
}

impl Requests {
    fn new(bounds: &Bounds) -> Requests {
        let steps = Steps::of_time(bounds.from_ns, bounds.to_ns, STRETCHES_MAX);
        let columns = Steps::of_time(bounds.from_ns, bounds.to_ns, PLACES_MAX.0);
        let span = (bounds.end_byte - bounds.first_byte).max(1);
        let last = bounds.first_byte + span - 1;
        let width = round(span.div_ceil(PLACES_MAX.1));
        let places = Grid::new(columns, Steps::with_width(bounds.first_byte, last, width));
        let operation = |word| OperationUse {
            word,
            count: 0,
            bytes: 0,
            took: histogram(),
            longest_ns: 0,
            by_size: BTreeMap::new(),
        };
        Requests {
            took: Took::default(),
            from_ns: bounds.from_ns,
            to_ns: bounds.to_ns,
            operations: OPERATIONS.map(operation).into(),
            parts: [0; 12],
            lag: Lag::default(),
            trips: [0; TimeLimit::ALL.len()],
            steps,
            stretches: vec![Stretch::default(); steps.len()],
            slowest: Vec::new(),
            places: [places.clone(), places.clone(), places],
        }
    }

    /// How late this machine was does not count.
    fn trip(&mut self, operation: &str, took: Duration) {
        for (limit, trips) in TimeLimit::ALL.into_iter().zip(&mut self.trips) {
            let alone = limit != TimeLimit::SlowCommands && limit.holds_for_word(operation);
            *trips += u64::from(alone && took > limit.duration());
        }
    }

    fn take(&mut self, row: &Row<'_>) -> Result<(), String> {
        let word = row.text(OPERATION)?;
        let kind = OPERATIONS.iter().position(|known| *known == word);
        let kind = kind.ok_or_else(|| {
            format!(
                "its operation is {word:?}, not one of {}",
                OPERATIONS.join(", ")
            )
        })?;
        let (offset, bytes) = (row.number(1)?, row.number(2)?);
        let (arrived, due, lag) = (row.number(3)?, row.number(4)?, row.number(5)?);
        if due < arrived {
            return Err(format!(
                "due at {due} ns, before it arrived at {arrived} ns"
            ));
        }
        let late = if lag > LAG_NOTICED.0 { lag } else { 0 };
        let took = due - arrived + late;
        let mut parts = [0; 12];
        for (at, part) in parts.iter_mut().enumerate() {
            *part = row.number(FIRST_PART + at)?;
            self.parts[at] = self.parts[at].saturating_add(*part);
        }
        self.count(kind, bytes, took);
        self.trip(word, Duration(due - arrived));
        self.place(kind, due, (offset, bytes));
        if late > 0 {
            self.lag.late += 1;
            self.lag.longest = self.lag.longest.max(Duration(late));
            self.lag.sum = Duration(self.lag.sum.0.saturating_add(late));
        }
        let stretch = &mut self.stretches[self.steps.at(due)];
        stretch.count(kind, bytes, took);
        stretch.late += u64::from(late > 0);
        let slow = || -> Result<Slow, String> {
            let cause = Cause::largest(&parts, late);
            // Rows of an imported trace have no parts, and their sentence says so.
            let nobody_says = cause == Cause::Unknown && took > 0;
            let words = if nobody_says { "" } else { row.text(CAUSE)? };
            Ok(Slow {
                operation: word.to_owned(),
                offset,
                bytes,
                arrived_ns: arrived,
                took_ns: took,
                cause,
                words: words.to_owned(),
            })
        };
        if stretch
            .slowest
            .as_ref()
            .is_none_or(|slowest| slowest.took_ns < took)
        {
            stretch.slowest = Some(slow()?);
        }
        let full = self.slowest.len() == SLOWEST_MAX;
        if !full
            || self
                .slowest
                .last()
                .is_some_and(|least| least.took_ns < took)
        {
            let at = self.slowest.partition_point(|other| other.took_ns >= took);
            self.slowest.insert(at, slow()?);
            self.slowest.truncate(SLOWEST_MAX);
        }
        Ok(())
    }

    fn count(&mut self, kind: usize, bytes: u64, took: u64) {
        let operation = &mut self.operations[kind];
        operation.count += 1;
        operation.bytes = operation.bytes.saturating_add(bytes);
        operation.took.saturating_record(took);
        operation.longest_ns = operation.longest_ns.max(took);
        if bytes > 0 {
            let cell = (bytes.ilog2(), rung(took));
            *operation.by_size.entry(cell).or_default() += 1;
        }
    }

    fn place(&mut self, kind: usize, due: u64, (offset, bytes): (u64, u64)) {
        let grid = match OPERATIONS[kind] {
            "read" => 0,
            "trim" => 2,
            _ => 1,
        };
        if bytes > 0 {
            self.places[grid].add_over_rows(due, (offset, offset + bytes), bytes);
        }
    }

    /// Requests in all.
    pub(in crate::report) fn answered(&self) -> u64 {
        self.operations
            .iter()
            .map(|operation| operation.count)
            .sum()
    }

    /// How long half of all requests took at most.
    pub(in crate::report) fn median_ns(&self) -> u64 {
        let mut all = histogram();
        for operation in &self.operations {
            all.add(&operation.took).expect("they have the same bounds");
        }
        all.value_at_quantile(0.5)
    }
}

impl Stretch {
    fn count(&mut self, kind: usize, bytes: u64, took: u64) {
        self.answered += 1;
        match OPERATIONS[kind] {
            "read" => self.read_bytes = self.read_bytes.saturating_add(bytes),
            "write" | "write-zeroes" => {
                self.written_bytes = self.written_bytes.saturating_add(bytes);
            }
            _ => {}
        }
        self.took
            .get_or_insert_with(histogram)
            .saturating_record(took);
    }
}
