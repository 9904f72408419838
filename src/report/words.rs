//! Owns the summary in words at the top of a page: what was run, how long, what was slow and why, and
//! whether the machine that served it spoiled the figures.
//!
//! Every number is one of the material's; where nothing is known, nothing is said.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::amount;
use super::cause::Cause;
use super::flow::Flow;
use super::gather::Material;
use super::gather::matrix::Matrix;
use super::gather::requests::{Requests, Slow};
use super::gather::told::{Told, Tripped};
use crate::host::account::lag_words;
use crate::host::time_limits::TimeLimit;
use crate::lab::recording::Took;
use crate::units::count;

/// A sentence or two under a word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Said {
    /// What it is about.
    pub(super) about: &'static str,
    /// What is said.
    pub(super) text: String,
    /// Whether a person should know before looking at anything else.
    pub(super) alarm: bool,
}

/// Parts of the time that are named.
const PARTS_NAMED: usize = 3;
/// Failed cells that are named.
const FAILED_NAMED_MAX: usize = 20;

/// All that is said, in the order of a page.
pub(super) fn said(material: &Material) -> Vec<Said> {
    let mut said = Vec::new();
    let mut say = |about, text: Option<String>, alarm| {
        said.extend(text.map(|text| Said { about, text, alarm }));
    };
    say("What was run", run(material), false);
    say("How much, how long", amounts(material), false);
    say("What was slow", slow(material), false);
    say("Why", why(material), false);
    say("Inside the drive", inside(material), false);
    say("Limits of hosts", limits(material), false);
    let (lag, affected) = lag(material);
    say("Lag", lag, affected);
    if let Some(matrix) = &material.matrix {
        let failed = matrix.cells.iter().any(|cell| cell.outcome != "passed");
        say("Matrix", Some(of_matrix(matrix)), failed);
    }
    said
}

/// A title for the page, where nobody gives one.
pub(super) fn title(material: &Material) -> String {
    let about = &material.about;
    match (&about.workload, &about.profile, &material.matrix) {
        (Some(workload), Some(profile), _) => format!("{workload} on {profile}"),
        (None, Some(profile), _) => format!("A session of {profile}"),
        (Some(workload), None, _) => workload.clone(),
        (None, None, Some(matrix)) => {
            let name = matrix.head.get("name").and_then(|name| name.as_str());
            format!("Matrix {}", name.unwrap_or("without a name"))
        }
        (None, None, None) => "Report of a drive".to_owned(),
    }
}

fn run(material: &Material) -> Option<String> {
    let about = &material.about;
    if about.profile.is_none() && about.workload.is_none() {
        let requests = material.requests.as_ref();
        return requests.map(|_| "A recording that names no drive and no workload.".to_owned());
    }
    let mut text = match &about.workload {
        Some(workload) => format!("The workload {workload}"),
        None => "A session".to_owned(),
    };
    if let Some(profile) = &about.profile {
        let _ = write!(text, " on {profile}");
    }
    if let Some(capacity) = about.capacity_bytes.filter(|bytes| *bytes > 0) {
        let _ = write!(text, ", which offers {}", amount::bytes(capacity));
    }
    if let Some(seed) = &about.seed {
        let _ = write!(text, "; seed {seed}");
    }
    if let Some(began) = &about.began {
        let _ = write!(text, "; the drive began {began}");
    }
    Some(text + ".")
}

