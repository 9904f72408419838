//! Owns the run of a workload, or of recorded requests, on a drive in virtual time.
//!
//! The drive is the production drive; time jumps from one thing that happens to the next: a request
//! comes, an answer is due, the drive wants to go on. Same profile and workload give the same
//! summary and the same events. Nobody is asked for the time and nothing waits.

mod error;
mod fitting;
mod observers;

use std::collections::BTreeMap;

use super::playback::Playback;
use super::recording::Recording;
use super::replay::{self, Fault, How, Replay};
use super::series::Level;
use super::source::Source;
use super::summary::{About, Gatherer, Summary};
use super::workload::{Afterwards, Workload};
use crate::drive::Drive;
use crate::drive::job_record::{ChangeRecord, JobRecord};
use crate::drive::request::{Completion, Effect, Request};
use crate::host::recorder::Answered;
use crate::medium::movement::RequestId;
use crate::time::{Duration, Instant};
use crate::units::count;

use fitting::{check_fit, made};

pub use error::SimulationError;
pub use fitting::{fits, fits_back};
pub use observers::{AnswerSink, ChangeSink, JobSink, Observers, Progress};

/// Answers between two reports of progress.
const PROGRESS_EVERY: u64 = 4096;

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
    match asked {
        Asked::Workload(workload) => run_telling(drive, workload, observers, changes),
        Asked::Recording(playback, how) => {
            play_back_telling(drive, playback, how, (observers, changes))
        }
    }
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
    run_telling(drive, workload, observers, None)
}

fn run_telling<'a>(
    drive: Drive,
    workload: &Workload,
    observers: Observers<'a>,
    changes: Option<&'a mut ChangeSink<'a>>,
) -> Result<Summary, SimulationError> {
    let source = made(drive.profile(), workload)?;
    let names = workload.streams.iter().map(|stream| stream.name.clone());
    let about = About {
        name: workload.name.clone(),
        seed: Some(workload.seed),
        streams: names.filter(|_| workload.streams.len() > 1).collect(),
    };
    let mut simulation = Simulation::new(drive, source, about, (observers, changes));
    let (count, duration) = workload.extent();
    simulation.progress.count = count;
    simulation.progress.until = duration.map(|duration| Instant::default() + duration);
    simulation.serve_requests()?;
    if workload.afterwards == Afterwards::Drain {
        simulation.drain()?;
    }
    simulation.finish()
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
    let count = count(recording.requests.len());
    let about = (recording.name.clone(), count);
    let told = (observers, None);
    replay_from(drive, about, (&mut all(), How::default()), told)
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
    play_back_telling(drive, playback, how, (observers, None))
}

fn play_back_telling(
    drive: Drive,
    playback: &Playback,
    how: How,
    told: Told<'_>,
) -> Result<Summary, SimulationError> {
    // Before the run, and not in the middle of it.
    fits_back(drive.profile(), playback, how.beyond)?;
    let about = (playback.name(), playback.requests);
    replay_from(drive, about, (&mut playback.read()?, how), told)
}

fn replay_from(
    drive: Drive,
    (name, count): (String, u64),
    (from, how): (&mut replay::From<'_>, How),
    told: Told<'_>,
) -> Result<Summary, SimulationError> {
    let replay = Replay::new(from, how, drive.profile().drive.capacity_bytes);
    let about = About {
        name,
        seed: None,
        streams: Vec::new(),
    };
    let source = Source::Replayed(Box::new(replay));
    let mut simulation = Simulation::new(drive, source, about, told);
    simulation.progress.count = Some(count);
    simulation.serve_requests()?;
    match simulation.source.take_fault() {
        None => simulation.finish(),
        Some(Fault::Recording(error)) => Err(error.into()),
        Some(Fault::Unfit { request, refusal }) => Err(SimulationError::Unfit {
            request,
            drive: simulation.drive.profile().name.clone(),
            refusal,
        }),
    }
}

/// Who is told of a run, and of what its jobs changed.
type Told<'a> = (Observers<'a>, Option<&'a mut ChangeSink<'a>>);

struct Simulation<'a, 's> {
    drive: Drive,
    now: Instant,
    capacity: u64,
    source: Source<'s>,
    /// Answers that are not due yet.
    pending: BTreeMap<(Instant, RequestId), Completion>,
    effects: Vec<Effect>,
    jobs: Vec<JobRecord>,
    changed: Vec<ChangeRecord>,
    changes: Option<&'a mut ChangeSink<'a>>,
    answers: Vec<Answered>,
    gatherer: Gatherer,
    observers: Observers<'a>,
    progress: Progress,
}

