//! Owns the run of a workload, or of recorded requests, on a drive in virtual time.
//!
//! The drive is the production drive; time jumps from one thing that happens to the next: a request
//! comes, an answer is due, the drive wants to go on. Same profile and workload give the same
//! summary and the same events. Nobody is asked for the time and nothing waits.

pub mod course;
mod error;
mod fitting;
mod observers;
mod run;

use self::course::{Course, Outcome};
use self::run::Simulation;
use super::joining::joined;
use super::playback::Playback;
use super::recording::Recording;
use super::replay::{How, Replay};
use super::source::Source;
use super::summary::{About, Summary};
use super::workload::Workload;
use crate::drive::Drive;
use crate::profile::Profile;
use crate::time::Instant;
use crate::units::count;

use self::fitting::{check_fit, made};
pub use error::SimulationError;
pub use fitting::{fits, fits_back};
pub use observers::{AnswerSink, ChangeSink, JobSink, Observers, Progress};

/// What is asked of a drive.
#[derive(Clone, Copy, Debug)]
pub enum Load<'l> {
    /// Requests made as a workload says.
    Made(&'l Workload),
    /// Requests as they were recorded.
    Recorded {
        /// The recording.
        playback: &'l Playback,
        /// How it is replayed.
        how: How,
        /// Writes that go on where the one before ended become one of up to so many bytes; 0: none
        /// does.
        joined_bytes: u64,
    },
}

impl<'l> Load<'l> {
    /// The requests of a recording, each as it was.
    pub fn recorded(playback: &'l Playback, how: How) -> Load<'l> {
        Load::Recorded {
            playback,
            how,
            joined_bytes: 0,
        }
    }
}

/// Who is told of a run, and of what its jobs changed.
type Told<'a> = (Observers<'a>, Option<&'a mut ChangeSink<'a>>);

/// Runs `workload` on a drive whose time has not begun (see [`Start`](super::start::Start)) to its end.
///
/// # Errors
/// See [`SimulationError`].
pub fn run(
    drive: Drive,
    workload: &Workload,
    observers: Observers<'_>,
) -> Result<Summary, SimulationError> {
    let load = Load::Made(workload);
    Ok(carry_out(drive, load, &Course::of(load), observers)?.summary)
}

/// Runs a load as `course` says, on a drive whose time has not begun.
///
/// # Errors
/// See [`SimulationError`].
pub fn carry_out(
    drive: Drive,
    load: Load<'_>,
    course: &Course,
    observers: Observers<'_>,
) -> Result<Outcome, SimulationError> {
    carry_out_telling(drive, load, course, (observers, None))
}

/// Runs a load as it is, on a drive whose time has not begun; `changes` is told what its jobs changed.
///
/// # Errors
/// See [`SimulationError`].
pub fn run_told<'a>(
    drive: Drive,
    load: Load<'_>,
    observers: Observers<'a>,
    changes: &'a mut ChangeSink<'a>,
) -> Result<Summary, SimulationError> {
    let course = Course::of(load);
    Ok(carry_out_telling(drive, load, &course, (observers, Some(changes)))?.summary)
}

fn carry_out_telling(
    drive: Drive,
    load: Load<'_>,
    course: &Course,
    told: Told<'_>,
) -> Result<Outcome, SimulationError> {
    match load {
        Load::Made(workload) => made_days(drive, workload, course, told),
        Load::Recorded {
            playback,
            how,
            joined_bytes,
        } => {
            // Before the run, and not in the middle of it.
            fits_back(drive.profile(), playback, how.beyond)?;
            let capacity = drive.profile().drive.capacity_bytes;
            let opened = |_: &Profile| {
                let from = joined(playback.read()?, joined_bytes);
                let replay = Replay::new(Box::new(from), how, capacity);
                Ok(Source::Replayed(Box::new(replay)))
            };
            let about = About::recording(playback.name());
            let source = opened(drive.profile())?;
            let mut simulation = Simulation::new(drive, source, about, told);
            simulation.progress.count = Some(playback.requests.saturating_mul(course.days));
            simulation.run(course, opened)
        }
    }
}

fn made_days(
    drive: Drive,
    workload: &Workload,
    course: &Course,
    told: Told<'_>,
) -> Result<Outcome, SimulationError> {
    let source = made(drive.profile(), workload)?;
    let names = workload.streams.iter().map(|stream| stream.name.clone());
    let about = About {
        name: workload.name.clone(),
        seed: Some(workload.seed),
        streams: names.filter(|_| workload.streams.len() > 1).collect(),
    };
    let mut simulation = Simulation::new(drive, source, about, told);
    let (count, duration) = workload.extent();
    simulation.progress.count = count.map(|count| count.saturating_mul(course.days));
    simulation.progress.until = duration
        .filter(|_| course.days == 1)
        .map(|duration| Instant::default() + duration);
    let mut day = workload.clone();
    simulation.run(course, |profile| {
        day.seed = day.seed.wrapping_add(1);
        made(profile, &day)
    })
}

/// Runs the requests of a recording on a drive whose time has not begun, at the moments at which they
/// came.
///
/// # Errors
/// See [`SimulationError`].
pub fn replay(
    drive: Drive,
    recording: &Recording,
    observers: Observers<'_>,
) -> Result<Summary, SimulationError> {
    let all = || recording.requests.iter().copied().map(Ok);
    check_fit(drive.profile(), &mut all())?;
    let about = About::recording(recording.name.clone());
    let capacity = drive.profile().drive.capacity_bytes;
    let opened = |_: &Profile| {
        let replay = Replay::new(Box::new(all()), How::default(), capacity);
        Ok(Source::Replayed(Box::new(replay)))
    };
    let source = opened(drive.profile())?;
    let mut simulation = Simulation::new(drive, source, about, (observers, None));
    simulation.progress.count = Some(count(recording.requests.len()));
    Ok(simulation.run(&Course::default(), opened)?.summary)
}

/// Runs the requests of a recording on a drive whose time has not begun, reading them as it goes.
///
/// # Errors
/// See [`SimulationError`].
pub fn play_back(
    drive: Drive,
    playback: &Playback,
    how: How,
    observers: Observers<'_>,
) -> Result<Summary, SimulationError> {
    let load = Load::recorded(playback, how);
    Ok(carry_out(drive, load, &Course::default(), observers)?.summary)
}
