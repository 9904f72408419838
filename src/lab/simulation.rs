//! Owns the run of a workload, or of recorded requests, on a drive in virtual time.
//!
//! The drive is the production drive; time jumps from one thing that happens to the next: a request
//! comes, an answer is due, the drive wants to go on. Same profile and workload give the same
//! summary and the same events. Nobody is asked for the time and nothing waits.

pub mod course;
mod error;

use std::collections::BTreeMap;

use self::course::{Course, Ended, Outcome, Shift, Stop};
use super::events::EventError;
use super::generator;
use super::joining::joined;
use super::playback::Playback;
use super::recording::{Recording, RecordingError};
use super::replay::{self, Beyond, Fault, How, Replay};
use super::series::Level;
use super::source::Source;
use super::streams::Streams;
use super::summary::{About, Gatherer, Summary};
use super::workload::{Afterwards, Workload};
use crate::drive::Drive;
use crate::drive::job_record::JobRecord;
use crate::drive::request::{Completion, Effect, Request};
use crate::host::recorder::Answered;
use crate::medium::movement::RequestId;
use crate::profile::Profile;
use crate::time::{Duration, Instant};
use crate::units::count;

pub use error::SimulationError;

/// Answers between two reports of progress.
const PROGRESS_EVERY: u64 = 4096;

/// How far a run has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Requests answered.
    pub answered: u64,
    /// Requests in all, if that is known.
    pub count: Option<u64>,
    /// Model time.
    pub now: Instant,
    /// Model time at which the last request comes, if that is known.
    pub until: Option<Instant>,
}

/// Takes the records of jobs, and empties the list.
pub type JobSink<'a> = dyn FnMut(&mut Vec<JobRecord>) -> Result<(), EventError> + 'a;

/// Takes answers in the order in which they were given.
pub type AnswerSink<'a> = dyn FnMut(&[Answered]) -> Result<(), RecordingError> + 'a;

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

/// Who is told what happens during a run.
pub struct Observers<'a> {
    /// From time to time, how far it is.
    pub progress: &'a mut dyn FnMut(&Progress),
    /// All jobs of the arm, in batches; `None`: they are not recorded.
    pub jobs: Option<&'a mut JobSink<'a>>,
    /// All answers, in batches.
    pub answers: Option<&'a mut AnswerSink<'a>>,
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
    match load {
        Load::Made(workload) => made_days(drive, workload, course, observers),
        Load::Recorded {
            playback,
            how,
            joined_bytes,
        } => {
            check_playback(drive.profile(), playback, how)?;
            let capacity = drive.profile().drive.capacity_bytes;
            let opened = |_: &Profile| {
                let from = joined(playback.read()?, joined_bytes);
                let replay = Replay::new(Box::new(from), how, capacity);
                Ok(Source::Replayed(Box::new(replay)))
            };
            let about = About::recording(playback.name());
            let source = opened(drive.profile())?;
            let mut simulation = Simulation::new(drive, source, about, observers);
            simulation.progress.count = Some(playback.requests.saturating_mul(course.days));
            simulation.run(course, opened)
        }
    }
}

