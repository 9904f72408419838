//! Owns how a grid is drawn: cells in four strengths, neighbours of one strength as one.

use crate::report::amount::float;
use crate::report::bins::grid::Grid;
use crate::report::plot::canvas::DrawResult;
use crate::report::plot::ink::Ink;
use crate::report::plot::panel::Panel;

/// Draws every cell that holds something.
pub(super) fn draw(
    panel: &Panel<'_>,
    grid: &Grid,
    ink: Ink,
    strength: impl Fn(u64) -> u32,
) -> DrawResult {
    // Column, first row, end, strength.
    let mut run: Option<(usize, usize, usize, u32)> = None;
    for cell in grid.iter() {
        let strong = strength(cell.amount);
        match &mut run {
            Some((column, _, end, same))
                if *column == cell.column && *end == cell.row && *same == strong =>
            {
                *end += 1;
            }
            _ => {
                flush(panel, grid, ink, run)?;
                run = Some((cell.column, cell.row, cell.row + 1, strong));
            }
        }
    }
    flush(panel, grid, ink, run)
}

fn flush(
    panel: &Panel<'_>,
    grid: &Grid,
    ink: Ink,
    run: Option<(usize, usize, usize, u32)>,
) -> DrawResult {
    let Some((column, row, end, strength)) = run else {
        return Ok(());
    };
    let one = (
        float(grid.columns.bound(column)),
        float(grid.rows.bound(row)),
    );
    let other = (
        float(grid.columns.bound(column + 1)),
        float(grid.rows.bound(end)),
    );
    panel.cell(one, other, ink, strength)
}
