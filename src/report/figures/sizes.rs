//! How long requests of which size took: how many of each, a panel for each operation.

use std::collections::BTreeMap;

use super::Figure;
use crate::report::amount;
use crate::report::bins::ladder::bound;
use crate::report::gather::Material;
use crate::report::gather::requests::OperationUse;
use crate::report::plot::axis::{Axis, logarithm};
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Panel};
use crate::report::table::{Table, Value};

const PANEL: u32 = 400;

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let requests = material.timed()?;
    let sized = requests
        .operations
        .iter()
        .filter(|operation| !operation.by_size.is_empty());
    let used: Vec<&OperationUse> = sized.collect();
    if used.is_empty() {
        return None;
    }
    let told: Vec<String> = used.iter().map(|operation| told(operation)).collect();
    Some(Figure {
        id: "sizes",
        title: "Latency by size of the request",
        caption:
            "Requests by size (from each power of two to the next) and by how long they took. The \
                  stronger a cell is, the more requests it holds; one is enough to show."
                .to_owned(),
        told: told.join(" "),
        drawing: drawing(&used),
        data: data(&used),
        tables: vec![("Requests by size".to_owned(), table(&used))],
    })
}

fn told(operation: &OperationUse) -> String {
    let sizes = by_size(operation);
    let common = sizes.iter().max_by_key(|(_, (requests, _))| *requests);
    let (common, share) = common.map_or((0, 0), |(size, (requests, _))| (*size, *requests));
    format!(
        "{}: {}, the largest share ({}) of {} up to twice that.",
        operation.word,
        amount::counted(operation.count, "request"),
        amount::share(share, operation.count),
        amount::size(1 << common),
    )
}

/// Requests of a power of two, and the bound below the longest that one took.
fn by_size(operation: &OperationUse) -> BTreeMap<u32, (u64, u64)> {
    let mut sizes: BTreeMap<u32, (u64, u64)> = BTreeMap::new();
    for ((size, rung), requests) in &operation.by_size {
        let (sum, longest) = sizes.entry(*size).or_default();
        *sum += requests;
        *longest = (*longest).max(bound(*rung));
    }
    sizes
}

fn data(used: &[&OperationUse]) -> Table {
    let mut table = Table::new(&[
        ("operation", "operation"),
        ("from size", "from_bytes"),
        ("to", "to_bytes"),
        ("took from", "took_from_ns"),
        ("to", "took_to_ns"),
        ("requests", "requests"),
    ]);
    for operation in used {
        for ((size, rung), requests) in &operation.by_size {
            table.add(vec![
                Value::words(operation.word),
                Value::Size(1 << size),
                Value::Size(1 << (size + 1)),
                Value::Time(bound(*rung)),
                Value::Time(bound(rung + 1)),
                Value::Count(*requests),
            ]);
        }
    }
    table
}

fn table(used: &[&OperationUse]) -> Table {
    let mut table = Table::new(&[
        ("operation", "operation"),
        ("from size", "from_bytes"),
        ("requests", "requests"),
        ("longest, about", "longest_ns"),
    ]);
    for operation in used {
        for (size, (requests, longest)) in by_size(operation) {
            table.add(vec![
                Value::words(operation.word),
                Value::Size(1 << size),
                Value::Count(requests),
                Value::Time(longest),
            ]);
        }
    }
    table
}

fn strength(requests: u64, most: u64) -> u32 {
    match most / requests.max(1) {
        0..=4 => 4,
        5..=16 => 3,
        17..=256 => 2,
        _ => 1,
    }
}

fn drawing(used: &[&OperationUse]) -> Drawing {
    let words = [
        "fewer",
        "1/256 of the most or more",
        "1/16 or more",
        "a quarter or more",
    ];
    let entries: Vec<(Sign, String)> = (1..)
        .zip(words)
        .map(|(strength, words)| (Sign::Fill(Ink::Text, strength), words.to_owned()))
        .collect();
    let panels = u32::try_from(used.len()).unwrap_or(1);
    canvas::draw(key::ROW + panels * PANEL, |area| {
        let (top, mut rest) = area.split_vertically(key::ROW);
        key::draw(&top, &entries)?;
        for operation in used {
            let (area, below) = rest.split_vertically(PANEL);
            draw(&area, operation, used)?;
            rest = below;
        }
        Ok(())
    })
}

/// All panels have the same axes.
fn draw(area: &Area<'_>, operation: &OperationUse, used: &[&OperationUse]) -> DrawResult {
    let cells = || used.iter().flat_map(|operation| operation.by_size.keys());
    let sizes = || cells().map(|(size, _)| *size);
    let rungs = || cells().map(|(_, rung)| *rung);
    let across = Axis::log_size(
        "size",
        sizes().min().unwrap_or(9),
        sizes().max().unwrap_or(20),
    );
    let shortest = bound(rungs().min().unwrap_or(0));
    let longest = bound(rungs().max().unwrap_or(0) + 1);
    let up = Axis::log_time("took", shortest, longest);
    let ink = match operation.word {
        "read" => Ink::Reads,
        "trim" => Ink::Map,
        "write" => Ink::Writes,
        _ => Ink::Other,
    };
    let frame = Frame {
        title: operation.word,
        ..Frame::default()
    };
    let panel = Panel::new(area, frame, &across, &up)?;
    let most = operation.by_size.values().max().copied().unwrap_or(0);
    operation
        .by_size
        .iter()
        .try_for_each(|((size, rung), requests)| {
            let one = (f64::from(*size), logarithm(bound(*rung)));
            let other = (f64::from(size + 1), logarithm(bound(rung + 1)));
            panel.cell(one, other, ink, strength(*requests, most))
        })
}
