//! Latency by operation: how long which share of the requests took at most.

use std::f64::consts::LOG10_2;
use std::fmt::Write as _;

use super::Figure;
use crate::report::amount::{self, float};
use crate::report::gather::Material;
use crate::report::gather::requests::{OPERATIONS, OperationUse};
use crate::report::plot::axis::{Axis, logarithm};
use crate::report::plot::canvas::{self, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Line, Panel};
use crate::report::plot::shape::Shape;
use crate::report::table::{Table, Value};

const HEIGHT: u32 = 560;
/// Shares that are listed: how many nines, and how they are written.
const SHARES: [(f64, &str); 7] = [
    (LOG10_2, "50"),
    (1.0, "90"),
    (2.0, "99"),
    (3.0, "99.9"),
    (4.0, "99.99"),
    (5.0, "99.999"),
    (6.0, "99.9999"),
];
/// Points of a curve between two powers of ten.
const FINENESS: u32 = 16;

/// How the requests of an operation fared.
struct Curve {
    word: String,
    count: u64,
    /// Nines of the share and how long it took at most, ascending.
    points: Vec<(f64, u64)>,
    /// Which of [`SHARES`] there are, and the longest.
    listed: Vec<(&'static str, u64)>,
    longest_ns: u64,
}

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let curves = curves(material);
    if curves.is_empty() {
        return None;
    }
    let mut told = String::new();
    for curve in &curves {
        let of = |share| curve.listed.iter().find(|(known, _)| *known == share);
        let _ = write!(
            told,
            "{}: {} answered",
            curve.word,
            amount::grouped(curve.count)
        );
        for (share, words) in [("50", "half"), ("99", "99 %")] {
            // Of few requests there are no such shares.
            if let Some((_, ns)) = of(share) {
                let _ = write!(told, ", {words} within {}", amount::time(*ns));
            }
        }
        let _ = write!(told, ", the longest {}. ", amount::time(curve.longest_ns));
    }
    Some(Figure {
        id: "latency",
        title: "Latency by operation",
        caption:
            "How long which share of the requests took at most, both in powers of ten: each step \
                  to the right leaves a tenth of the requests above it. Curves end at the longest."
                .to_owned(),
        told: told.trim_end().to_owned(),
        drawing: drawing(&curves),
        data: data(&curves),
        tables: vec![("Latency by operation".to_owned(), table(&curves))],
    })
}

fn curves(material: &Material) -> Vec<Curve> {
    if let Some(requests) = material.timed() {
        let operations = requests
            .operations
            .iter()
            .filter(|operation| operation.count > 0);
        return operations.map(of_recording).collect();
    }
    let told = material.told.as_ref();
    let operations = told
        .map(|told| told.operations.as_slice())
        .unwrap_or_default();
    let known = |kind: &crate::report::gather::told::Latencies| {
        let taken = [kind.p50_ns, kind.p90_ns, kind.p99_ns, kind.p999_ns];
        let shares = SHARES.into_iter().zip(taken);
        let mut points: Vec<(f64, u64)> =
            shares.clone().map(|((nines, _), ns)| (nines, ns)).collect();
        let end = logarithm(kind.count);
        points.retain(|(nines, _)| *nines < end);
        points.push((end, kind.max_ns));
        Curve {
            word: kind.operation.clone(),
            count: kind.count,
            points,
            listed: shares.map(|((_, share), ns)| (share, ns)).collect(),
            longest_ns: kind.max_ns,
        }
    };
    operations
        .iter()
        .filter(|kind| kind.count > 0)
        .map(known)
        .collect()
}

fn of_recording(operation: &OperationUse) -> Curve {
    let (took, longest_ns) = (&operation.took, operation.longest_ns);
    let end = logarithm(took.len());
    let of = |nines: f64| {
        took.value_at_quantile(1.0 - 10_f64.powf(-nines))
            .min(longest_ns)
    };
    let fine = (0..10 * FINENESS).map(|step| f64::from(step) / f64::from(FINENESS));
    let fine = fine.take_while(|nines| *nines < end);
    let mut points: Vec<(f64, u64)> = fine.map(|nines| (nines, of(nines))).collect();
    points.push((end, longest_ns));
    let listed = SHARES.iter().filter(|(nines, _)| *nines <= end);
    Curve {
        word: operation.word.to_owned(),
        count: took.len(),
        points,
        listed: listed.map(|(nines, share)| (*share, of(*nines))).collect(),
        longest_ns,
    }
}

