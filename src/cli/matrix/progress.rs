//! Owns what people see while a matrix is run: a bar on a terminal, else a line for each cell.

use std::io::IsTerminal;
use std::time::Instant;

use indicatif::ProgressBar;

use crate::cli::{bar, output};
use crate::lab::matrix::results::Line;
use crate::lab::matrix::verdict::Outcome;

/// How far a run is.
pub(super) struct Shown {
    begun: Instant,
    done: u64,
    all: u64,
    failed: u64,
    bar: Option<ProgressBar>,
}

impl Shown {
    /// Nothing of `all` cells is done.
    pub(super) fn new(all: u64) -> Shown {
        let terminal = std::io::stderr().is_terminal();
        Shown {
            begun: Instant::now(),
            done: 0,
            all,
            failed: 0,
            bar: terminal.then(|| bar(all)),
        }
    }

    /// A cell is done.
    pub(super) fn take(&mut self, line: &Line) {
        self.done += 1;
        if line.outcome != Outcome::Passed {
            self.failed += 1;
        }
        let complaint = match line.complaint() {
            none if none.is_empty() => none,
            some => format!(": {some}"),
        };
        let (word, words) = (line.outcome.word(), line.words());
        let told = format!("cell {} {word}: {words}{complaint}", line.cell);
        match &self.bar {
            Some(bar) => {
                bar.inc(1);
                bar.set_message(format!("{} not passed", self.failed));
                if line.outcome != Outcome::Passed {
                    bar.println(told);
                }
            }
            None => output::say(&format!("{}/{} {told}{}", self.done, self.all, self.left())),
        }
    }

    /// Nothing more is shown.
    pub(super) fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }

    /// An estimate from the cells that are done, of which each counts the same.
    fn left(&self) -> String {
        bar::left(self.begun.elapsed(), self.done, self.all)
    }
}

fn bar(all: u64) -> ProgressBar {
    let template = "{bar:30} {pos}/{len} cells, {msg}, {elapsed} gone, about {eta} left";
    bar::new(template, all).with_message("0 not passed")
}
