//! Owns what a matrix file says, complete and valid in itself: axes, cells left out, demands.
//!
//! The profiles, workloads and recordings are words here; `parts` finds out what they stand for.
//! Always holds: no axis is empty, and the items of an axis are told apart by their names.

use super::demand::Demand;
use crate::host::clock::Pace;
use crate::lab::replay::How;
use crate::lab::start::Start;
use crate::profile::changed::Change;
use crate::time::Duration;

/// What a matrix file says.
#[derive(Clone, Debug, PartialEq)]
pub struct Matrix {
    /// Short name, shown to people.
    pub name: String,
    /// Starts of everything that looks random.
    pub seeds: Vec<u64>,
    /// How the drive is when a cell begins.
    pub starts: Vec<StartWords>,
    /// The drives.
    pub drives: Vec<DriveWords>,
    /// Sets of changes of the profiles.
    pub changes: Vec<ChangeSet>,
    /// What is asked.
    pub works: Vec<Work>,
    /// Cells that are not run.
    pub left_out: Vec<Pick>,
    /// What must hold, and of which cells.
    pub demands: Vec<(Pick, Demand)>,
}

/// A state of a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StartWords {
    /// As it is written.
    pub words: String,
    /// What that means.
    pub start: Start,
    /// Whether it has a seed of its own.
    pub seeded: bool,
}

/// A drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DriveWords {
    /// Its name.
    pub name: String,
    /// A built-in profile, or a file.
    pub profile: String,
    /// What it is scaled to.
    pub capacity: Option<u64>,
}

/// Keys of a profile set anew.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangeSet {
    /// Its name.
    pub name: String,
    /// The changes, the later ones over the former.
    pub changes: Vec<Change>,
}

/// Something that is asked of drives.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Work {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: WorkKind,
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WorkKind {
    /// A workload in virtual time.
    Workload {
        /// A name, a file, or words.
        words: String,
        /// Requests in all, instead of the workload's.
        count: Option<u64>,
        /// Time in which requests are submitted, instead of the workload's.
        duration: Option<Duration>,
    },
    /// A recording in virtual time.
    Replay {
        /// The file.
        file: String,
        /// How it is replayed.
        how: How,
    },
    /// Something beside a served drive.
    Served(Served),
}

/// Something that is run beside a served drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Served {
    /// What.
    pub task: Task,
    /// How long the drive takes.
    pub pace: Pace,
    /// Percent of the answers that may be late.
    pub late_percent_max: u64,
    /// Exit code that is demanded.
    pub exit: i32,
    /// Whether the image is checked.
    pub verify: bool,
    /// Real time in which it must end.
    pub ends_within: Duration,
}

/// What is run beside a served drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Task {
    /// A command line with placeholders.
    Command(String),
    /// A script in a guest.
    Guest {
        /// The file.
        script: String,
        /// As what the guest sees the drive.
        attach: Attach,
        /// Arguments of the script.
        arguments: Vec<String>,
    },
}

/// As what a guest sees a drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Attach {
    /// A virtio disk.
    Virtio,
    /// A SATA disk.
    Sata,
    /// A SCSI disk.
    Scsi,
}

/// Some of the cells: those whose place each list names. Indices of the axes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pick {
    /// Drives; `None`: all, as with the others.
    pub drives: Option<Vec<usize>>,
    /// Sets of changes.
    pub changes: Option<Vec<usize>>,
    /// Starts.
    pub starts: Option<Vec<usize>>,
    /// Works.
    pub works: Option<Vec<usize>>,
}

/// Where a cell lies, as indices of the axes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Drive.
    pub drive: usize,
    /// Set of changes.
    pub change: usize,
    /// Start.
    pub start: usize,
    /// Work.
    pub work: usize,
}

impl Pick {
    /// Whether it names this place.
    pub fn names(&self, place: Place) -> bool {
        let named = |list: &Option<Vec<usize>>, at: usize| {
            list.as_ref().is_none_or(|list| list.contains(&at))
        };
        named(&self.drives, place.drive)
            && named(&self.changes, place.change)
            && named(&self.starts, place.start)
            && named(&self.works, place.work)
    }
}

impl StartWords {
    /// The state for cells with this seed.
    pub fn with_seed(&self, seed: u64) -> Start {
        if self.seeded {
            self.start
        } else {
            self.start.seeded(seed)
        }
    }
}
