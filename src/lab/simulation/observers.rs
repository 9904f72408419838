//! Owns who is told what happens during a run, and in which batches.
//!
//! Knows nothing of the run itself.

use crate::drive::job_record::{ChangeRecord, JobRecord};
use crate::host::recorder::Answered;
use crate::lab::events::EventError;
use crate::lab::recording::RecordingError;
use crate::time::Instant;

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

/// Takes what jobs changed in the drive's state, and empties the list. Called before the records of
/// the same jobs are handed over.
pub type ChangeSink<'a> = dyn FnMut(&mut Vec<ChangeRecord>) -> Result<(), EventError> + 'a;

/// Who is told what happens during a run.
pub struct Observers<'a> {
    /// From time to time, how far it is.
    pub progress: &'a mut dyn FnMut(&Progress),
    /// All jobs of the arm, in batches; `None`: they are not recorded.
    pub jobs: Option<&'a mut JobSink<'a>>,
    /// All answers, in batches.
    pub answers: Option<&'a mut AnswerSink<'a>>,
}
