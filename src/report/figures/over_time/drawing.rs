//! Owns how throughput and latency over time are drawn, and the strip of causes below them.
//!
//! Always holds: the panels share their times, and the last of them names these. Where it is not known how long
//! requests took, throughput stands alone.

use super::is_timed;
use crate::report::amount::{self, float};
use crate::report::cause::Cause;
use crate::report::flow::{Flow, Point, SlowTime};
use crate::report::plot::axis::{Axis, logarithm};
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Line, Panel};

const THROUGHPUT_HEIGHT: u32 = 300;
const LATENCY_HEIGHT: u32 = 400;
const CAUSE_HEIGHT: u32 = 40;
/// Room for the words of causes, and so on the left of every panel: their times are the same.
const LEFT: u32 = 320;

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

pub(super) fn drawing(flow: &Flow, slow: &[SlowTime], listed: &[&SlowTime]) -> Drawing {
    let causes = by_cause(slow);
    let entries = entries(flow, &causes);
    let above = key::rows(&entries) * key::ROW;
    let rows = u32::try_from(causes.len()).unwrap_or(0);
    let below = if rows == 0 {
        0
    } else {
        150 + rows * CAUSE_HEIGHT
    };
    let timed = is_timed(flow);
    // The last panel has room for the axis.
    let (throughput, latency) = if timed {
        (THROUGHPUT_HEIGHT, LATENCY_HEIGHT)
    } else {
        (THROUGHPUT_HEIGHT + 38, 0)
    };
    let height = above + throughput + latency + below;
    canvas::draw(height, |area| {
        let (top, rest) = area.split_vertically(above);
        key::draw(&top, &entries)?;
        if !timed {
            return draw_throughput(&rest, flow, true);
        }
        let (throughput, rest) = rest.split_vertically(THROUGHPUT_HEIGHT);
        draw_throughput(&throughput, flow, false)?;
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
    if is_timed(flow) {
        entries.push(line(Ink::Alarm, Line::Dotted, "slowest"));
    }
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

/// `last`: no panel follows that names the times.
fn draw_throughput(area: &Area<'_>, flow: &Flow, last: bool) -> DrawResult {
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
        below: if last { 86 } else { 48 },
    };
    let mut panel = Panel::new(area, frame, &time_axis(flow, last), &up)?;
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
