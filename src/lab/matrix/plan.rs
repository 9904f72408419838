//! Owns the cells of a matrix: every combination of its axes that is not left out, with what is
//! demanded of it.
//!
//! Always holds: the order is that of nested loops (drives, changes, starts, works, seeds), cells are
//! numbered from 1 in it, and whatever can be known before a run to be impossible was refused. The
//! fingerprint covers all that decides what comes out, the version of imbrex included.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use super::demand::Demand;
use super::error::MatrixError;
use super::mark;
pub use super::parts::Job;
use super::parts::{self, chain};
use super::spec::{Matrix, Place};
use crate::lab::simulation;
use crate::lab::start::Start;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::changed::Change;
use crate::units::count;

/// Most cells of a matrix.
pub const CELLS_MAX: u64 = 1_000_000;

/// A matrix that can be run.
#[derive(Debug)]
pub struct Plan {
    /// What the file says.
    pub matrix: Matrix,
    /// What the works are, in their order.
    pub jobs: Vec<Job>,
    /// All cells, in the order of their numbers.
    pub cells: Vec<Cell>,
    /// Of all that decides what comes out.
    pub fingerprint: String,
}

/// One run.
#[derive(Clone, Debug)]
pub struct Cell {
    /// From 1 on.
    pub number: u64,
    /// Where it lies.
    pub place: Place,
    /// Start of everything that looks random.
    pub seed: u64,
    /// How the drive is when it begins.
    pub start: Start,
    /// The drive, changed.
    pub profile: Arc<Profile>,
    /// What must hold.
    pub demands: Vec<Demand>,
}

/// Which drive a cell begins with: cells with equal ones can share it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Beginning {
    drive: usize,
    change: usize,
    start: String,
}

impl Plan {
    /// Finds what `matrix` names, looking for files from `folder` on, and lays out the cells.
    ///
    /// # Errors
    /// [`MatrixError::Parts`] with everything that cannot be used or does not fit together.
    pub fn new(matrix: Matrix, file_name: &str, folder: &Path) -> Result<Plan, MatrixError> {
        let mut problems = Vec::new();
        let profiles = profiles(&matrix, folder, &mut problems);
        let mut jobs = Vec::new();
        for (at, work) in matrix.works.iter().enumerate() {
            match parts::job(&work.kind, folder) {
                Ok(job) => jobs.push(job),
                Err(told) => problems.push(format!("work[{at}] ({}): {told}", work.name)),
            }
        }
        let asked = expanded(&matrix);
        if asked > CELLS_MAX {
            let told = format!("the axes make {asked} cells; at most {CELLS_MAX} are allowed");
            problems.push(told);
        }
        let mut cells = Vec::new();
        if problems.is_empty() {
            cells = lay_out(&matrix, &profiles);
            check_fit(&matrix, &jobs, &cells, &mut problems);
            check_demands(&matrix, &jobs, &cells, &mut problems);
        }
        if !problems.is_empty() {
            return Err(MatrixError::Parts {
                file: file_name.to_owned(),
                problems,
            });
        }
        let fingerprint = fingerprint(&matrix, &jobs, &cells);
        Ok(Plan {
            matrix,
            jobs,
            cells,
            fingerprint,
        })
    }

    /// The job of a cell.
    pub fn job(&self, cell: &Cell) -> &Job {
        &self.jobs[cell.place.work]
    }

    /// Which drive a cell begins with.
    pub fn beginning(&self, cell: &Cell) -> Beginning {
        Beginning {
            drive: cell.place.drive,
            change: cell.place.change,
            start: cell.start.to_string(),
        }
    }

    /// The name of a cell's drive.
    pub fn drive_name(&self, cell: &Cell) -> &str {
        &self.matrix.drives[cell.place.drive].name
    }

    /// The name of a cell's work.
    pub fn work_name(&self, cell: &Cell) -> &str {
        &self.matrix.works[cell.place.work].name
    }

    /// The changes of a cell's profile, in words.
    pub fn change_words(&self, cell: &Cell) -> Vec<String> {
        let set = &self.matrix.changes[cell.place.change];
        set.changes.iter().map(Change::to_string).collect()
    }

    /// A cell in a line, for people.
    pub fn words(&self, cell: &Cell) -> String {
        let mut words = format!(
            "{}, {}, {}, seed {}",
            self.drive_name(cell),
            cell.start,
            self.work_name(cell),
            cell.seed
        );
        for change in self.change_words(cell) {
            let _ = write!(words, ", {change}");
        }
        words
    }
}

/// Combinations of the axes, those left out included.
fn expanded(matrix: &Matrix) -> u64 {
    let axes = [
        matrix.drives.len(),
        matrix.changes.len(),
        matrix.starts.len(),
        matrix.works.len(),
        matrix.seeds.len(),
    ];
    axes.into_iter().map(count).fold(1, u64::saturating_mul)
}

