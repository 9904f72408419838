//! Throughput and latency over time, with the cause of each slow time marked by shape, colour and words.

use std::fmt::Write as _;

use super::Figure;
use crate::report::amount::{self, float};
use crate::report::cause::Cause;
use crate::report::flow::{Flow, Point, SlowTime};
use crate::report::gather::Material;
use crate::report::plot::axis::{Axis, logarithm};
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Line, Panel};
use crate::report::table::{Table, Value};

/// Slow times listed and numbered.
const LISTED_MAX: usize = 12;
const THROUGHPUT_HEIGHT: u32 = 300;
const LATENCY_HEIGHT: u32 = 400;
const CAUSE_HEIGHT: u32 = 40;
/// Room for the words of causes, and so on the left of every panel: their times are the same.
const LEFT: u32 = 320;

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let flow = Flow::of(material)?;
    let slow = flow.slow_times();
    let listed = listed(&slow);
    let times = amount::time(flow.steps.width());
    let limit = amount::time(flow.slow_ns);
    let mut tables = Vec::new();
    if !slow.is_empty() {
        let caption = format!("Times with requests that took {limit} or more, the slowest first");
        tables.push((caption, slow_table(&listed)));
    }
    let data = data(&flow);
    tables.push((
        format!("Throughput and latency, each {times}"),
        data.clone(),
    ));
    Some(Figure {
        id: "over-time",
        title: "Throughput and latency over time",
        caption: caption(&times, &limit, &slow),
        told: told(&flow, &slow, &limit),
        drawing: drawing(&flow, &slow, &listed),
        data,
        tables,
    })
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
    if slow.is_empty() {
        return told
            + &format!(" None took {limit} or more, from which on it would be marked as slow.");
    }
    let times = match slow.len() {
        1 => "1 time".to_owned(),
        count => format!("{count} times"),
    };
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

/// Causes that occur, in the order of a breakdown, with their slow times.
fn by_cause(slow: &[SlowTime]) -> Vec<(Cause, Vec<&SlowTime>)> {
    let mut causes: Vec<Cause> = slow.iter().map(|time| time.slowest.cause).collect();
    causes.sort_unstable();
    causes.dedup();
    let times = |cause| slow.iter().filter(move |time| time.slowest.cause == cause);
    causes
        .into_iter()
        .map(|cause| (cause, times(cause).collect()))
        .collect()
}

fn drawing(flow: &Flow, slow: &[SlowTime], listed: &[&SlowTime]) -> Drawing {
    let causes = by_cause(slow);
    let entries = entries(flow, &causes);
    let above = key::rows(&entries) * key::ROW;
    let rows = u32::try_from(causes.len()).unwrap_or(0);
    let below = if rows == 0 {
        0
    } else {
        150 + rows * CAUSE_HEIGHT
    };
    let height = above + THROUGHPUT_HEIGHT + LATENCY_HEIGHT + below;
    canvas::draw(height, |area| {
        let (top, rest) = area.split_vertically(above);
        key::draw(&top, &entries)?;
        let (throughput, rest) = rest.split_vertically(THROUGHPUT_HEIGHT);
        draw_throughput(&throughput, flow)?;
        let (latency, strip) = rest.split_vertically(LATENCY_HEIGHT);
        draw_latency(&latency, flow, slow, listed)?;
        if causes.is_empty() {
            return Ok(());
        }
        draw_causes(&strip, flow, &causes)
    })
}

fn entries(flow: &Flow, causes: &[(Cause, Vec<&SlowTime>)]) -> Vec<(Sign, String)> {
    let line = |ink, line, words: &str| (Sign::Line(ink, line, None), words.to_owned());
    let mut entries = vec![
        line(Ink::Reads, Line::Solid, "read"),
        line(Ink::Writes, Line::Dashed, "written"),
    ];
    if flow.points.iter().any(|point| point.p50_ns.is_some()) {
        entries.push(line(Ink::Text, Line::Solid, "half took no longer"));
        entries.push(line(Ink::Other, Line::Dashed, "99 % took no longer"));
    }
    entries.push(line(Ink::Alarm, Line::Dotted, "slowest"));
    for (cause, _) in causes {
        let (shape, ink) = cause.sign();
        entries.push((Sign::Shape(ink, shape), cause.words().to_owned()));
    }
    entries
}

fn time_axis(flow: &Flow, named: bool) -> Axis {
    let axis = Axis::time(flow.steps.start(), flow.steps.end());
    if named {
        axis
    } else {
        Axis {
            name: String::new(),
            ..axis
        }
    }
}

