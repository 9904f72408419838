//! Owns the comparison of results with earlier ones: what became worse, what became better.
//!
//! Cells are found by what they are (drive, start, work, seed, changes), not by their numbers, so that a
//! matrix may have grown. Of figures only those count of which it is known which way is worse; that others
//! became incomparable is told.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use super::results::Line;
use super::verdict::Outcome;

/// How many requests were answered: of two runs of one work as many, unless something is amiss.
const ANSWERED: &str = "answered";

/// What differs between two sets of results.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Comparison {
    /// What became worse, cell by cell.
    pub worse: Vec<Change>,
    /// What became better.
    pub better: Vec<Change>,
    /// What is neither: outcomes of which none is better, figures that are not there any more, another
    /// number of answers.
    pub changed: Vec<Change>,
    /// Cells that the baseline does not have, in words.
    pub new: Vec<String>,
    /// Cells that only the baseline has.
    pub gone: Vec<String>,
    /// Cells that both have.
    pub compared: u64,
}

/// A difference of one cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The cell's number now.
    pub cell: u64,
    /// The cell in words.
    pub words: String,
    /// What differs.
    pub what: What,
}

/// What differs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// A figure, by more than the tolerance.
    Figure {
        /// Its name.
        name: String,
        /// In the baseline.
        before: u64,
        /// Now.
        now: u64,
    },
    /// A figure that is not there any more.
    Vanished {
        /// Its name.
        name: String,
        /// In the baseline.
        before: u64,
    },
    /// What became of it.
    Outcome {
        /// In the baseline.
        before: Outcome,
        /// Now.
        now: Outcome,
    },
}

/// Which way is worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Worse {
    More,
    Less,
}

fn direction(figure: &str) -> Option<Worse> {
    const LONGER: [&str; 6] = [
        "_p50_ns",
        "_p90_ns",
        "_p99_ns",
        "_p999_ns",
        "_longest_ns",
        "_trips",
    ];
    const MORE: [&str; 3] = [
        "longest_stall_ns",
        "drained_ns",
        "write_amplification_milli",
    ];
    if figure.starts_with("lag_") {
        // Of this machine and not of the drive.
        None
    } else if LONGER.iter().any(|end| figure.ends_with(end)) || MORE.contains(&figure) {
        Some(Worse::More)
    } else if figure.ends_with("_bytes_per_s") {
        Some(Worse::Less)
    } else {
        None
    }
}

/// Compares `now` with `before`. A figure differs if it is off by more than `tolerance_percent` of what
/// it was.
pub fn compare(before: &[Line], now: &[Line], tolerance_percent: u64) -> Comparison {
    let mut left: BTreeMap<Identity<'_>, &Line> =
        before.iter().map(|line| (identity(line), line)).collect();
    let mut comparison = Comparison::default();
    for line in now {
        let Some(earlier) = left.remove(&identity(line)) else {
            comparison.new.push(line.words());
            continue;
        };
        comparison.compared += 1;
        compare_cell(earlier, line, tolerance_percent, &mut comparison);
    }
    comparison.gone = left.into_values().map(Line::words).collect();
    comparison
}

type Identity<'l> = (&'l str, &'l str, &'l str, u64, &'l [String]);

fn identity(line: &Line) -> Identity<'_> {
    (
        &line.profile,
        &line.start,
        &line.workload,
        line.seed,
        &line.changes,
    )
}

