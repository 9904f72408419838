//! Owns a whole forecast: the runs of the plan on every drive and on the control, the idle time, what
//! would help, and what all of it says.
//!
//! Always holds: a figure that is told was seen in a run, and the control went through the same
//! figures as the drives did.

use serde::Serialize;

use super::asked::Asked;
use super::bench::{self, Bench};
use super::crew::{Steps, Told};
use super::help::{Help, Kind};
use super::idle::{DAYS_MAX, Idle};
use super::plan::{Aspect, SEEDS_MORE, Variation, plan};
use super::trial::{self, Figures, Trial, TrialError, milli};
use super::verdict::{Ranged, Verdict};
use super::window::{Dropped, HostLimits, Miss, Window};
use crate::host::time_limits::TimeLimit;
use crate::lab::start::Start;
use crate::profile::Profile;
use crate::units::count;

/// The largest seed of a load or state: those after it are run, too.
pub const SEED_MAX: u64 = u64::MAX - SEEDS_MORE - DAYS_MAX;

/// What is to be forecast.
#[derive(Clone, Debug)]
pub struct Question {
    /// The load.
    pub asked: Asked,
    /// The drives.
    pub profiles: Vec<Profile>,
    /// The conventional drive that they are compared with.
    pub control: Profile,
    /// The state of each drive at the start.
    pub start: Start,
    /// What is varied.
    pub aspects: Vec<Aspect>,
    /// What the load has to hold to fit.
    pub window: Window,
    /// Whether idle time and what would help are looked for.
    pub advise: bool,
    /// Threads.
    pub jobs: usize,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Forecast {
    /// Name of the load.
    pub load: String,
    /// Whether its requests come at times of their own.
    pub paced: bool,
    /// Whether it waits for answers until a time of its own is over: then it is done by that time on any
    /// drive, and what tells drives apart is how many requests they answered.
    pub ends_by_time: bool,
    /// By when it is to be done.
    pub deadline_ns: u64,
    /// The limits of hosts by none of which the drive may be dropped.
    pub host_limits: HostLimits,
    /// When a run was stopped that was not done.
    pub stopped_ns: u64,
    /// The state at the start, in words.
    pub start: String,
    /// What was varied.
    pub varied: Vec<&'static str>,
    /// The drives, in the order in which they were named.
    pub drives: Vec<DriveForecast>,
    /// Drives on which the load cannot be run as asked for.
    pub not_run: Vec<NotRun>,
}

/// Something that was not run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NotRun {
    /// A drive, or what a run would have assumed.
    pub what: String,
    /// Why.
    pub why: String,
}

/// What was found for a drive. Every range goes over all runs of the plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct DriveForecast {
    /// Name of its profile.
    pub profile: String,
    /// Its capacity.
    pub capacity_bytes: u64,
    /// The verdict.
    #[serde(flatten)]
    pub verdict: Verdict,
    /// The verdict by the time alone.
    pub by_time_alone: Verdict,
    /// The first drop, as asked for, by a host that the verdict does not speak of.
    pub not_judged: Option<Dropped>,
    /// Time to finish.
    pub finish_ns: Ranged,
    /// Requests answered.
    pub answered: Ranged,
    /// When a request first waited for room.
    pub room_ran_out_ns: Ranged,
    /// How long the drive went on for itself after the load.
    pub recovery_ns: Ranged,
    /// The longest time without an answer.
    pub longest_stall_ns: Ranged,
    /// The longest that a request took: how far a paced load falls behind.
    pub longest_request_ns: Ranged,
    /// Time to finish in thousandths of the control's.
    pub slowdown_milli: Ranged,
    /// The average time of a request in thousandths of the control's.
    pub request_slowdown_milli: Ranged,
    /// Operations beyond each limit of hosts that some run was beyond.
    pub beyond: Vec<Beyond>,
    /// Idle time a day; nothing where it was not looked for.
    pub idle: Option<IdleForecast>,
    /// What would help, the most helpful first.
    pub help: Vec<Help>,
    /// The control.
    pub control: Control,
    /// All runs of the plan, the centre first.
    pub runs: Vec<Trial>,
    /// Runs of the plan that could not be.
    pub not_run: Vec<NotRun>,
}

/// The conventional drive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Control {
    /// Name of its profile.
    pub profile: String,
    /// What it did with the load as asked for.
    pub figures: Figures,
}

/// Operations beyond a limit of hosts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Beyond {
    /// Which limit.
    pub limit: TimeLimit,
    /// How long a command may take.
    pub limit_ns: u64,
    /// How many operations were beyond it.
    pub operations: Ranged,
    /// When a host would have taken the drive out, in the run as asked for.
    pub dropped_ns: Option<u64>,
}

/// Idle time a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct IdleForecast {
    /// For the drive as asked for.
    pub centre: Idle,
    /// Over that and the two corners, where they were run.
    pub day_ns: Ranged,
    /// With which assumptions it is more than a day.
    pub more_than_a_day_with: Vec<String>,
    /// With which no idle time is enough.
    pub never_enough_with: Vec<String>,
}

