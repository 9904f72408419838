//! How full the staging area was over time, and how many bands were dirty.

use super::Figure;
use crate::report::amount::{self, float};
use crate::report::bins::steps::Steps;
use crate::report::gather::Material;
use crate::report::gather::jobs::Fill;
use crate::report::plot::axis::Axis;
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Line, Panel};
use crate::report::table::{Table, Value};

const UPPER: u32 = 320;
const LOWER: u32 = 330;

/// How full it was, stretch by stretch.
struct Levels {
    steps: Steps,
    fill: Vec<Option<Fill>>,
    slots: Option<u64>,
}

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let levels = levels(material)?;
    let known = || levels.fill.iter().flatten();
    if known().all(|fill| fill.slots_max == 0 && fill.dirty_max == 0) {
        return None;
    }
    let fullest = known().map(|fill| fill.slots_max).max().unwrap_or(0);
    let dirtiest = known().map(|fill| fill.dirty_max).max().unwrap_or(0);
    let last = known().last().copied().unwrap_or_default();
    let of_all = levels.slots.map_or(String::new(), |slots| {
        format!(
            " of {} ({})",
            amount::grouped(slots),
            amount::share(fullest, slots)
        )
    });
    let data = data(&levels);
    Some(Figure {
        id: "fill",
        title: "Fill of the staging area and dirty bands over time",
        caption: format!(
            "Each step is {}. A slot is the smallest part of the staging area that an entry takes; a \
             dirty band has data there that cleaning has to bring home.",
            amount::time(levels.steps.width())
        ),
        told: format!(
            "Slots in use{of_all}: at most {}, at the end {}. Dirty bands: at most {}, at the end {}.",
            amount::grouped(fullest),
            amount::grouped(last.slots),
            amount::grouped(dirtiest),
            amount::grouped(last.dirty),
        ),
        drawing: drawing(&levels),
        tables: vec![("Fill over time".to_owned(), data.clone())],
        data,
    })
}

fn levels(material: &Material) -> Option<Levels> {
    let slots = material.about.staging_slots;
    if let Some(jobs) = &material.jobs {
        return Some(Levels {
            steps: jobs.steps,
            fill: jobs.fill.clone(),
            slots,
        });
    }
    let told = material.told.as_ref()?;
    let series = &told.over_time;
    let buckets = u64::try_from(series.buckets.len()).ok()?;
    let end = series.bucket_ns.checked_mul(buckets)?.checked_sub(1)?;
    let fill = series.buckets.iter().map(|bucket| {
        Some(Fill {
            slots: bucket.staging_slots_used,
            slots_max: bucket.staging_slots_used,
            dirty: bucket.dirty_bands,
            dirty_max: bucket.dirty_bands,
        })
    });
    Some(Levels {
        steps: Steps::with_width(0, end, series.bucket_ns),
        fill: fill.collect(),
        slots,
    })
}

fn data(levels: &Levels) -> Table {
    let mut table = Table::new(&[
        ("from", "from_ns"),
        ("to", "to_ns"),
        ("slots at the end", "staging_slots_used"),
        ("at most", "staging_slots_used_max"),
        ("dirty bands at the end", "dirty_bands"),
        ("at most", "dirty_bands_max"),
    ]);
    let known = levels.fill.iter().enumerate();
    for (at, fill) in known.filter_map(|(at, fill)| Some((at, (*fill)?))) {
        table.add(vec![
            Value::Time(levels.steps.bound(at)),
            Value::Time(levels.steps.bound(at + 1)),
            Value::Count(fill.slots),
            Value::Count(fill.slots_max),
            Value::Count(fill.dirty),
            Value::Count(fill.dirty_max),
        ]);
    }
    table
}

fn drawing(levels: &Levels) -> Drawing {
    let line = |ink, line, words: &str| (Sign::Line(ink, line, None), words.to_owned());
    let mut entries = vec![
        line(Ink::Staging, Line::Solid, "slots in use"),
        line(Ink::Cleaning, Line::Dashed, "dirty bands"),
    ];
    if levels.slots.is_some() {
        entries.push(line(Ink::Text, Line::Dotted, "all slots there are"));
    }
    canvas::draw(key::ROW + UPPER + LOWER, |area| {
        let (top, rest) = area.split_vertically(key::ROW);
        key::draw(&top, &entries)?;
        let (upper, lower) = rest.split_vertically(UPPER);
        draw_slots(&upper, levels)?;
        draw_dirty(&lower, levels)
    })
}

fn draw_slots(area: &Area<'_>, levels: &Levels) -> DrawResult {
    let most = levels
        .fill
        .iter()
        .flatten()
        .map(|fill| fill.slots_max)
        .max()
        .unwrap_or(0);
    let end = levels.slots.unwrap_or(0).max(most);
    let up = Axis::up_to("slots", end.saturating_add(end / 20), amount::grouped);
    let across = Axis {
        name: String::new(),
        ..Axis::time(levels.steps.start(), levels.steps.end())
    };
    let frame = Frame {
        title: "Slots of the staging area in use",
        below: 48,
        ..Frame::default()
    };
    let mut panel = Panel::new(area, frame, &across, &up)?;
    if let Some(slots) = levels.slots {
        let ends = across.ends;
        let all = [(ends.0, float(slots)), (ends.1, float(slots))];
        panel.line(&all, Ink::Text, Line::Dotted)?;
    }
    panel.line(
        &points(levels, |fill| (fill.slots, fill.slots_max)),
        Ink::Staging,
        Line::Solid,
    )
}

fn draw_dirty(area: &Area<'_>, levels: &Levels) -> DrawResult {
    let most = levels
        .fill
        .iter()
        .flatten()
        .map(|fill| fill.dirty_max)
        .max()
        .unwrap_or(0);
    let up = Axis::up_to("bands", most.saturating_add(most / 20), amount::grouped);
    let across = Axis::time(levels.steps.start(), levels.steps.end());
    let frame = Frame {
        title: "Dirty bands",
        ..Frame::default()
    };
    let mut panel = Panel::new(area, frame, &across, &up)?;
    panel.line(
        &points(levels, |fill| (fill.dirty, fill.dirty_max)),
        Ink::Cleaning,
        Line::Dashed,
    )
}

/// Heights from step to step; the most of each lies in its middle. Where no job began, the last holds.
fn points(levels: &Levels, of: fn(&Fill) -> (u64, u64)) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut before = None;
    for (at, fill) in levels.fill.iter().enumerate() {
        let (from, to) = (levels.steps.bound(at), levels.steps.bound(at + 1));
        let Some((end, most)) = fill.as_ref().map(of).or(before) else {
            continue;
        };
        points.push((float(from / 2 + to / 2), float(most)));
        points.push((float(to), float(end)));
        before = Some((end, end));
    }
    points
}