fn made_days(
    drive: Drive,
    workload: &Workload,
    course: &Course,
    observers: Observers<'_>,
) -> Result<Outcome, SimulationError> {
    let source = made(drive.profile(), workload)?;
    let names = workload.streams.iter().map(|stream| stream.name.clone());
    let about = About {
        name: workload.name.clone(),
        seed: Some(workload.seed),
        streams: names.filter(|_| workload.streams.len() > 1).collect(),
    };
    let mut simulation = Simulation::new(drive, source, about, observers);
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
    let mut simulation = Simulation::new(drive, source, about, observers);
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

/// Before the run, and not in the middle of it.
fn check_playback(profile: &Profile, playback: &Playback, how: How) -> Result<(), SimulationError> {
    if how.beyond == Beyond::Refuse && playback.end_bytes > profile.drive.capacity_bytes {
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

struct Simulation<'a, 's> {
    drive: Drive,
    now: Instant,
    capacity: u64,
    source: Source<'s>,
    shift: Shift,
    stop: Stop,
    last_answer: Instant,
    /// Answers that are not due yet.
    pending: BTreeMap<(Instant, RequestId), Completion>,
    effects: Vec<Effect>,
    jobs: Vec<JobRecord>,
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
        observers: Observers<'a>,
    ) -> Simulation<'a, 's> {
        drive.record_jobs(observers.jobs.is_some());
        Simulation {
            now: Instant::default(),
            capacity: drive.profile().drive.capacity_bytes,
            drive,
            source,
            shift: Shift::default(),
            stop: Stop::default(),
            last_answer: Instant::default(),
            pending: BTreeMap::new(),
            effects: Vec::new(),
            jobs: Vec::new(),
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

    /// Runs the load as `course` says; `another` makes it for another day.
    fn run(
        mut self,
        course: &Course,
        mut another: impl FnMut(&Profile) -> Result<Source<'s>, SimulationError>,
    ) -> Result<Outcome, SimulationError> {
        self.shift = Shift::new(course.pauses);
        self.stop = course.stop;
        let mut ended = self.serve_requests()?;
        for _ in 1..course.days {
            if ended != Ended::Done {
                break;
            }
            self.shift
                .next_day(self.source.submitted(), self.last_answer);
            self.source = another(self.drive.profile())?;
            ended = self.serve_requests()?;
        }
        if course.drain && ended == Ended::Done {
            ended = self.drain()?;
        }
        self.hand_over()?;
        let status = self.drive.status(self.now);
        let summary = self.gatherer.finish(self.drive.profile(), &status);
        Ok(Outcome { summary, ended })
    }

    fn serve_requests(&mut self) -> Result<Ended, SimulationError> {
        loop {
            while let Some(at) = self.comes().filter(|at| *at <= self.now) {
                self.submit(at.max(self.now))?;
            }
            let due = self.pending.first_key_value().map(|((due, _), _)| *due);
            let deadline = self.drive.next_deadline().map(|deadline| deadline.at);
            let comes = self.comes();
            if due.is_none() && comes.is_none() && self.source.under_way() == 0 {
                self.check_source()?;
                return Ok(Ended::Done);
            }
            let next = [due, deadline, comes].into_iter().flatten().min();
            let Some(next) = next else {
                return Err(self.stopped("requests are under way and the drive waits for nothing"));
            };
            if self.stop.load_at.is_some_and(|at| next > at) {
                return Ok(Ended::TooLong);
            }
            self.advance(next.max(self.now))?;
            self.take_answers()?;
            if self.stop.out_of_room && self.gatherer.has_run_out_of_room() {
                return Ok(Ended::OutOfRoom);
            }
        }
    }

    /// When the next request comes, if nothing is answered until then. Puts a pause before it where one
    /// is due and nothing is under way.
    fn comes(&mut self) -> Option<Instant> {
        let next = self.source.next();
        if self.shift.waits() && self.source.under_way() == 0 {
            self.shift.pause(next?, self.last_answer);
        }
        self.shift.comes(next)
    }

    /// A recording may end because it cannot be read any more.
    fn check_source(&mut self) -> Result<(), SimulationError> {
        match self.source.take_fault() {
            None => Ok(()),
            Some(Fault::Recording(error)) => Err(error.into()),
            Some(Fault::Unfit { request, refusal }) => Err(SimulationError::Unfit {
                request,
                drive: self.drive.profile().name.clone(),
                refusal,
            }),
        }
    }

    /// Lets the drive do what it does on its own account, to the end.
    fn drain(&mut self) -> Result<Ended, SimulationError> {
        let until = self.stop.drain_after.map(|time| self.last_answer + time);
        while let Some(deadline) = self.drive.next_deadline() {
            if until.is_some_and(|until| deadline.at > until) {
                return Ok(Ended::NotDrained);
            }
            self.advance(deadline.at.max(self.now))?;
            self.progress.now = self.now;
            self.hand_over()?;
        }
        self.gatherer.drained(self.now);
        Ok(Ended::Done)
    }

    fn submit(&mut self, at: Instant) -> Result<(), SimulationError> {
        if self.source.under_way() == 0 {
            self.gatherer.begins(at);
        }
        let wanted = self.source.take();
        self.shift.note_submitted();
        let id = RequestId(self.shift.name(self.source.submitted()));
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
            self.last_answer = completion.due;
            let number = self.shift.number(completion.request.0);
            let own = self.shift.own(completion.due);
            let stream = self.source.note_answered(number, own);
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
