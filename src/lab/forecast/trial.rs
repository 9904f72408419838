//! Owns one run of a forecast and the figures that are taken from it.
//!
//! The run is the production drive in virtual time. A run that would go on for too long is stopped at
//! a moment of model time, so that the same question has the same answer on any machine.

use serde::Serialize;

use super::asked::Asked;
use super::plan::Assumed;
use crate::drive::Drive;
use crate::host::time_limits::TimeLimit;
use crate::lab::simulation::course::{Course, Ended, Outcome, Stop};
use crate::lab::simulation::{self, Observers, SimulationError};
use crate::lab::start::StartError;
use crate::lab::summary::{Summary, Unwritten};
use crate::medium::movement::Purpose;
use crate::time::{Duration, Instant};

/// A load is stopped after so many times its deadline.
pub const DEADLINES_MAX: u64 = 4;
/// A drive that has not recovered so long after the load is not waited for.
pub const RECOVERY_MAX: Duration = Duration::from_s(24 * 3600);

/// Why a run gave no figures.
#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    /// The drive cannot be in the state in which it is to begin.
    #[error(transparent)]
    Start(#[from] StartError),
    /// The load cannot be run on it.
    #[error(transparent)]
    Simulation(#[from] SimulationError),
}

/// What was seen of a run. Times are nanoseconds of model time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Figures {
    /// When the last request was answered; nothing where some were not when the run was stopped.
    pub finish_ns: Option<u64>,
    /// Requests answered.
    pub answered: u64,
    /// When a request first waited for room.
    pub room_ran_out_ns: Option<u64>,
    /// How long the drive went on for itself afterwards; nothing where that was not waited for.
    pub recovery_ns: Option<u64>,
    /// The longest that a request took from coming to being answered.
    pub longest_request_ns: u64,
    /// Where its time went, in words.
    pub slowest_cause: String,
    /// How long that is on average.
    pub mean_request_ns: u64,
    /// The longest time without an answer while one was waited for.
    pub longest_stall_ns: u64,
    /// Each limit of hosts with what it would have done.
    pub limits: Vec<Limit>,
    /// Bands that were cleaned while a request waited for room.
    pub bands_cleaned_foreground: u64,
    /// Time of the arm for cleaning.
    pub cleaning_ns: u64,
    /// Bytes that the staging area took in, padding included.
    pub staged_bytes: u64,
    /// Reads that met nothing written.
    pub reads_unwritten: Unwritten,
}

/// A limit of hosts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Limit {
    /// Which.
    pub limit: TimeLimit,
    /// How many operations were beyond it.
    pub trips: u64,
    /// When a host would have taken the drive out of service because of it.
    pub dropped_ns: Option<u64>,
}

/// A run of the plan with its figures.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Trial {
    /// What it assumes.
    pub assumes: String,
    /// What came out.
    pub figures: Figures,
}

/// How the runs of the plan are run: once, stopped some deadlines later, then left alone.
pub fn course(deadline: Duration) -> Course {
    let load_ns = deadline.0.saturating_mul(DEADLINES_MAX).min(u64::MAX >> 2);
    Course {
        stop: Stop {
            load_at: Some(Instant(load_ns)),
            drain_after: Some(RECOVERY_MAX),
            ..Stop::default()
        },
        drain: true,
        ..Course::default()
    }
}

/// Runs what is asked under these assumptions.
///
/// # Errors
/// See [`TrialError`].
pub fn assumed(assumed: &Assumed, asked: &Asked, course: &Course) -> Result<Outcome, TrialError> {
    let drive = assumed.start.drive(&assumed.profile)?;
    run(drive, &asked.seeded(assumed.seed_plus), course)
}

/// Runs what is asked on a drive that has not begun.
///
/// # Errors
/// See [`TrialError`].
pub fn run(drive: Drive, asked: &Asked, course: &Course) -> Result<Outcome, TrialError> {
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: None,
    };
    Ok(simulation::carry_out(
        drive,
        asked.load(),
        course,
        observers,
    )?)
}

impl Figures {
    /// The figures of a run.
    pub fn of(outcome: &Outcome) -> Figures {
        let summary = &outcome.summary;
        let all_answered = matches!(outcome.ended, Ended::Done | Ended::NotDrained);
        let finish_ns = all_answered.then_some(summary.answered_ns);
        let stall = summary.longest_stall.as_ref();
        let slowest = summary.slowest.first();
        Figures {
            finish_ns,
            answered: summary.answered,
            room_ran_out_ns: summary.room_ran_out_ns,
            recovery_ns: summary
                .drained_ns
                .map(|at| at.saturating_sub(summary.answered_ns)),
            longest_request_ns: slowest.map_or(0, |slow| slow.took_ns),
            slowest_cause: slowest.map_or(String::new(), |slow| slow.cause.clone()),
            mean_request_ns: summary.mean_ns,
            longest_stall_ns: stall.map_or(0, |stall| stall.took_ns),
            limits: summary
                .host_limits
                .iter()
                .map(|tripped| Limit {
                    limit: tripped.limit,
                    trips: tripped.trips,
                    dropped_ns: tripped.dropped_ns,
                })
                .collect(),
            bands_cleaned_foreground: summary.status.counters.bands_cleaned_foreground,
            cleaning_ns: cleaning_ns(summary),
            staged_bytes: of_purposes(|purpose| purpose == Purpose::Stage)
                .map(|at| summary.status.counters.medium_bytes[at])
                .sum(),
            reads_unwritten: summary.reads_unwritten,
        }
    }

    /// Of a run in which nothing happened.
    #[cfg(test)]
    pub(super) fn nothing() -> Figures {
        Figures {
            finish_ns: None,
            answered: 0,
            room_ran_out_ns: None,
            recovery_ns: None,
            longest_request_ns: 0,
            slowest_cause: String::new(),
            mean_request_ns: 0,
            longest_stall_ns: 0,
            limits: Vec::new(),
            bands_cleaned_foreground: 0,
            cleaning_ns: 0,
            staged_bytes: 0,
            reads_unwritten: Unwritten::default(),
        }
    }

    /// How many operations were beyond a limit.
    pub fn trips(&self, limit: TimeLimit) -> u64 {
        let found = self.limits.iter().find(|each| each.limit == limit);
        found.map_or(0, |found| found.trips)
    }
}

fn cleaning_ns(summary: &Summary) -> u64 {
    of_purposes(|purpose| match purpose {
        Purpose::CleanRead
        | Purpose::CleanGather
        | Purpose::CleanVerify
        | Purpose::CleanCopy
        | Purpose::CleanWrite => true,
        Purpose::HostRead
        | Purpose::HostWrite
        | Purpose::PartialRead
        | Purpose::Bypass
        | Purpose::Stage
        | Purpose::OutOfBand
        | Purpose::MapMerge
        | Purpose::ReadAhead => false,
    })
    .map(|at| summary.status.counters.medium_ns[at])
    .sum()
}

/// Where the counters of such purposes stand.
fn of_purposes(wanted: impl Fn(Purpose) -> bool) -> impl Iterator<Item = usize> {
    let all = Purpose::ALL.into_iter().enumerate();
    all.filter(move |(_, purpose)| wanted(*purpose))
        .map(|(at, _)| at)
}

/// `part` in thousandths of `whole`.
pub fn milli(part: u64, whole: u64) -> Option<u64> {
    let wide = (u128::from(part) * 1000).checked_div(u128::from(whole))?;
    Some(u64::try_from(wide).unwrap_or(u64::MAX))
}
