//! Owns a grid: amounts by two axes of equal steps.
//!
//! Always holds: the cells add up to all that was added, to the last unit, and a cell that got
//! anything holds something.

use super::steps::Steps;
use crate::units::count;

/// Amounts by column (time) and row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::report) struct Grid {
    /// Steps from left to right.
    pub(in crate::report) columns: Steps,
    /// Steps from bottom to top.
    pub(in crate::report) rows: Steps,
    cells: Vec<u64>,
}

/// A cell that holds something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) struct Cell {
    /// Which column.
    pub(in crate::report) column: usize,
    /// Which row.
    pub(in crate::report) row: usize,
    /// How much.
    pub(in crate::report) amount: u64,
}

impl Grid {
    /// An empty grid.
    pub(in crate::report) fn new(columns: Steps, rows: Steps) -> Grid {
        Grid {
            columns,
            rows,
            cells: vec![0; columns.len() * rows.len()],
        }
    }

    /// Adds `amount` at moment `x`, shared out over the rows of `bottom..top` by how much of it each
    /// holds.
    pub(in crate::report) fn add_over_rows(
        &mut self,
        x: u64,
        (bottom, top): (u64, u64),
        amount: u64,
    ) {
        let column = self.columns.at(x);
        let rows = self.rows;
        shares(rows, (bottom, top), amount, |row, part| {
            let cell = &mut self.cells[column * rows.len() + row];
            *cell = cell.saturating_add(part);
        });
    }

    /// Adds `amount` at height `y`, shared out over the columns of `from..to`.
    pub(in crate::report) fn add_over_columns(
        &mut self,
        (from, to): (u64, u64),
        y: u64,
        amount: u64,
    ) {
        let row = self.rows.at(y);
        let height = self.rows.len();
        shares(self.columns, (from, to), amount, |column, part| {
            let cell = &mut self.cells[column * height + row];
            *cell = cell.saturating_add(part);
        });
    }

    /// The cells that hold something, column by column.
    pub(in crate::report) fn iter(&self) -> impl Iterator<Item = Cell> + '_ {
        let height = self.rows.len();
        let cells = self.cells.iter().enumerate();
        cells
            .filter(|(_, amount)| **amount > 0)
            .map(move |(at, amount)| Cell {
                column: at / height,
                row: at % height,
                amount: *amount,
            })
    }

    /// All of it.
    pub(in crate::report) fn total(&self) -> u64 {
        sum(self.cells.iter())
    }

    /// All of a row.
    pub(in crate::report) fn row_total(&self, row: usize) -> u64 {
        sum(self.cells.iter().skip(row).step_by(self.rows.len()))
    }

    /// The most that a cell holds.
    pub(in crate::report) fn most(&self) -> u64 {
        self.cells.iter().copied().max().unwrap_or(0)
    }
}

/// The sum, or the largest number where a file says more than that.
fn sum<'a>(cells: impl Iterator<Item = &'a u64>) -> u64 {
    cells.fold(0, |sum, cell| sum.saturating_add(*cell))
}

/// Shares `amount` out over the steps of `from..to`. Each bound gets what the amount up to there is,
/// rounded down, so the parts add up to all of it.
fn shares(steps: Steps, (from, to): (u64, u64), amount: u64, mut give: impl FnMut(usize, u64)) {
    let (first, last) = (steps.at(from), steps.at(to.max(from + 1) - 1));
    let span = u128::from(to.saturating_sub(from));
    if first == last || span == 0 || amount < count(last - first) {
        give(first, amount);
        return;
    }
    let mut given = 0;
    for step in first..=last {
        let upto = if step == last {
            to
        } else {
            steps.bound(step + 1)
        };
        let share = u128::from(amount) * u128::from(upto - from) / span;
        let share = u64::try_from(share).expect("a part of what fits");
        give(step, share - given);
        given = share;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Byte by byte.
    fn plain(requests: &[(u64, u64, u64)], columns: Steps, rows: Steps) -> Vec<Cell> {
        let mut cells = vec![0; columns.len() * rows.len()];
        for (x, offset, bytes) in requests {
            for byte in *offset..offset + bytes {
                cells[columns.at(*x) * rows.len() + rows.at(byte)] += 1;
            }
        }
        let height = rows.len();
        let held = cells
            .into_iter()
            .enumerate()
            .filter(|(_, amount)| *amount > 0);
        held.map(|(at, amount)| Cell {
            column: at / height,
            row: at % height,
            amount,
        })
        .collect()
    }

    proptest! {
        #[test]
        fn bytes_are_where_a_count_byte_by_byte_finds_them(
            requests in prop::collection::vec((0_u64..500, 0_u64..900, 1_u64..100), 0..40),
            across in 1_u64..30, up in 1_u64..30,
        ) {
            let columns = Steps::of_time(0, 499, across);
            let rows = Steps::of_addresses(1000, up);
            let mut grid = Grid::new(columns, rows);
            for (x, offset, bytes) in &requests {
                grid.add_over_rows(*x, (*offset, offset + bytes), *bytes);
            }
            let expected = plain(&requests, columns, rows);
            prop_assert_eq!(grid.iter().collect::<Vec<_>>(), expected.clone());
            prop_assert_eq!(grid.total(), requests.iter().map(|(_, _, bytes)| bytes).sum::<u64>());
            prop_assert_eq!(grid.most(), expected.iter().map(|cell| cell.amount).max().unwrap_or(0));
            for row in 0..rows.len() {
                let cells = expected.iter().filter(|cell| cell.row == row);
                prop_assert_eq!(grid.row_total(row), cells.map(|cell| cell.amount).sum::<u64>());
            }
        }

        #[test]
        fn time_is_shared_out_to_the_last_nanosecond(
            jobs in prop::collection::vec((0_u64..10_000, 0_u64..5_000, 0_u64..50), 0..40),
        ) {
            let mut grid = Grid::new(Steps::of_time(0, 15_000, 20), Steps::of_addresses(50, 50));
            for (start, duration, cylinder) in &jobs {
                grid.add_over_columns((*start, start + duration), *cylinder, *duration);
            }
            prop_assert_eq!(grid.total(), jobs.iter().map(|(_, duration, _)| duration).sum::<u64>());
        }
    }
}
