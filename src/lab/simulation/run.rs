//! Owns a run under way: time jumps from one thing that happens to the next, which is that a request
//! comes, an answer is due, the drive wants to go on, or a pause is over.
//!
//! It does not know where requests come from nor what is made of the figures.

use std::collections::BTreeMap;

use super::course::{Course, Ended, Outcome, Shift, Stop};
use super::{ChangeSink, Observers, Progress, SimulationError, Told};
use crate::drive::Drive;
use crate::drive::job_record::{ChangeRecord, JobRecord};
use crate::drive::request::{Completion, Effect, Request};
use crate::host::recorder::Answered;
use crate::lab::replay::Fault;
use crate::lab::series::Level;
use crate::lab::source::Source;
use crate::lab::summary::{About, Gatherer};
use crate::medium::movement::RequestId;
use crate::profile::Profile;
use crate::time::{Duration, Instant};

/// Answers between two reports of progress.
const PROGRESS_EVERY: u64 = 4096;

/// A run under way.
pub(super) struct Simulation<'a, 's> {
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
    changed: Vec<ChangeRecord>,
    changes: Option<&'a mut ChangeSink<'a>>,
    answers: Vec<Answered>,
    gatherer: Gatherer,
    observers: Observers<'a>,
    pub(super) progress: Progress,
}

impl<'a, 's> Simulation<'a, 's> {
    /// A run of the requests of `source` that has not begun.
    pub(super) fn new(
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
            shift: Shift::default(),
            stop: Stop::default(),
            last_answer: Instant::default(),
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

    /// Runs the load as `course` says; `another` makes it for another day.
    pub(super) fn run(
        mut self,
        course: &Course,
        mut another: impl FnMut(&Profile) -> Result<Source<'s>, SimulationError>,
    ) -> Result<Outcome, SimulationError> {
        self.shift = Shift::new(course.pauses);
        self.stop = course.stop;
        let mut ended = self.serve_requests()?;
        let mut left = self.level();
        let mut answered_by_day = vec![self.progress.answered];
        for _ in 1..course.days {
            if ended != Ended::Done {
                break;
            }
            self.shift
                .next_day(self.source.submitted(), self.last_answer);
            self.source = another(self.drive.profile())?;
            ended = self.serve_requests()?;
            answered_by_day.push(self.progress.answered);
            let before = std::mem::replace(&mut left, self.level());
            let no_more = left.staging_slots_used <= before.staging_slots_used
                && left.dirty_bands <= before.dirty_bands;
            if self.stop.settled && no_more && ended == Ended::Done {
                ended = Ended::Settled;
            }
        }
        if course.drain && ended == Ended::Done {
            ended = self.drain()?;
        }
        self.hand_over()?;
        let status = self.drive.status(self.now);
        let summary = self.gatherer.finish(self.drive.profile(), &status);
        Ok(Outcome {
            summary,
            ended,
            answered_by_day,
        })
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
        let status = self.drive.status(self.now);
        let fill = (status.staging_slots_used, status.staging_slots);
        self.gatherer.left_alone(self.now, fill);
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
        let level = self.level();
        self.gatherer.level(self.now, level);
        Ok(())
    }

    /// How much is staged.
    fn level(&self) -> Level {
        self.drive
            .translation()
            .map_or(Level::default(), |t| Level {
                staging_slots_used: t.slots_used(),
                dirty_bands: t.dirty_bands(),
            })
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
