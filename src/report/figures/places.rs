//! Which addresses were read, written and discarded, over time.

use super::{Figure, heat};
use crate::lab::recording::Took;
use crate::report::amount;
use crate::report::bins::grid::Grid;
use crate::report::gather::Material;
use crate::report::plot::axis::Axis;
use crate::report::plot::canvas::{self, Area, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Panel};
use crate::report::table::{Table, Value};

const PANEL: u32 = 340;
/// What the grids of a recording hold.
const WORDS: [(&str, Ink); 3] = [
    ("read", Ink::Reads),
    ("written", Ink::Writes),
    ("discarded", Ink::Map),
];

type Used<'a> = (&'static str, Ink, &'a Grid);

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let requests = material.requests.as_ref()?;
    let all = WORDS.iter().zip(&requests.places);
    let used = all.filter(|(_, grid)| grid.most() > 0);
    let used: Vec<Used<'_>> = used
        .map(|((words, ink), grid)| (*words, *ink, grid))
        .collect();
    let (_, _, first) = used.first()?;
    let told: Vec<String> = used.iter().map(told).collect();
    Some(Figure {
        id: "places",
        title: "Addresses over time",
        caption: format!(
            "Bytes by address and by the time of the {}; each cell is {} by {}. The stronger it is, \
             the more bytes went there.",
            if requests.took == Took::Unknown {
                "request"
            } else {
                "answer"
            },
            amount::time(first.columns.width()),
            amount::bytes(first.rows.width())
        ),
        told: told.join(" "),
        drawing: drawing(&used),
        data: data(&used),
        tables: vec![("Bytes by address".to_owned(), table(&used))],
    })
}

fn told((words, _, grid): &Used<'_>) -> String {
    let rows = || grid.iter().map(|cell| cell.row);
    let from = rows().min().map_or(0, |row| grid.rows.bound(row));
    let to = rows().max().map_or(0, |row| grid.rows.bound(row + 1));
    let hot = (0..grid.rows.len())
        .max_by_key(|row| grid.row_total(*row))
        .unwrap_or(0);
    format!(
        "{} {words} from {} to {} of the drive, the largest share ({}) from {} to {}.",
        amount::bytes(grid.total()),
        amount::bytes(from),
        amount::bytes(to),
        amount::share(grid.row_total(hot), grid.total()),
        amount::bytes(grid.rows.bound(hot)),
        amount::bytes(grid.rows.bound(hot + 1)),
    )
}

fn data(used: &[Used<'_>]) -> Table {
    let mut table = Table::new(&[
        ("what", "what"),
        ("from", "from_ns"),
        ("to", "to_ns"),
        ("first address", "from_offset"),
        ("end", "to_offset"),
        ("bytes", "bytes"),
    ]);
    for (words, _, grid) in used {
        for cell in grid.iter() {
            table.add(vec![
                Value::words(words),
                Value::Time(grid.columns.bound(cell.column)),
                Value::Time(grid.columns.bound(cell.column + 1)),
                Value::Bytes(grid.rows.bound(cell.row)),
                Value::Bytes(grid.rows.bound(cell.row + 1)),
                Value::Bytes(cell.amount),
            ]);
        }
    }
    table
}

fn table(used: &[Used<'_>]) -> Table {
    let mut table = Table::new(&[
        ("from address", "from_offset"),
        ("to", "to_offset"),
        ("what", "what"),
        ("bytes", "bytes"),
    ]);
    for (words, _, grid) in used {
        for row in 0..grid.rows.len() {
            let bytes = grid.row_total(row);
            if bytes > 0 {
                table.add(vec![
                    Value::Bytes(grid.rows.bound(row)),
                    Value::Bytes(grid.rows.bound(row + 1)),
                    Value::words(words),
                    Value::Bytes(bytes),
                ]);
            }
        }
    }
    table
}

/// The least that each strength stands for.
fn limits(most: u64) -> [u64; 4] {
    [1, (most / 64).max(1), (most / 8).max(1), (most / 2).max(1)]
}

fn drawing(used: &[Used<'_>]) -> Drawing {
    let panels = u32::try_from(used.len()).unwrap_or(1);
    let words = [
        "less",
        "1/64 of the most or more",
        "an eighth or more",
        "half or more",
    ];
    let entries: Vec<(Sign, String)> = (1..)
        .zip(words)
        .map(|(strength, words)| (Sign::Fill(Ink::Text, strength), words.to_owned()))
        .collect();
    canvas::draw(key::ROW + panels * PANEL, |area| {
        let (top, mut rest) = area.split_vertically(key::ROW);
        key::draw(&top, &entries)?;
        for one in used {
            let (area, below) = rest.split_vertically(PANEL);
            draw(&area, one)?;
            rest = below;
        }
        Ok(())
    })
}

fn draw(area: &Area<'_>, (words, ink, grid): &Used<'_>) -> DrawResult {
    let limits = limits(grid.most());
    let most = amount::bytes(grid.most());
    let across = Axis::time(grid.columns.start(), grid.columns.end());
    let ends = (grid.rows.start(), grid.rows.end());
    let up = Axis::between("address", ends, 5, amount::bytes);
    let frame = Frame {
        title: &format!("{words}, at most {most} in a cell"),
        ..Frame::default()
    };
    let panel = Panel::new(area, frame, &across, &up)?;
    heat::draw(&panel, grid, *ink, |bytes| {
        let reached = limits.iter().filter(|limit| bytes >= **limit).count();
        u32::try_from(reached).unwrap_or(1)
    })
}
