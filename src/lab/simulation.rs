//! Owns the run of a workload, or of recorded requests, on a drive in virtual time.
//!
//! The drive is the production drive; time jumps from one thing that happens to the next: a request
//! comes, an answer is due, the drive wants to go on. Same profile and workload give the same
//! summary and the same events. Nobody is asked for the time and nothing waits.

pub mod course;
mod error;
mod observers;
mod run;

use self::course::{Course, Outcome};
use self::run::Simulation;
use super::generator;
use super::joining::joined;
use super::playback::Playback;
use super::recording::Recording;
use super::replay::{self, Beyond, How, Replay};
use super::source::Source;
use super::streams::Streams;
use super::summary::{About, Summary};
use super::workload::{Afterwards, Workload};
use crate::drive::Drive;
use crate::profile::Profile;
use crate::time::Instant;
use crate::units::count;

pub use error::SimulationError;
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

/// What a drive is asked for.
#[derive(Clone, Copy, Debug)]
pub enum Asked<'a> {
    /// A workload.
    Workload(&'a Workload),
    /// The requests of a recording.
    Recording(&'a Playback, How),
}

/// Runs whatever is `asked` on a drive whose time has not begun; `changes` is told what its jobs changed.
///
/// # Errors
/// See [`SimulationError`].
pub fn run_asked<'a>(
    drive: Drive,
    asked: Asked<'_>,
    observers: Observers<'a>,
    changes: Option<&'a mut ChangeSink<'a>>,
) -> Result<Summary, SimulationError> {
    let (load, drain) = match asked {
        Asked::Workload(workload) => {
            let drain = workload.afterwards == Afterwards::Drain;
            (Load::Made(workload), drain)
        }
        Asked::Recording(playback, how) => {
            let joined_bytes = 0;
            let load = Load::Recorded {
                playback,
                how,
                joined_bytes,
            };
            (load, false)
        }
    };
    let course = Course {
        drain,
        ..Course::default()
    };
    Ok(carry_out_telling(drive, load, &course, (observers, changes))?.summary)
}

/// Runs `workload` on a drive whose time has not begun (see [`Start`](super::start::Start)) to its end.
///
/// # Errors
/// See [`SimulationError`].
pub fn run(
    drive: Drive,
    workload: &Workload,
    observers: Observers<'_>,
) -> Result<Summary, SimulationError> {
    let course = Course {
        drain: workload.afterwards == Afterwards::Drain,
        ..Course::default()
    };
    Ok(carry_out(drive, Load::Made(workload), &course, observers)?.summary)
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
    let load = Load::Recorded {
        playback,
        how,
        joined_bytes: 0,
    };
    Ok(carry_out(drive, load, &Course::default(), observers)?.summary)
}

/// Whether `workload` can be run on a drive of `profile`.
///
/// # Errors
/// What of it does not fit.
pub fn fits(profile: &Profile, workload: &Workload) -> Result<(), SimulationError> {
    made(profile, workload).map(drop)
}

/// Whether every request of a recording can be run on a drive of `profile`.
///
/// # Errors
/// The first that does not fit.
pub fn fits_back(
    profile: &Profile,
    playback: &Playback,
    beyond: Beyond,
) -> Result<(), SimulationError> {
    if beyond == Beyond::Refuse && playback.end_bytes > profile.drive.capacity_bytes {
        check_fit(profile, &mut playback.read()?)?;
    }
    Ok(())
}

fn check_fit(profile: &Profile, all: &mut replay::From<'_>) -> Result<(), SimulationError> {
    for recorded in all {
        let recorded = recorded?;
        let fits = replay::fitted(&recorded, Beyond::Refuse, profile.drive.capacity_bytes);
        fits.map_err(|refusal| SimulationError::Unfit {
            request: recorded.number,
            drive: profile.name.clone(),
            refusal,
        })?;
    }
    Ok(())
}

/// The requests of a workload, if it fits the drive.
fn made(profile: &Profile, workload: &Workload) -> Result<Source<'static>, SimulationError> {
    let trims = workload.streams.iter().find(|stream| stream.mix.trim > 0);
    if let Some(stream) = trims.filter(|_| !profile.trim.enabled) {
        return Err(SimulationError::NoTrim {
            stream: stream.name.clone(),
            percent: stream.mix.trim,
            drive: profile.name.clone(),
        });
    }
    let capacity = profile.drive.capacity_bytes;
    let streams = Streams::new(workload, capacity).map_err(|misfit| {
        let stream = &workload.streams[misfit.0];
        let (from, length) = generator::range(stream, capacity);
        SimulationError::OutOfRange {
            stream: stream.name.clone(),
            from,
            length,
            request: stream.largest(),
            capacity,
        }
    })?;
    Ok(Source::Made(Box::new(streams)))
}

/// Who is told of a run, and of what its jobs changed.
type Told<'a> = (Observers<'a>, Option<&'a mut ChangeSink<'a>>);