fn draw_throughput(area: &Area<'_>, flow: &Flow) -> DrawResult {
    let rate = |bytes| amount::per_second(bytes, flow.steps.width());
    let most = flow
        .points
        .iter()
        .map(|point| point.read_bytes.max(point.written_bytes))
        .max();
    let up = Axis::up_to("", rate(most.unwrap_or(0)), |value| {
        format!("{}/s", amount::bytes(value))
    });
    let frame = Frame {
        title: "Throughput",
        left: LEFT,
        below: 48,
    };
    let mut panel = Panel::new(area, frame, &time_axis(flow, false), &up)?;
    let known = |of: fn(&Point) -> u64| {
        let values = flow
            .points
            .iter()
            .map(move |point| Some(float(rate(of(point)))));
        values.collect::<Vec<_>>()
    };
    steps(
        &mut panel,
        flow,
        &known(|point| point.read_bytes),
        Ink::Reads,
        Line::Solid,
    )?;
    steps(
        &mut panel,
        flow,
        &known(|point| point.written_bytes),
        Ink::Writes,
        Line::Dashed,
    )
}

fn draw_latency(
    area: &Area<'_>,
    flow: &Flow,
    slow: &[SlowTime],
    listed: &[&SlowTime],
) -> DrawResult {
    let took = |point: &Point| point.slowest.as_ref().map(|slow| slow.took_ns);
    let longest = flow.points.iter().filter_map(took).max().unwrap_or(0);
    let least = |point: &Point| point.p50_ns.or(took(point));
    let shortest = flow.points.iter().filter_map(least).min().unwrap_or(0);
    // Room for the numbers above the signs.
    let mut up = Axis::log_time("", shortest, longest);
    up.ends.1 += (up.ends.1 - up.ends.0) * 0.12;
    let frame = Frame {
        title: "Latency",
        left: LEFT,
        below: if slow.is_empty() { 86 } else { 48 },
    };
    let mut panel = Panel::new(area, frame, &time_axis(flow, slow.is_empty()), &up)?;
    let known = |of: &dyn Fn(&Point) -> Option<u64>| {
        let values = flow.points.iter().map(|point| of(point).map(logarithm));
        values.collect::<Vec<_>>()
    };
    steps(&mut panel, flow, &known(&took), Ink::Alarm, Line::Dotted)?;
    steps(
        &mut panel,
        flow,
        &known(&|point| point.p99_ns),
        Ink::Other,
        Line::Dashed,
    )?;
    steps(
        &mut panel,
        flow,
        &known(&|point| point.p50_ns),
        Ink::Text,
        Line::Solid,
    )?;
    let place = |time: &SlowTime| {
        let (from, to) = flow.bounds(time.at);
        (float(from / 2 + to / 2), logarithm(time.slowest.took_ns))
    };
    for time in slow {
        panel.mark(place(time), time.slowest.cause.sign())?;
    }
    let marks: Vec<(i32, i32)> = slow.iter().map(|time| panel.pixel(place(time))).collect();
    let mut numbered: Vec<(i32, i32)> = Vec::new();
    for (number, time) in (1..).zip(listed) {
        let (x, y) = panel.pixel(place(time));
        // A number that would cover another one, or a sign, is left to the table.
        let beside = |other: &(i32, i32)| (other.0 - x).abs() > 40 || (other.1 - y).abs() > 30;
        let covers =
            |mark: &(i32, i32)| (mark.0 - x).abs() < 30 && (y - 54..y - 6).contains(&mark.1);
        if numbered.iter().all(beside) && !marks.iter().any(covers) {
            panel.text_above(place(time), &format!("{number}"))?;
            numbered.push((x, y));
        }
    }
    Ok(())
}

fn draw_causes(area: &Area<'_>, flow: &Flow, causes: &[(Cause, Vec<&SlowTime>)]) -> DrawResult {
    let words: Vec<&str> = causes.iter().map(|(cause, _)| cause.words()).collect();
    let up = Axis::words(&words);
    let frame = Frame {
        title: "When requests were slow, and why",
        left: LEFT,
        ..Frame::default()
    };
    let panel = Panel::new(area, frame, &time_axis(flow, true), &up)?;
    for ((cause, times), (middle, _)) in causes.iter().zip(&up.ticks) {
        let (shape, ink) = cause.sign();
        for time in times {
            let from = float(time.from_ns.max(flow.steps.start()));
            let to = float(time.to_ns);
            panel.cell((from, middle - 0.34), (to, middle + 0.34), ink, 4)?;
            let at = (f64::midpoint(from, to), *middle);
            // On a bar that is wide enough, its sign has the colour of the paper.
            let wide = panel.pixel((to, 0.0)).0 - panel.pixel((from, 0.0)).0 > 30;
            panel.mark(at, (shape, if wide { Ink::Paper } else { ink }))?;
        }
    }
    Ok(())
}

/// A line that holds its height for each step; where nothing is known it has a gap.
fn steps(
    panel: &mut Panel<'_>,
    flow: &Flow,
    values: &[Option<f64>],
    ink: Ink,
    line: Line,
) -> DrawResult {
    let mut points = Vec::new();
    for (at, value) in values.iter().enumerate() {
        match value {
            Some(value) => {
                let (from, to) = flow.bounds(at);
                points.extend([(float(from), *value), (float(to), *value)]);
            }
            None if points.is_empty() => {}
            None => panel.line(&std::mem::take(&mut points), ink, line)?,
        }
    }
    if points.is_empty() {
        return Ok(());
    }
    panel.line(&points, ink, line)
}