fn compare_cell(before: &Line, now: &Line, tolerance: u64, comparison: &mut Comparison) {
    let change = |what| Change {
        cell: now.cell,
        words: now.words(),
        what,
    };
    if before.outcome != now.outcome {
        let change = change(What::Outcome {
            before: before.outcome,
            now: now.outcome,
        });
        match (before.outcome, now.outcome) {
            (_, Outcome::Passed) => comparison.better.push(change),
            (Outcome::Passed, _) | (_, Outcome::DriveFailed) => comparison.worse.push(change),
            // One way of not passing is as bad as another.
            _ => comparison.changed.push(change),
        }
    }
    // Figures that tell nothing of the drive are compared with nothing.
    if [before.outcome, now.outcome]
        .iter()
        .any(|outcome| !matches!(outcome, Outcome::Passed | Outcome::Failed))
    {
        return;
    }
    let names = before.figures.keys().chain(now.figures.keys());
    for name in names.collect::<BTreeSet<&String>>() {
        let worse = direction(name);
        if worse.is_none() && name != ANSWERED {
            continue;
        }
        // A limit that was never tripped is not among the figures.
        let none = name.ends_with("_trips").then_some(0);
        let of = |line: &Line| line.figures.get(name).copied().or(none);
        let (earlier, value) = match (of(before), of(now)) {
            (Some(earlier), Some(value)) => (earlier, value),
            (Some(before), None) => {
                let name = name.clone();
                comparison
                    .changed
                    .push(change(What::Vanished { name, before }));
                continue;
            }
            (None, _) => continue,
        };
        let apart = u128::from(earlier.abs_diff(value)) * 100;
        if apart <= u128::from(earlier) * u128::from(tolerance) {
            continue;
        }
        let change = change(What::Figure {
            name: name.clone(),
            before: earlier,
            now: value,
        });
        match worse {
            None => comparison.changed.push(change),
            Some(worse) if (value > earlier) == (worse == Worse::More) => {
                comparison.worse.push(change);
            }
            Some(_) => comparison.better.push(change),
        }
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cell {} ({}): ", self.cell, self.words)?;
        match &self.what {
            What::Outcome { before, now } => {
                write!(f, "{} -> {}", before.word(), now.word())
            }
            What::Vanished { name, before } => write!(f, "{name} {before} -> none"),
            What::Figure { name, before, now } => {
                write!(f, "{name} {before} -> {now}")?;
                let apart = u128::from(before.abs_diff(*now)) * 1000;
                let Some(milli) = apart.checked_div(u128::from(*before)) else {
                    return Ok(());
                };
                let sign = if now > before { '+' } else { '-' };
                write!(f, " ({sign}{}.{} %)", milli / 10, milli % 10)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(cell: u64, outcome: Outcome, figures: &[(&str, u64)]) -> Line {
        let figures = figures
            .iter()
            .map(|(name, value)| ((*name).to_owned(), *value));
        Line {
            cell,
            profile: format!("drive-{cell}"),
            profile_mark: None,
            start: "new".to_owned(),
            workload: "w".to_owned(),
            seed: 1,
            changes: Vec::new(),
            outcome,
            why: None,
            assertions: Vec::new(),
            figures: figures.collect(),
            took_ms: 0,
        }
    }

    fn words(changes: &[Change]) -> Vec<String> {
        changes.iter().map(Change::to_string).collect()
    }

    #[test]
    fn worse_and_better_go_by_the_direction_of_each_figure() {
        let passed = Outcome::Passed;
        let before = [line(
            1,
            passed,
            &[
                ("write_p99_ns", 1000),
                ("written_bytes_per_s", 1000),
                ("answered", 5),
                ("drained_ns", 100),
                ("lag_longest_ns", 5),
            ],
        )];
        let now = [line(
            1,
            passed,
            &[
                ("write_p99_ns", 1051),
                ("written_bytes_per_s", 900),
                ("answered", 500),
                ("drained_ns", 95),
                ("lag_longest_ns", 500),
                ("flush_trips", 1),
            ],
        )];
        let comparison = compare(&before, &now, 5);
        assert_eq!(
            words(&comparison.worse),
            [
                "cell 1 (drive-1, new, w, seed 1): flush_trips 0 -> 1",
                "cell 1 (drive-1, new, w, seed 1): write_p99_ns 1000 -> 1051 (+5.1 %)",
                "cell 1 (drive-1, new, w, seed 1): written_bytes_per_s 1000 -> 900 (-10.0 %)",
            ]
        );
        assert!(
            comparison.better.is_empty(),
            "5 of 100 is not more than 5 %"
        );
        let back = compare(&now, &before, 0);
        assert!(words(&back.worse)[0].contains("drained_ns 95 -> 100"));
        assert_eq!(
            words(&back.better),
            [
                "cell 1 (drive-1, new, w, seed 1): flush_trips 1 -> 0 (-100.0 %)",
                "cell 1 (drive-1, new, w, seed 1): write_p99_ns 1051 -> 1000 (-4.8 %)",
                "cell 1 (drive-1, new, w, seed 1): written_bytes_per_s 900 -> 1000 (+11.1 %)",
            ]
        );
    }

    #[test]
    fn outcomes_count_and_cells_are_found_by_what_they_are() {
        let before = [
            line(1, Outcome::Passed, &[]),
            line(2, Outcome::Failed, &[]),
            line(3, Outcome::Passed, &[]),
        ];
        let mut moved = line(2, Outcome::Passed, &[]);
        moved.cell = 9;
        let now = [
            line(1, Outcome::Failed, &[]),
            moved,
            line(4, Outcome::Failed, &[]),
        ];
        let comparison = compare(&before, &now, 5);
        assert_eq!(
            words(&comparison.worse),
            ["cell 1 (drive-1, new, w, seed 1): passed -> failed"]
        );
        assert_eq!(
            words(&comparison.better),
            ["cell 9 (drive-2, new, w, seed 1): failed -> passed"]
        );
        assert_eq!(comparison.new, ["drive-4, new, w, seed 1"]);
        assert_eq!(comparison.gone, ["drive-3, new, w, seed 1"]);
        assert_eq!(comparison.compared, 2);
    }

    #[test]
    fn what_changed_without_becoming_worse_or_better_is_told() {
        let before = [
            line(1, Outcome::Failed, &[]),
            line(2, Outcome::Passed, &[("answered", 200), ("drained_ns", 7)]),
        ];
        let now = [
            line(1, Outcome::RigFault, &[]),
            line(2, Outcome::Passed, &[("answered", 100)]),
        ];
        let comparison = compare(&before, &now, 5);
        assert_eq!(
            words(&comparison.changed),
            [
                "cell 1 (drive-1, new, w, seed 1): failed -> rig-fault",
                "cell 2 (drive-2, new, w, seed 1): answered 200 -> 100 (-50.0 %)",
                "cell 2 (drive-2, new, w, seed 1): drained_ns 7 -> none",
            ]
        );
        assert!(comparison.worse.is_empty() && comparison.better.is_empty());
    }

    #[test]
    fn figures_of_cells_that_tell_nothing_are_not_compared() {
        let before = [line(1, Outcome::Passed, &[("write_p99_ns", 1)])];
        let now = [line(1, Outcome::Invalid, &[("write_p99_ns", 1000)])];
        let comparison = compare(&before, &now, 5);
        assert_eq!(
            words(&comparison.worse),
            ["cell 1 (drive-1, new, w, seed 1): passed -> invalid"]
        );
    }
}
