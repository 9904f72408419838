//! Owns the run of one cell, from a drive in its start to its line.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use serde_json::Value;

use super::beginnings::Beginnings;
use super::serving::{self, Rig, ServedEnd};
use crate::drive::Drive;
use crate::lab::matrix::measured::Measured;
use crate::lab::matrix::plan::{Cell, Job, Plan};
use crate::lab::matrix::results::Line;
use crate::lab::matrix::verdict::{Outcome, Verdict, judge};
use crate::lab::simulation::{self, Observers, SimulationError};
use crate::lab::start::StartError;
use crate::lab::summary::Summary;

/// A cell that was run.
#[derive(Debug)]
pub(super) struct Done {
    /// Its line.
    pub(super) line: Line,
    /// Everything that was measured.
    pub(super) measured: Value,
    /// What ran beside the drive printed this.
    pub(super) output: Option<Vec<u8>>,
}

/// Runs a cell; `None`: it was interrupted.
pub(super) fn run(plan: &Plan, cell: &Cell, beginnings: &Beginnings, rig: &Rig) -> Option<Done> {
    let begun = Instant::now();
    let run = || run_kind(plan, cell, beginnings, rig);
    // Whatever goes wrong in one cell, the others are run.
    let mut done = match catch_unwind(AssertUnwindSafe(run)) {
        Ok(done) => done?,
        Err(panic) => {
            let why = format!("imbrex has a defect: {}", panic_words(&*panic));
            without_figures(plan, cell, Outcome::DriveFailed, why)
        }
    };
    done.line.took_ms = u64::try_from(begun.elapsed().as_millis()).unwrap_or(u64::MAX);
    Some(done)
}

fn run_kind(plan: &Plan, cell: &Cell, beginnings: &Beginnings, rig: &Rig) -> Option<Done> {
    match plan.job(cell) {
        Job::Served { served, script } => {
            let script = script.as_ref().map(|(path, _)| path.as_path());
            match serving::run(cell, served, script, rig) {
                ServedEnd::Interrupted => None,
                ServedEnd::Ended {
                    measured,
                    value,
                    output,
                } => {
                    let verdict = judge(&cell.demands, Some(served), &measured);
                    Some(Done {
                        line: Line::of(plan, cell, verdict, measured.figures()),
                        measured: value,
                        output: Some(output),
                    })
                }
                ServedEnd::Fault {
                    outcome,
                    why,
                    output,
                    last,
                } => {
                    let mut done = without_figures(plan, cell, outcome, why);
                    done.output = Some(output);
                    if let Some((measured, value)) = last {
                        done.line.figures = measured.figures();
                        done.measured = value;
                    }
                    Some(done)
                }
            }
        }
        _ => Some(match beginnings.drive(plan, cell) {
            Err(error) => without_figures(plan, cell, outcome_of_start(&error), chain(error)),
            Ok(drive) => {
                let observers = Observers {
                    progress: &mut |_| {},
                    jobs: None,
                    answers: None,
                };
                simulated(plan, cell, drive, observers)
            }
        }),
    }
}

/// Runs a simulated cell on its drive.
pub(super) fn simulated(plan: &Plan, cell: &Cell, drive: Drive, observers: Observers<'_>) -> Done {
    let ran = match plan.job(cell) {
        Job::Workload { workload, .. } => {
            let mut workload = workload.clone();
            workload.seed = cell.seed;
            simulation::run(drive, &workload, observers)
        }
        Job::Replay { playback, how, .. } => {
            simulation::play_back(drive, playback, *how, observers)
        }
        Job::Served { .. } => unreachable!("a served cell is not simulated"),
    };
    match ran {
        Ok(summary) => judged(plan, cell, &summary),
        Err(error) => {
            let outcome = match &error {
                SimulationError::DriveStopped { .. } => Outcome::DriveFailed,
                _ => Outcome::RigFault,
            };
            without_figures(plan, cell, outcome, chain(error))
        }
    }
}

fn judged(plan: &Plan, cell: &Cell, summary: &Summary) -> Done {
    let measured = Measured::from(summary);
    let verdict = judge(&cell.demands, None, &measured);
    Done {
        line: Line::of(plan, cell, verdict, measured.figures()),
        measured: serde_json::to_value(summary).unwrap_or_default(),
        output: None,
    }
}

fn without_figures(plan: &Plan, cell: &Cell, outcome: Outcome, why: String) -> Done {
    let verdict = Verdict {
        outcome,
        assertions: Vec::new(),
        why: Some(why),
    };
    Done {
        line: Line::of(plan, cell, verdict, std::collections::BTreeMap::new()),
        measured: Value::Null,
        output: None,
    }
}

/// A state that a drive cannot be brought to is no fault of the machine.
pub(super) fn outcome_of_start(error: &StartError) -> Outcome {
    match error {
        StartError::Age { .. }
        | StartError::Word { .. }
        | StartError::Twice { .. }
        | StartError::Conventional { .. }
        | StartError::Layout(_) => Outcome::Invalid,
        StartError::Open(_) => Outcome::RigFault,
    }
}

/// An error and what led to it, in a line.
pub(super) fn chain(error: impl Into<anyhow::Error>) -> String {
    format!("{:#}", error.into())
}

fn panic_words(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "it stopped".to_owned())
}