/// The profile of each drive with each set of changes.
fn profiles(matrix: &Matrix, folder: &Path, problems: &mut Vec<String>) -> Vec<Vec<Arc<Profile>>> {
    let mut all = Vec::new();
    for (at, drive) in matrix.drives.iter().enumerate() {
        let profile = match parts::profile(drive, folder) {
            Ok(profile) => profile,
            Err(told) => {
                problems.push(format!("drive[{at}] ({}): {told}", drive.name));
                continue;
            }
        };
        let mut changed = Vec::new();
        for (set_at, set) in matrix.changes.iter().enumerate() {
            match profile.changed(&set.changes) {
                Ok(profile) => changed.push(Arc::new(profile)),
                Err(told) => problems.push(format!(
                    "change[{set_at}] ({}) on drive[{at}] ({}): {told}",
                    set.name, drive.name
                )),
            }
        }
        all.push(changed);
    }
    all
}

fn lay_out(matrix: &Matrix, profiles: &[Vec<Arc<Profile>>]) -> Vec<Cell> {
    let mut cells = Vec::new();
    for place in places(matrix) {
        if matrix.left_out.iter().any(|pick| pick.names(place)) {
            continue;
        }
        let demands = matrix.demands.iter().filter(|(pick, _)| pick.names(place));
        let demands: Vec<Demand> = demands.map(|(_, demand)| demand.clone()).collect();
        for &seed in &matrix.seeds {
            cells.push(Cell {
                number: count(cells.len()) + 1,
                place,
                seed,
                start: matrix.starts[place.start].with_seed(seed),
                profile: Arc::clone(&profiles[place.drive][place.change]),
                demands: demands.clone(),
            });
        }
    }
    cells
}

/// All places, the last axis fastest.
fn places(matrix: &Matrix) -> impl Iterator<Item = Place> {
    let (changes, starts, works) = (
        matrix.changes.len(),
        matrix.starts.len(),
        matrix.works.len(),
    );
    let all = matrix.drives.len() * changes * starts * works;
    (0..all).map(move |at| Place {
        drive: at / (changes * starts * works),
        change: at / (starts * works) % changes,
        start: at / works % starts,
        work: at % works,
    })
}

/// Whether every work can be run on the drives that it meets.
fn check_fit(matrix: &Matrix, jobs: &[Job], cells: &[Cell], problems: &mut Vec<String>) {
    if cells.is_empty() {
        problems.push("leave_out: no cell is left".to_owned());
    }
    let mut seen = BTreeSet::new();
    for cell in cells {
        let place = cell.place;
        if !seen.insert((place.drive, place.change, place.work)) {
            continue;
        }
        if let Err(told) = Layout::new(&cell.profile) {
            problems.push(format!(
                "drive[{}] ({}) with change[{}] ({}): {}",
                place.drive,
                matrix.drives[place.drive].name,
                place.change,
                matrix.changes[place.change].name,
                chain(&told)
            ));
        }
        let fit = match &jobs[place.work] {
            Job::Workload { workload, .. } => simulation::fits(&cell.profile, workload),
            Job::Replay { playback, how, .. } => {
                simulation::fits_back(&cell.profile, playback, how.beyond)
            }
            Job::Served { .. } => Ok(()),
        };
        if let Err(told) = fit {
            problems.push(format!(
                "work[{}] ({}) on drive[{}] ({}) with change[{}] ({}): {}; or leave it out with [[leave_out]]",
                place.work,
                matrix.works[place.work].name,
                place.drive,
                matrix.drives[place.drive].name,
                place.change,
                matrix.changes[place.change].name,
                chain(&told)
            ));
        }
    }
}

/// Whether every demand is one of some cell, and can be told of those.
fn check_demands(matrix: &Matrix, jobs: &[Job], cells: &[Cell], problems: &mut Vec<String>) {
    for (pick, demand) in &matrix.demands {
        let meant: BTreeSet<usize> = cells
            .iter()
            .filter(|cell| pick.names(cell.place))
            .map(|cell| cell.place.work)
            .collect();
        if meant.is_empty() {
            problems.push(format!("demand ({demand}): no cell is meant by it"));
        }
        for work in meant {
            if demand.needs_draining() && !jobs[work].drains() {
                problems.push(format!(
                    "demand ({demand}): work[{work}] ({}) does not let the drive drain (afterwards = \
                     \"drain\" in a workload, then-drain in words); change it, or name the works that \
                     are meant: works = [...]",
                    matrix.works[work].name
                ));
            }
        }
    }
}

fn fingerprint(matrix: &Matrix, jobs: &[Job], cells: &[Cell]) -> String {
    let mut text = format!("imbrex {}\n", env!("CARGO_PKG_VERSION"));
    for (work, job) in matrix.works.iter().zip(jobs) {
        let _ = writeln!(text, "{}: {}", work.name, job.essence());
    }
    let mut drives = BTreeSet::new();
    for cell in cells {
        let place = cell.place;
        if drives.insert((place.drive, place.change)) {
            let name = &matrix.drives[place.drive].name;
            let _ = writeln!(text, "{name}\n{}", cell.profile.to_toml());
        }
        let _ = writeln!(
            text,
            "{}: {place:?} {} {} {:?}",
            cell.number, cell.start, cell.seed, cell.demands
        );
    }
    mark::of(&text)
}

#[cfg(test)]
mod tests;