impl<'a, 's> Simulation<'a, 's> {
    fn new(
        mut drive: Drive,
        source: Source<'s>,
        about: About,
        (observers, changes): Told<'a>,
    ) -> Simulation<'a, 's> {
        drive.record_jobs(observers.jobs.is_some());
        drive.record_changes(changes.is_some());
        Simulation {
            now: Instant::default(),
            capacity: drive.profile().drive.capacity_bytes,
            drive,
            source,
            pending: BTreeMap::new(),
            effects: Vec::new(),
            jobs: Vec::new(),
            changed: Vec::new(),
            changes,
            answers: Vec::new(),
            gatherer: Gatherer::new(about),
            observers,
            progress: Progress {
                answered: 0,
                count: None,
                now: Instant::default(),
                until: None,
            },
        }
    }

    fn finish(mut self) -> Result<Summary, SimulationError> {
        self.hand_over()?;
        let status = self.drive.status(self.now);
        Ok(self.gatherer.finish(self.drive.profile(), &status))
    }

    fn serve_requests(&mut self) -> Result<(), SimulationError> {
        loop {
            while let Some(at) = self.source.next().filter(|at| *at <= self.now) {
                self.submit(at.max(self.now))?;
            }
            let due = self.pending.first_key_value().map(|((due, _), _)| *due);
            let deadline = self.drive.next_deadline().map(|deadline| deadline.at);
            let comes = self.source.next();
            if due.is_none() && comes.is_none() && self.source.under_way() == 0 {
                return Ok(());
            }
            let next = [due, deadline, comes].into_iter().flatten().min();
            let Some(next) = next else {
                return Err(self.stopped("requests are under way and the drive waits for nothing"));
            };
            self.advance(next.max(self.now))?;
            self.take_answers()?;
        }
    }

    /// Lets the drive do what it does on its own account, to the end.
    fn drain(&mut self) -> Result<(), SimulationError> {
        let status = self.drive.status(self.now);
        let fill = (status.staging_slots_used, status.staging_slots);
        self.gatherer.left_alone(self.now, fill);
        while let Some(deadline) = self.drive.next_deadline() {
            self.advance(deadline.at.max(self.now))?;
            self.progress.now = self.now;
            self.hand_over()?;
        }
        self.gatherer.drained(self.now);
        Ok(())
    }

    fn submit(&mut self, at: Instant) -> Result<(), SimulationError> {
        if self.source.under_way() == 0 {
            self.gatherer.begins(at);
        }
        let wanted = self.source.take();
        let id = RequestId(self.source.submitted());
        let request = Request::new(
            id,
            wanted.operation,
            wanted.offset,
            wanted.bytes,
            self.capacity,
        )
        .expect("it was found to lie on the drive");
        self.drive.submit(at, request);
        self.collect()
    }

    fn advance(&mut self, to: Instant) -> Result<(), SimulationError> {
        self.now = to;
        self.drive.advance(to);
        self.collect()
    }

    /// Takes what the drive has to say. Plans are dropped: nobody carries bytes.
    fn collect(&mut self) -> Result<(), SimulationError> {
        if let Some(why) = self.drive.failure() {
            return Err(self.stopped(why));
        }
        self.drive.drain_effects(&mut self.effects);
        for effect in self.effects.drain(..) {
            if let Effect::Complete(completion) = effect {
                self.pending
                    .insert((completion.due, completion.request), completion);
            }
        }
        let level = self
            .drive
            .translation()
            .map_or(Level::default(), |t| Level {
                staging_slots_used: t.slots_used(),
                dirty_bands: t.dirty_bands(),
            });
        self.gatherer.level(self.now, level);
        Ok(())
    }

    fn take_answers(&mut self) -> Result<(), SimulationError> {
        while let Some(first) = self.pending.first_entry()
            && first.key().0 <= self.now
        {
            let completion = first.remove();
            let stream = self
                .source
                .note_answered(completion.request.0, completion.due);
            self.gatherer.take(&completion, stream);
            if self.observers.answers.is_some() {
                let lag = Duration::ZERO;
                self.answers.push(Answered { completion, lag });
            }
            self.progress.answered += 1;
            if self.progress.answered.is_multiple_of(PROGRESS_EVERY) {
                self.progress.now = self.now;
                (self.observers.progress)(&self.progress);
                self.hand_over()?;
            }
        }
        Ok(())
    }

    fn hand_over(&mut self) -> Result<(), SimulationError> {
        if let Some(sink) = &mut self.changes {
            self.drive.drain_changes(&mut self.changed);
            sink(&mut self.changed)?;
        }
        if let Some(sink) = &mut self.observers.jobs {
            self.drive.drain_jobs(&mut self.jobs);
            sink(&mut self.jobs)?;
        }
        if let Some(sink) = &mut self.observers.answers {
            sink(&self.answers)?;
            self.answers.clear();
        }
        Ok(())
    }

    fn stopped(&self, why: &str) -> SimulationError {
        SimulationError::DriveStopped {
            why: why.to_owned(),
            answered: self.progress.answered,
        }
    }
}
