//! Throughput and latency over time, with the cause of each slow time marked by shape, colour and words.

mod drawing;

use std::fmt::Write as _;

use super::Figure;
use crate::report::amount;
use crate::report::cause::Cause;
use crate::report::flow::{Flow, Point, SlowTime};
use crate::report::gather::Material;
use crate::report::table::{Table, Value};
use crate::units::{count, counted};

/// Slow times listed and numbered.
const LISTED_MAX: usize = 12;

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let flow = Flow::of(material)?;
    let slow = flow.slow_times();
    let listed = listed(&slow);
    let step = amount::time(flow.steps.width());
    let limit = amount::time(flow.slow_ns);
    let timed = is_timed(&flow);
    let title = if timed {
        "Throughput and latency over time"
    } else {
        "Throughput over time"
    };
    let mut tables = Vec::new();
    if !slow.is_empty() {
        let caption = format!("Times with requests that took {limit} or more, the slowest first");
        tables.push((caption, slow_table(&listed)));
    }
    let data = data(&flow);
    let what = if timed {
        "Throughput and latency"
    } else {
        "Throughput"
    };
    tables.push((format!("{what}, each {step}"), data.clone()));
    Some(Figure {
        id: "over-time",
        title,
        caption: if timed {
            caption(&step, &limit, &slow)
        } else {
            format!(
                "Each step is {step}. When requests were answered is not known: they count when they came."
            )
        },
        told: told(&flow, &slow, &limit),
        drawing: drawing::drawing(&flow, &slow, &listed),
        data,
        tables,
    })
}

/// Whether it is known how long requests took.
fn is_timed(flow: &Flow) -> bool {
    let mut points = flow.points.iter();
    points.all(|point| point.slowest.is_some() || point.answered == 0)
}

fn caption(step: &str, limit: &str, slow: &[SlowTime]) -> String {
    let mut text = format!(
        "Each step is {step}. A sign stands at the slowest request of a time in which one took {limit} \
         or more (ten times what half of all took, and 50 ms at least); its shape, colour and row say \
         why, its number leads to the table."
    );
    if slow.iter().any(|time| time.slowest.cause == Cause::Unknown) {
        text += " Where the cause is not told, a recording of the run would tell it: a summary names \
                 those of its ten slowest requests, an imported trace none.";
    }
    text
}

/// The slowest times, slowest first.
fn listed(slow: &[SlowTime]) -> Vec<&SlowTime> {
    let mut listed: Vec<&SlowTime> = slow.iter().collect();
    listed.sort_by_key(|time| std::cmp::Reverse(time.slowest.took_ns));
    listed.truncate(LISTED_MAX);
    listed
}

fn told(flow: &Flow, slow: &[SlowTime], limit: &str) -> String {
    let most = |of: fn(&Point) -> u64| flow.points.iter().map(of).max().unwrap_or(0);
    let width = flow.steps.width();
    let (read, written) = (
        most(|point| point.read_bytes),
        most(|point| point.written_bytes),
    );
    let mut told = format!(
        "From {} to {} of model time. At most {} were read and {} written.",
        amount::time(flow.steps.start()),
        amount::time(flow.steps.end()),
        amount::rate(read, width),
        amount::rate(written, width),
    );
    if !is_timed(flow) {
        return told + " How long requests took is not known.";
    }
    if slow.is_empty() {
        return told
            + &format!(" None took {limit} or more, from which on it would be marked as slow.");
    }
    let times = counted(count(slow.len()), "time");
    let _ = write!(
        told,
        " {times} with requests that took {limit} or more; the slowest request:"
    );
    if let Some(worst) = slow.iter().max_by_key(|time| time.slowest.took_ns) {
        let took = amount::time(worst.slowest.took_ns);
        let _ = write!(told, " {took}, {}.", worst.slowest.cause.words());
    }
    told
}

fn slow_table(listed: &[&SlowTime]) -> Table {
    let mut table = Table::new(&[
        ("number", "number"),
        ("from", "from_ns"),
        ("to", "to_ns"),
        ("slowest request", "slowest_ns"),
        ("mostly", "cause"),
        ("where its time went", "words"),
    ]);
    for (number, time) in (1..).zip(listed) {
        table.add(vec![
            Value::Count(number),
            Value::Time(time.from_ns),
            Value::Time(time.to_ns),
            Value::Time(time.slowest.took_ns),
            Value::words(time.slowest.cause.words()),
            Value::words(&time.slowest.words),
        ]);
    }
    table
}

fn data(flow: &Flow) -> Table {
    let mut table = Table::new(&[
        ("from", "from_ns"),
        ("to", "to_ns"),
        ("answered", "answered"),
        ("read", "read_bytes"),
        ("written", "written_bytes"),
        ("50 %", "p50_ns"),
        ("99 %", "p99_ns"),
        ("slowest", "slowest_ns"),
        ("mostly", "slowest_cause"),
        ("late answers", "late"),
    ]);
    let perhaps = |value: Option<u64>| value.map_or(Value::Nothing, Value::Time);
    for (at, point) in flow.points.iter().enumerate() {
        let (from, to) = flow.bounds(at);
        let slowest = point.slowest.as_ref();
        table.add(vec![
            Value::Time(from),
            Value::Time(to),
            Value::Count(point.answered),
            Value::Bytes(point.read_bytes),
            Value::Bytes(point.written_bytes),
            perhaps(point.p50_ns),
            perhaps(point.p99_ns),
            perhaps(slowest.map(|slow| slow.took_ns)),
            slowest.map_or(Value::Nothing, |slow| Value::words(slow.cause.words())),
            Value::Count(point.late),
        ]);
    }
    table
}