/// Answers a question.
///
/// # Errors
/// If the load can be run on none of the drives, or not on the control: why, for the first of them.
pub fn forecast(question: &Question, told: &Told<'_>) -> Result<Forecast, ForecastError> {
    let plans: Vec<Vec<Variation>> = question
        .profiles
        .iter()
        .map(|profile| plan(profile, question.start, &question.aspects))
        .collect();
    let runs: usize = plans.iter().map(Vec::len).sum();
    let advice = if question.advise {
        3 + Kind::ALL.len()
    } else {
        0
    };
    let steps = Steps::new(runs + plans.len() * (1 + advice), told);
    let (benches, not_run) = bench::benches(question, plans, &steps)?;
    let drives = advised(question, benches, &steps);
    Ok(Forecast {
        load: question.asked.name(),
        paced: question.asked.is_paced(),
        ends_by_time: question.asked.ends_by_time(),
        deadline_ns: question.window.deadline.0,
        host_limits: question.window.limits.clone(),
        stopped_ns: question
            .window
            .deadline
            .0
            .saturating_mul(trial::DEADLINES_MAX),
        start: question.start.to_string(),
        varied: question.aspects.iter().map(|each| each.word()).collect(),
        drives,
        not_run,
    })
}

/// Why there is no forecast.
#[derive(Debug, thiserror::Error)]
pub enum ForecastError {
    /// The control cannot be made.
    #[error("there is no control for {drive}: {why}")]
    Control {
        /// The drive to be compared.
        drive: String,
        /// Why, in words.
        why: String,
    },
    /// The load cannot be run.
    #[error("the load cannot be run on {drive}")]
    Load {
        /// On which drive.
        drive: String,
        /// Why.
        source: TrialError,
    },
}

/// Looks for idle time and for what would help, and says what all of it says.
fn advised(question: &Question, benches: Vec<Bench>, steps: &Steps<'_>) -> Vec<DriveForecast> {
    let idles = if question.advise {
        bench::idle_times(question, &benches, steps)
    } else {
        benches.iter().map(|_| None).collect()
    };
    let helps = if question.advise {
        bench::helps(question, &benches, &idles, steps)
    } else {
        benches.iter().map(|_| Vec::new()).collect()
    };
    let parts = benches.into_iter().zip(idles).zip(helps);
    parts
        .map(|((bench, idle), help)| whole(question, bench, idle, help))
        .collect()
}

fn whole(
    question: &Question,
    bench: Bench,
    idle: Option<IdleForecast>,
    help: Vec<Help>,
) -> DriveForecast {
    let of = |figure: &dyn Fn(&Figures) -> Option<u64>| -> Vec<(&str, Option<u64>)> {
        let runs = bench.runs.iter();
        runs.map(|run| (run.assumes.as_str(), figure(&run.figures)))
            .collect()
    };
    let range = |figure: &dyn Fn(&Figures) -> Option<u64>| Ranged::of(&of(figure)[..]);
    let control = &bench.control.figures;
    let centre = &bench.runs[0].figures;
    let window = &question.window;
    let verdict = |window: &Window| {
        let runs = bench.runs.iter();
        let misses = runs.map(|run| (run.assumes.as_str(), window.miss(&run.figures)));
        Verdict::of(&misses.collect::<Vec<(&str, Option<Miss>)>>())
    };
    let beyond = TimeLimit::ALL.into_iter().filter_map(|limit| {
        let operations = range(&|run| Some(run.trips(limit)));
        let dropped = centre.limits.iter().filter(|each| each.limit == limit);
        (operations.highest > Some(0)).then(|| Beyond {
            limit,
            limit_ns: limit.duration().0,
            dropped_ns: dropped.filter_map(|each| each.dropped_ns).min(),
            operations,
        })
    });
    DriveForecast {
        profile: bench.centre.profile.name.clone(),
        capacity_bytes: bench.centre.profile.drive.capacity_bytes,
        verdict: verdict(window),
        by_time_alone: verdict(&window.of_time()),
        not_judged: question.window.limits.others().dropped(centre),
        finish_ns: range(&|run| run.finish_ns),
        answered: range(&|run| Some(run.answered)),
        room_ran_out_ns: range(&|run| run.room_ran_out_ns),
        recovery_ns: range(&|run| run.recovery_ns),
        longest_stall_ns: range(&|run| Some(run.longest_stall_ns)),
        longest_request_ns: range(&|run| Some(run.longest_request_ns)),
        slowdown_milli: range(&|run| milli(run.finish_ns?, control.finish_ns?)),
        request_slowdown_milli: range(&|run| milli(run.mean_request_ns, control.mean_request_ns)),
        beyond: beyond.collect(),
        idle,
        help,
        control: bench.control.clone(),
        runs: bench.runs.clone(),
        not_run: bench.not_run,
    }
}

impl Forecast {
    /// Whether the load fits on every drive, in every run.
    pub fn fits(&self) -> bool {
        self.not_run.is_empty() && self.drives.iter().all(|drive| drive.verdict.fits())
    }

    /// Runs of the plans that were made.
    pub fn runs(&self) -> u64 {
        self.drives
            .iter()
            .map(|drive| count(drive.runs.len()))
            .sum()
    }
}

/// The drives that are looked at where none is named: all shingled ones that come with imbrex, but the
/// one for tests.
pub fn profiles_named_by_nobody() -> Vec<&'static str> {
    let texts = Profile::built_in_names().filter(|name| *name != "tiny");
    texts
        .filter(|name| {
            let text = Profile::built_in(name).unwrap_or_default();
            Profile::from_toml(name, text).is_ok_and(|profile| profile.staging.is_some())
        })
        .collect()
}