fn amounts(material: &Material) -> Option<String> {
    let mut text = match (&material.requests, &material.told) {
        (Some(requests), _) => {
            let took = requests.to_ns - requests.from_ns;
            let bytes = |word| {
                let found = requests.operations.iter().find(|one| one.word == word);
                found.map_or(0, |one| one.bytes)
            };
            let written = bytes("write").saturating_add(bytes("write-zeroes"));
            let done = if material.timed().is_some() {
                "answered"
            } else {
                "asked"
            };
            flowed((requests.answered(), done), took, (bytes("read"), written))
        }
        (None, Some(told)) => {
            let sum = |of: fn(&super::gather::told::Bucket) -> u64| {
                told.over_time
                    .buckets
                    .iter()
                    .map(of)
                    .fold(0, u64::saturating_add)
            };
            let bytes = (
                sum(|bucket| bucket.read_bytes),
                sum(|bucket| bucket.written_bytes),
            );
            flowed((told.answered, "answered"), told.answered_ns, bytes)
        }
        (None, None) => String::new(),
    };
    if let Some(drained) = material.told.as_ref().and_then(|told| told.drained_ns) {
        let _ = write!(
            text,
            " The drive had nothing left to do after {}.",
            amount::time(drained)
        );
    }
    if let Some(jobs) = &material.jobs {
        let took = amount::time(jobs.to_ns - jobs.from_ns);
        let _ = write!(text, " The jobs of the arm cover {took}.");
    }
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

fn flowed((requests, done): (u64, &str), took_ns: u64, (read, written): (u64, u64)) -> String {
    let mut text = format!("{} {done}", amount::counted(requests, "request"));
    // All in one moment, as of a trace that tells no times: there is no rate.
    let timed = took_ns > 0;
    if timed {
        let _ = write!(text, " in {} of model time", amount::time(took_ns));
    }
    for (bytes, word) in [(read, "read"), (written, "written")] {
        if bytes > 0 {
            let _ = write!(text, "; {} {word}", amount::bytes(bytes));
        }
        if bytes > 0 && timed {
            let _ = write!(text, " ({})", amount::rate(bytes, took_ns));
        }
    }
    text + "."
}

/// What is said of times that are not known.
const UNTIMED: &str = "How long requests took is not known: the trace that was imported does not tell it, so \
                       neither what was slow nor what a host would have thought of it is told here.";

fn slow(material: &Material) -> Option<String> {
    if material.is_untimed() {
        return Some(UNTIMED.to_owned());
    }
    let flow = Flow::of(material)?;
    let mut sentences: Vec<String> = slowest(material).into_iter().collect();
    let told = material.told.as_ref();
    if let Some(stall) = told.and_then(|told| told.longest_stall.as_ref()) {
        let (took, from) = (amount::time(stall.took_ns), amount::time(stall.from_ns));
        let cause = &stall.cause;
        sentences.push(format!(
            "The longest time without an answer was {took}, from {from} on: {cause}."
        ));
    }
    sentences.push(slow_times(&flow));
    Some(sentences.join(" "))
}

/// The slowest request.
fn slowest(material: &Material) -> Option<String> {
    let slow = match (material.timed(), &material.told) {
        (Some(requests), _) => requests.slowest.first()?.clone(),
        (None, Some(told)) => told.slowest.first().map(|slow| Slow {
            operation: slow.operation.clone(),
            offset: slow.offset,
            bytes: slow.bytes,
            arrived_ns: slow.arrived_ns,
            took_ns: slow.took_ns,
            cause: Cause::of_sentence(&slow.cause),
            words: slow.cause.clone(),
        })?,
        (None, None) => return None,
    };
    let took = amount::time(slow.took_ns);
    let mut text = format!("The slowest request took {took}: a {}", slow.operation);
    if slow.bytes > 0 {
        let (size, offset) = (amount::size(slow.bytes), amount::grouped(slow.offset));
        let _ = write!(text, " of {size} at byte {offset}");
    }
    if !slow.words.is_empty() {
        let _ = write!(text, "; {}", slow.words);
    }
    Some(text + ".")
}

/// How often requests were slow, how slow, and why: the longest first.
fn slow_times(flow: &Flow) -> String {
    let limit = amount::time(flow.slow_ns);
    let times = flow.slow_times();
    if times.is_empty() {
        return format!(
            "None took {limit} or more, from which on a request is counted as slow here."
        );
    }
    let mut causes: BTreeMap<Cause, (usize, u64)> = BTreeMap::new();
    for time in &times {
        let (count, longest) = causes.entry(time.slowest.cause).or_default();
        *count += 1;
        *longest = (*longest).max(time.slowest.took_ns);
    }
    let mut causes: Vec<(Cause, (usize, u64))> = causes.into_iter().collect();
    causes.sort_by_key(|(_, (_, longest))| std::cmp::Reverse(*longest));
    let named = causes.iter().map(|(cause, (count, longest))| {
        let longest = amount::time(*longest);
        format!("{} ({count}, up to {longest})", cause.words())
    });
    let named: Vec<String> = named.collect();
    let count = times.len();
    let noun = if count == 1 { "time" } else { "times" };
    let named = named.join(", ");
    format!("At {count} {noun} a request took {limit} or more, mostly: {named}.")
}

fn why(material: &Material) -> Option<String> {
    let mut parts: Vec<(Cause, u64)> = match (material.timed(), &material.told) {
        (Some(requests), _) => of_requests(requests),
        (None, Some(told)) => of_told(told),
        (None, None) => return None,
    };
    let total = parts
        .iter()
        .fold(0_u64, |sum, (_, ns)| sum.saturating_add(*ns));
    if total == 0 {
        let text = "Where the time of the requests went is not in these files.";
        return Some(text.to_owned());
    }
    parts.sort_by_key(|(_, ns)| std::cmp::Reverse(*ns));
    let largest = parts.iter().filter(|(_, ns)| *ns > 0).take(PARTS_NAMED);
    let named =
        largest.map(|(cause, ns)| format!("{} {}", cause.words(), amount::share(*ns, total)));
    let named: Vec<String> = named.collect();
    let all = amount::time(total);
    Some(format!(
        "Of the {all} that all requests took together: {}.",
        named.join(", ")
    ))
}

fn of_requests(requests: &Requests) -> Vec<(Cause, u64)> {
    let parts = Cause::PARTS.iter().zip(requests.parts);
    parts.map(|((cause, _), ns)| (*cause, ns)).collect()
}

fn of_told(told: &Told) -> Vec<(Cause, u64)> {
    let known =
        |(cause, column): &(Cause, &str)| (*cause, told.causes.get(*column).copied().unwrap_or(0));
    Cause::PARTS.iter().map(known).collect()
}

fn inside(material: &Material) -> Option<String> {
    let mut text = String::new();
    if let Some(told) = &material.told
        && let Some(milli) = told.write_amplification_milli
    {
        text = format!(
            "{} went to the medium for {} that the host wrote: write amplification {}.",
            amount::bytes(told.medium_written_bytes),
            amount::bytes(told.host_written_bytes),
            amount::thousandths(milli)
        );
    }
    let last = match (&material.jobs, &material.told) {
        (Some(jobs), _) => {
            let last = jobs.fill.iter().flatten().last();
            last.map(|fill| (fill.slots, fill.dirty))
        }
        (None, Some(told)) => Some((told.status.staging_slots_used, told.status.dirty_bands)),
        (None, None) => None,
    };
    if let (Some((slots, dirty)), Some(all)) = (last, material.about.staging_slots) {
        let _ = write!(
            text,
            " At the end {} of the staging area was in use; dirty bands: {}.",
            amount::share(slots, all),
            amount::grouped(dirty)
        );
    }
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

fn limits(material: &Material) -> Option<String> {
    let told = material.told.as_ref().map(|told| &told.host_limits);
    let trips: Vec<(String, u64, u64)> = match (told, material.timed()) {
        (Some(limits), _) if !limits.is_empty() => {
            let of = |told: &Tripped| (told.limit.clone(), told.limit_ns, told.trips);
            limits.iter().map(of).collect()
        }
        (_, Some(requests)) => TimeLimit::ALL
            .into_iter()
            .zip(requests.trips)
            .map(|(limit, trips)| (limit.to_string(), limit.duration().0, trips))
            .collect(),
        _ => return None,
    };
    let tripped = trips.iter().filter(|(_, _, trips)| *trips > 0);
    let tripped: Vec<String> = tripped
        .map(|(limit, limit_ns, trips)| {
            let times = if *trips == 1 {
                "once".to_owned()
            } else {
                format!("{trips} times")
            };
            format!("{limit} ({}) {times}", amount::time(*limit_ns))
        })
        .collect();
    Some(if tripped.is_empty() {
        "No limit of a host was tripped.".to_owned()
    } else {
        format!("Tripped: {}.", tripped.join(", "))
    })
}

/// What is to be said of lag, and whether it affects the figures.
fn lag(material: &Material) -> (Option<String>, bool) {
    // Nobody measured by how much the answers of another drive were late.
    let requests = material.requests.as_ref();
    if let Some(requests) = requests.filter(|requests| requests.took == Took::Parts) {
        let mut text = lag_words(&requests.lag);
        if let Some(first) = text.get(..1) {
            text = first.to_uppercase() + &text[1..];
        }
        return (Some(text + "."), requests.lag.late > 0);
    }
    let Some(told) = &material.told else {
        return (None, false);
    };
    match &told.agreement {
        Some(agreement) if agreement.late > 0 => {
            let latest = amount::time(agreement.lag_ns_max);
            let late = amount::counted(agreement.late, "late answer");
            let text = format!(
                "None here, in virtual time; but the session that was replayed had {late}, \
                 the latest by {latest}."
            );
            (Some(text), true)
        }
        _ => (Some("None: the run was in virtual time.".to_owned()), false),
    }
}

fn of_matrix(matrix: &Matrix) -> String {
    let mut outcomes: BTreeMap<&str, usize> = BTreeMap::new();
    for cell in &matrix.cells {
        *outcomes.entry(cell.outcome.as_str()).or_default() += 1;
    }
    let counted: Vec<String> = outcomes
        .iter()
        .map(|(outcome, count)| format!("{count} {outcome}"))
        .collect();
    let cells = amount::counted(count(matrix.cells.len()), "cell");
    let mut text = format!("{cells}: {}.", counted.join(", "));
    let failed = matrix.cells.iter().filter(|cell| cell.outcome == "failed");
    let failed: Vec<String> = failed.map(|cell| cell.number.to_string()).collect();
    if let Some(more) = failed.len().checked_sub(FAILED_NAMED_MAX + 1) {
        let named = failed[..FAILED_NAMED_MAX].join(", ");
        let _ = write!(text, " Failed: {named} and {} more.", more + 1);
    } else if !failed.is_empty() {
        let _ = write!(text, " Failed: {}.", failed.join(", "));
    }
    if matrix.cells.is_empty() {
        "It has no cells yet.".clone_into(&mut text);
    }
    if matrix.cut {
        text += " The last line of the file is cut off: its writer was killed, or still writes.";
    }
    text
}
