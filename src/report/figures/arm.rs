//! Where the arm was over time, a panel for each group of purposes.

use super::{Figure, heat};
use crate::report::amount;
use crate::report::bins::grid::Grid;
use crate::report::gather::Material;
use crate::report::gather::jobs::Jobs;
use crate::report::group::Group;
use crate::report::plot::axis::Axis;
use crate::report::plot::canvas::{self, DrawResult, Drawing};
use crate::report::plot::ink::Ink;
use crate::report::plot::key::{self, Sign};
use crate::report::plot::panel::{Frame, Panel};
use crate::report::table::{Table, Value};

const PANEL: u32 = 210;
const LAST_PANEL: u32 = 250;

pub(super) fn figure(material: &Material) -> Option<Figure> {
    let jobs = material.jobs.as_ref()?;
    let used: Vec<(Group, &Grid)> = used(jobs);
    let (_, first) = used.first()?;
    let step = amount::time(first.columns.width());
    let span = jobs.to_ns - jobs.from_ns;
    let told: Vec<String> = used
        .iter()
        .map(|(group, grid)| {
            let total = grid.total();
            format!(
                "{} took {} ({} of the time)",
                group.words(),
                amount::time(total),
                amount::share(total, span)
            )
        })
        .collect();
    Some(Figure {
        id: "arm",
        title: "Position of the arm over time",
        caption: format!(
            "Which tracks, counted from the outer diameter, the arm worked on and what for; each cell \
             is {step} by {}. The stronger it is, the more of that time went there.",
            amount::counted(first.rows.width(), "track")
        ),
        told: format!(
            "{} of jobs: {}.",
            amount::counted(jobs.rows, "part"),
            told.join(", ")
        ),
        drawing: drawing(&used),
        data: data(&used),
        tables: vec![(
            "What the arm did, by purpose and track".to_owned(),
            table(&used),
        )],
    })
}

fn used(jobs: &Jobs) -> Vec<(Group, &Grid)> {
    let all = Group::ALL.into_iter().zip(&jobs.arm);
    all.filter(|(_, grid)| grid.most() > 0).collect()
}

fn data(used: &[(Group, &Grid)]) -> Table {
    let mut table = Table::new(&[
        ("purpose", "group"),
        ("from", "from_ns"),
        ("to", "to_ns"),
        ("first track", "first_cylinder"),
        ("end", "end_cylinder"),
        ("time", "arm_ns"),
    ]);
    for (group, grid) in used {
        for cell in grid.iter() {
            table.add(vec![
                Value::words(group.words()),
                Value::Time(grid.columns.bound(cell.column)),
                Value::Time(grid.columns.bound(cell.column + 1)),
                Value::Count(grid.rows.bound(cell.row)),
                Value::Count(grid.rows.bound(cell.row + 1)),
                Value::Time(cell.amount),
            ]);
        }
    }
    table
}

fn table(used: &[(Group, &Grid)]) -> Table {
    let mut table = Table::new(&[
        ("purpose", "group"),
        ("time", "arm_ns"),
        ("outermost track", "first_cylinder"),
        ("innermost track", "end_cylinder"),
    ]);
    for (group, grid) in used {
        let rows = || grid.iter().map(|cell| cell.row);
        let (Some(first), Some(last)) = (rows().min(), rows().max()) else {
            continue;
        };
        table.add(vec![
            Value::words(group.words()),
            Value::Time(grid.total()),
            Value::Count(grid.rows.bound(first)),
            Value::Count(grid.rows.bound(last + 1)),
        ]);
    }
    table
}

fn drawing(used: &[(Group, &Grid)]) -> Drawing {
    let strengths = [
        "some of it",
        "3 % or more",
        "an eighth or more",
        "half or more",
    ];
    let entries: Vec<(Sign, String)> = (1..)
        .zip(strengths)
        .map(|(strength, words)| (Sign::Fill(Ink::Text, strength), words.to_owned()))
        .collect();
    let panels = u32::try_from(used.len()).unwrap_or(1);
    let height = key::ROW + (panels - 1) * PANEL + LAST_PANEL;
    canvas::draw(height, |area| {
        let (top, mut rest) = area.split_vertically(key::ROW);
        key::draw(&top, &entries)?;
        for (at, (group, grid)) in used.iter().enumerate() {
            let last = at + 1 == used.len();
            let (area, below) = rest.split_vertically(if last { LAST_PANEL } else { PANEL });
            draw(&area, *group, grid, last)?;
            rest = below;
        }
        Ok(())
    })
}

fn draw(area: &canvas::Area<'_>, group: Group, grid: &Grid, last: bool) -> DrawResult {
    let columns = grid.columns;
    let mut across = Axis::time(columns.start(), columns.end());
    if !last {
        across.name.clear();
    }
    let rows = grid.rows;
    let up = Axis::between("track", (rows.start(), rows.end()), 3, amount::grouped);
    let frame = Frame {
        title: group.words(),
        below: if last { 86 } else { 46 },
        ..Frame::default()
    };
    let panel = Panel::new(area, frame, &across, &up)?;
    let width = columns.width();
    heat::draw(&panel, grid, group.ink(), |ns| match width / ns.max(1) {
        0..=2 => 4,
        3..=8 => 3,
        9..=32 => 2,
        _ => 1,
    })
}
