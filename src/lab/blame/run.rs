//! Owns a run that is watched for blame.

use std::cell::RefCell;

use super::account::Blame;
use super::watcher::Watcher;
use crate::drive::Drive;
use crate::lab::ranges::Ranges;
use crate::lab::simulation::{self, Load, Observers, Progress, SimulationError};

pub use super::ledger::Weigh;

/// Runs what is asked on a drive whose time has not begun, and tells which of `ranges` caused what.
///
/// # Errors
/// See [`SimulationError`].
pub fn run(
    drive: Drive,
    load: Load<'_>,
    (ranges, weigh): (Ranges, Weigh),
    progress: &mut dyn FnMut(&Progress),
) -> Result<Blame, SimulationError> {
    let watcher = RefCell::new(Watcher::new(&drive, ranges, weigh));
    let mut changes = |changes: &mut Vec<_>| {
        watcher.borrow_mut().take_changes(changes);
        Ok(())
    };
    let mut jobs = |records: &mut Vec<_>| {
        watcher.borrow_mut().take_jobs(records);
        Ok(())
    };
    let mut answers = |answers: &[_]| {
        watcher.borrow_mut().take_answers(answers);
        Ok(())
    };
    let observers = Observers {
        progress,
        jobs: Some(&mut jobs),
        answers: Some(&mut answers),
    };
    let summary = simulation::run_told(drive, load, observers, &mut changes)?;
    let (ranges, gathered) = watcher.into_inner().finish();
    #[cfg(test)]
    tests::conserved(&gathered, &summary);
    Ok(gathered.account(&ranges, weigh, &summary))
}

#[cfg(test)]
mod tests;