fn data(curves: &[Curve]) -> Table {
    let mut table = Table::new(&[
        ("operation", "operation"),
        ("answered", "answered"),
        ("share", "percent"),
        ("took at most", "took_ns"),
    ]);
    for curve in curves {
        let longest = ("100", curve.longest_ns);
        for (share, ns) in curve.listed.iter().chain([&longest]) {
            table.add(vec![
                Value::words(&curve.word),
                Value::Count(curve.count),
                Value::words(share),
                Value::Time(*ns),
            ]);
        }
    }
    table
}

fn table(curves: &[Curve]) -> Table {
    let mut table = Table::new(&[
        ("operation", "operation"),
        ("answered", "answered"),
        ("50 %", "p50_ns"),
        ("90 %", "p90_ns"),
        ("99 %", "p99_ns"),
        ("99.9 %", "p999_ns"),
        ("longest", "max_ns"),
    ]);
    for curve in curves {
        let of = |share| {
            let found = curve.listed.iter().find(|(known, _)| *known == share);
            found.map_or(Value::Nothing, |(_, ns)| Value::Time(*ns))
        };
        table.add(vec![
            Value::words(&curve.word),
            Value::Count(curve.count),
            of("50"),
            of("90"),
            of("99"),
            of("99.9"),
            Value::Time(curve.longest_ns),
        ]);
    }
    table
}

/// How an operation's curve is told from others.
fn sign(word: &str) -> (Ink, Line, Shape) {
    let signs = [
        (Ink::Reads, Line::Solid, Shape::Disc),
        (Ink::Writes, Line::Dashed, Shape::Square),
        (Ink::Staging, Line::Dotted, Shape::Up),
        (Ink::Map, Line::Solid, Shape::Diamond),
        (Ink::Other, Line::Dashed, Shape::Cross),
    ];
    let known = OPERATIONS
        .iter()
        .zip(signs)
        .find(|(operation, _)| **operation == word);
    known.map_or((Ink::Other, Line::Dotted, Shape::Plus), |(_, sign)| sign)
}

fn drawing(curves: &[Curve]) -> Drawing {
    let entry = |curve: &Curve| {
        let (ink, line, shape) = sign(&curve.word);
        (Sign::Line(ink, line, Some(shape)), curve.word.clone())
    };
    let entries: Vec<(Sign, String)> = curves.iter().map(entry).collect();
    let above = key::rows(&entries) * key::ROW;
    canvas::draw(above + HEIGHT, |area| {
        let (top, rest) = area.split_vertically(above);
        key::draw(&top, &entries)?;
        let all = || curves.iter().flat_map(|curve| &curve.points);
        let shortest = all().map(|(_, ns)| *ns).min().unwrap_or(0);
        let longest = all().map(|(_, ns)| *ns).max().unwrap_or(0);
        let up = Axis::log_time("took at most", shortest, longest);
        let mut panel = Panel::new(&rest, Frame::default(), &shares(curves), &up)?;
        curves.iter().try_for_each(|curve| draw(&mut panel, curve))
    })
}

/// Shares from left to right, as far as there are requests to tell them apart.
fn shares(curves: &[Curve]) -> Axis {
    let most = curves.iter().map(|curve| curve.count).max().unwrap_or(1);
    let end = logarithm(most).max(1.0) * 1.02;
    let ticks = SHARES.iter().filter(|(nines, _)| *nines <= end);
    let mut ticks: Vec<(f64, String)> = ticks
        .map(|(nines, share)| (*nines, format!("{share} %")))
        .collect();
    ticks.insert(0, (0.0, "0 %".to_owned()));
    Axis {
        name: "share of the requests".to_owned(),
        ends: (0.0, end),
        ticks,
        ruled: true,
    }
}

fn draw(panel: &mut Panel<'_>, curve: &Curve) -> DrawResult {
    let (ink, line, shape) = sign(&curve.word);
    let points: Vec<(f64, f64)> = curve
        .points
        .iter()
        .map(|(nines, ns)| (*nines, logarithm(*ns)))
        .collect();
    panel.line(&points, ink, line)?;
    for (nines, share) in SHARES {
        let found = curve.listed.iter().find(|(known, _)| *known == share);
        if let Some((_, ns)) = found
            && nines < logarithm(curve.count)
        {
            panel.mark((nines, logarithm(*ns)), (shape, ink))?;
        }
    }
    let end = (float(curve.count).log10(), logarithm(curve.longest_ns));
    panel.mark(end, (shape, ink))
}
