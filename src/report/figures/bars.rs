//! Where the time of the requests went, and what the arm did: a bar for each part, with its amount
//! written beside it.

use super::Figure;
use crate::report::amount::{self, float};
use crate::report::cause::Cause;
use crate::report::gather::Material;
use crate::report::group::{self, Group};
use crate::report::plot::axis::Axis;
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::panel::{Frame, Panel};
use crate::report::table::{Table, Value};

const ROW: u32 = 46;
const AROUND: u32 = 130;

struct Bar {
    words: String,
    ink: Ink,
    amount: u64,
}

/// Where the time of the requests went.
pub(super) fn causes(material: &Material) -> Option<Figure> {
    let parts = parts(material)?;
    let total: u64 = parts.iter().fold(0, |sum, (_, ns)| sum.saturating_add(*ns));
    if total == 0 {
        return None;
    }
    let mut table = Table::new(&[("part", "part"), ("time", "ns"), ("share", "share")]);
    let mut bars = Vec::new();
    for (cause, ns) in parts.iter().filter(|(_, ns)| *ns > 0) {
        let share = Value::Text(amount::share(*ns, total));
        table.add(vec![Value::words(cause.words()), Value::Time(*ns), share]);
        bars.push(Bar {
            words: cause.words().to_owned(),
            ink: cause.sign().1,
            amount: *ns,
        });
    }
    let largest = bars.iter().max_by_key(|bar| bar.amount)?;
    Some(Figure {
        id: "parts",
        title: "Where the time of the requests went",
        caption:
            "The parts of all requests together; they add up to all latencies. Where many requests \
                  wait at a time, that is more than the run took."
                .to_owned(),
        told: format!(
            "{} in all; the largest part, {}, is {} of it.",
            amount::time(total),
            largest.words,
            amount::share(largest.amount, total)
        ),
        drawing: canvas::draw(height(&bars), |area| {
            draw(area, &bars, ("", "time"), amount::time)
        }),
        data: table.clone(),
        tables: vec![("Parts of the time of all requests".to_owned(), table)],
    })
}

fn parts(material: &Material) -> Option<Vec<(Cause, u64)>> {
    if let Some(requests) = material.timed() {
        let parts = Cause::PARTS.iter().zip(requests.parts);
        let lag = (Cause::Lag, requests.lag.sum.0);
        return Some(
            parts
                .map(|((cause, _), ns)| (*cause, ns))
                .chain([lag])
                .collect(),
        );
    }
    let told = material.told.as_ref()?;
    let named =
        |(cause, column): &(Cause, &str)| (*cause, told.causes.get(*column).copied().unwrap_or(0));
    Some(Cause::PARTS.iter().map(named).collect())
}

/// What the arm did.
pub(super) fn purposes(material: &Material) -> Option<Figure> {
    let used = used(material);
    let all = |of: fn(&Used) -> u64| {
        used.iter()
            .fold(0_u64, |sum, one| sum.saturating_add(of(one)))
    };
    let (time, bytes) = (all(|one| one.arm_ns), all(|one| one.bytes));
    let longest = used.iter().max_by_key(|one| one.arm_ns)?;
    let mut table = Table::new(&[
        ("purpose", "purpose"),
        ("what for", "group"),
        ("time of the arm", "arm_ns"),
        ("bytes passed over", "bytes"),
    ]);
    for one in &used {
        table.add(vec![
            Value::words(&one.word),
            Value::words(one.group.map_or("", Group::words)),
            Value::Time(one.arm_ns),
            Value::Bytes(one.bytes),
        ]);
    }
    Some(Figure {
        id: "purposes",
        title: "What the arm did, by purpose",
        caption: "Time of the arm and bytes of the medium passed over, padding included."
            .to_owned(),
        told: format!(
            "{} of the arm and {} passed over; most of the time, {}, was {}.",
            amount::time(time),
            amount::bytes(bytes),
            amount::share(longest.arm_ns, time),
            longest.word
        ),
        drawing: draw_purposes(&used),
        data: table.clone(),
        tables: vec![("Purposes of the arm".to_owned(), table)],
    })
}

struct Used {
    word: String,
    group: Option<Group>,
    bytes: u64,
    arm_ns: u64,
}

fn used(material: &Material) -> Vec<Used> {
    let mut used: Vec<Used> = match (&material.jobs, &material.told) {
        (Some(jobs), _) => jobs
            .purposes
            .iter()
            .map(|one| Used {
                word: one.purpose.word().to_owned(),
                group: Some(Group::of(one.purpose)),
                bytes: one.bytes,
                arm_ns: one.arm_ns,
            })
            .collect(),
        (None, Some(told)) => told
            .purposes
            .iter()
            .map(|one| Used {
                word: one.purpose.clone(),
                group: group::purpose(&one.purpose).map(Group::of),
                bytes: one.bytes,
                arm_ns: one.arm_ns,
            })
            .collect(),
        (None, None) => Vec::new(),
    };
    used.retain(|one| one.bytes > 0 || one.arm_ns > 0);
    used
}

fn draw_purposes(used: &[Used]) -> Drawing {
    let bars = |of: fn(&Used) -> u64| -> Vec<Bar> {
        let bar = |one: &Used| Bar {
            words: one.word.clone(),
            ink: one.group.map_or(Ink::Other, Group::ink),
            amount: of(one),
        };
        used.iter().map(bar).collect()
    };
    let (times, bytes) = (bars(|one| one.arm_ns), bars(|one| one.bytes));
    canvas::draw(height(&times) + height(&bytes), |area| {
        let (upper, lower) = area.split_vertically(height(&times));
        draw(&upper, &times, ("Time of the arm", "time"), amount::time)?;
        draw(
            &lower,
            &bytes,
            ("Bytes passed over", "bytes"),
            amount::bytes,
        )
    })
}

fn height(bars: &[Bar]) -> u32 {
    AROUND + ROW * u32::try_from(bars.len()).unwrap_or(0)
}

fn draw(
    area: &Area<'_>,
    bars: &[Bar],
    (title, unit): (&str, &str),
    shown: fn(u64) -> String,
) -> DrawResult {
    let words: Vec<&str> = bars.iter().map(|bar| bar.words.as_str()).collect();
    let up = Axis::words(&words);
    let most = bars.iter().map(|bar| bar.amount).max().unwrap_or(1).max(1);
    // Room for the amount beside the longest bar.
    let across = if unit == "time" {
        Axis {
            name: unit.to_owned(),
            ..Axis::time(0, most.saturating_add(most / 6))
        }
    } else {
        Axis::between(unit, (0, most.saturating_add(most / 6)), 8, shown)
    };
    let frame = Frame {
        title,
        left: 420,
        ..Frame::default()
    };
    let panel = Panel::new(area, frame, &across, &up)?;
    for (bar, (middle, _)) in bars.iter().zip(&up.ticks) {
        let end = float(bar.amount);
        panel.cell((0.0, middle - 0.33), (end, middle + 0.33), bar.ink, 4)?;
        panel.text((end, *middle), &shown(bar.amount))?;
    }
    Ok(())
}
