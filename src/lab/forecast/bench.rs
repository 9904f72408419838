//! Owns the runs of a forecast, many at once: the plans of all drives and their controls, then the
//! search for idle time and for what would help.
//!
//! It decides nothing: what the runs say together is for `whole`.

use super::asked::{Asked, written_by_stream};
use super::crew::Steps;
use super::help::{self, Help, Kind, Known, per_s_milli};
use super::idle::{self, Found, Idle};
use super::plan::{Assumed, CENTRE, LITTLE_ROOM, MUCH_ROOM, Variation};
use super::trial::{self, Figures, Trial, TrialError};
use super::verdict::Ranged;
use super::whole::{Control, ForecastError, IdleForecast, NotRun, Question};
use super::{alter, crew};
use crate::drive::Drive;
use crate::profile::Profile;

/// A drive with the runs of its plan.
pub(super) struct Bench {
    /// The control, under the same load.
    pub(super) control: Control,
    /// What the run as asked for assumes.
    pub(super) centre: Assumed,
    /// The drive that it begins with.
    pub(super) drive: Drive,
    /// Bytes that each stream wrote in the centre.
    pub(super) written: Vec<u64>,
    /// The runs, the centre first.
    pub(super) runs: Vec<Trial>,
    /// Of those runs what they assumed.
    pub(super) assumed: Vec<Assumed>,
    /// Of those runs the drives that they began with, where they are needed again.
    pub(super) drives: Vec<Option<Drive>>,
    /// Those that could not be.
    pub(super) not_run: Vec<NotRun>,
}

/// The drives, and those on which the load cannot be run as asked for.
pub(super) type Benches = (Vec<Bench>, Vec<NotRun>);

/// Runs the plans, all at once.
pub(super) fn benches(
    question: &Question,
    plans: Vec<Vec<Variation>>,
    steps: &Steps<'_>,
) -> Result<Benches, ForecastError> {
    let controls = question.profiles.iter();
    let controls: Vec<Assumed> = controls
        .map(|profile| control_for(question, profile))
        .collect::<Result<_, _>>()?;
    let all = plans.iter().map(|plan| centre_of(plan)).collect();
    let made = |centre: &Assumed| Ok(centre.start.drive(&centre.profile)?);
    let centres: Vec<Result<Drive, TrialError>> = crew::all(question.jobs, all, &made, &|| {});
    let mut results = all_runs(question, &plans, (&controls, &centres), steps).into_iter();
    let on_controls: Vec<Ran> = results.by_ref().take(controls.len()).collect();
    let (mut benches, mut not_run, mut first) = (Vec::new(), Vec::new(), None);
    let parts = plans
        .into_iter()
        .zip(controls)
        .zip(on_controls)
        .zip(centres);
    for (((plan, control), on_control), drive) in parts {
        let name = control.profile.name;
        let control = match on_control {
            Ok(ran) => Control {
                profile: name,
                figures: ran.figures,
            },
            Err(source) => {
                return Err(ForecastError::Load {
                    drive: name,
                    source,
                });
            }
        };
        let possible = plan.iter().filter(|run| run.assumed.is_ok()).count();
        let mine = results.by_ref().take(possible).collect();
        let drive_name = centre_of(&plan).profile.name.clone();
        match drive.and_then(|drive| bench(control, drive, plan, mine)) {
            Ok(bench) => benches.push(bench),
            Err(source) => {
                not_run.push(NotRun {
                    what: drive_name.clone(),
                    why: source.to_string(),
                });
                first.get_or_insert(ForecastError::Load {
                    drive: drive_name,
                    source,
                });
            }
        }
    }
    match first {
        Some(error) if benches.is_empty() => Err(error),
        _ => Ok((benches, not_run)),
    }
}

/// What is kept of a run.
struct Seen {
    figures: Figures,
    /// Bytes that each stream wrote.
    written: Vec<u64>,
    /// The drive that it began with, where it is needed again.
    drive: Option<Drive>,
}

type Ran = Result<Seen, TrialError>;

/// The load on every control, then all runs of all plans that can be. Runs that begin with the drive of
/// their centre are given a copy of it.
fn all_runs(
    question: &Question,
    plans: &[Vec<Variation>],
    (controls, centres): (&[Assumed], &[Result<Drive, TrialError>]),
    steps: &Steps<'_>,
) -> Vec<Ran> {
    let mut tasks: Vec<(&str, &Assumed, Option<&Drive>)> =
        controls.iter().map(|control| ("", control, None)).collect();
    for (plan, drive) in plans.iter().zip(centres) {
        tasks.extend(plan.iter().filter_map(|run| {
            let assumed = run.assumed.as_ref().ok()?;
            let same = assumed.same_drive(centre_of(plan));
            let drive = drive.as_ref().ok().filter(|_| same);
            Some((run.words.as_str(), assumed, drive))
        }));
    }
    let course = trial::course(question.window.deadline);
    let run = |(words, assumed, drive): (&str, &Assumed, Option<&Drive>)| {
        let drive = match drive {
            Some(drive) => drive.clone(),
            None => assumed.start.drive(&assumed.profile)?,
        };
        // To make it takes longer than to keep it.
        let again = question.advise && [LITTLE_ROOM, MUCH_ROOM].contains(&words);
        let kept = again.then(|| drive.clone());
        let outcome = trial::run(drive, &question.asked.seeded(assumed.seed_plus), &course)?;
        let written = match &question.asked {
            Asked::Workload(workload) => written_by_stream(workload, &outcome.summary),
            Asked::Trace { .. } => Vec::new(),
        };
        Ok(Seen {
            figures: Figures::of(&outcome),
            written,
            drive: kept,
        })
    };
    crew::all(question.jobs, tasks, &run, &|| steps.step())
}

fn centre_of(plan: &[Variation]) -> &Assumed {
    let centre = plan.first().and_then(|run| run.assumed.as_ref().ok());
    centre.expect("a plan begins with its centre, which is what was asked for")
}

fn control_for(question: &Question, profile: &Profile) -> Result<Assumed, ForecastError> {
    let control = alter::control(&question.control, profile);
    let profile = control.map_err(|why| ForecastError::Control {
        drive: profile.name.clone(),
        why,
    })?;
    Ok(Assumed {
        profile,
        start: question.start,
        seed_plus: 0,
    })
}

/// The runs of a plan with their results; without its centre there is no bench.
fn bench(
    control: Control,
    drive: Drive,
    plan: Vec<Variation>,
    results: Vec<Ran>,
) -> Result<Bench, TrialError> {
    let mut results = results.into_iter();
    let centre = centre_of(&plan).clone();
    let (mut runs, mut all_assumed, mut not_run) = (Vec::new(), Vec::new(), Vec::new());
    let mut drives = Vec::new();
    let mut of_centre = Vec::new();
    for variation in plan {
        let what = variation.words;
        let ran = variation.assumed.map(|assumed| {
            let result = results.next().expect("each run that can be has a result");
            (assumed, result)
        });
        match ran {
            Ok((assumed, Ok(seen))) => {
                if runs.is_empty() {
                    of_centre = seen.written;
                }
                runs.push(Trial {
                    assumes: what,
                    figures: seen.figures,
                });
                all_assumed.push(assumed);
                drives.push(seen.drive);
            }
            Ok((_, Err(error))) if runs.is_empty() => return Err(error),
            Ok((_, Err(error))) => not_run.push(NotRun {
                what,
                why: error.to_string(),
            }),
            Err(why) => not_run.push(NotRun { what, why }),
        }
    }
    Ok(Bench {
        control,
        centre,
        drive,
        written: of_centre,
        runs,
        assumed: all_assumed,
        drives,
        not_run,
    })
}

/// The idle time that each drive needs, as asked for and in the two corners.
pub(super) fn idle_times(
    question: &Question,
    benches: &[Bench],
    steps: &Steps<'_>,
) -> Vec<Option<IdleForecast>> {
    const RUNS: [&str; 3] = [CENTRE, LITTLE_ROOM, MUCH_ROOM];
    let tasks: Vec<(usize, &str)> = (0..benches.len())
        .flat_map(|at| RUNS.map(|words| (at, words)))
        .collect();
    let look = |(at, words): (usize, &str)| {
        let bench = &benches[at];
        let run = bench.runs.iter().position(|run| run.assumes == words)?;
        let day = &bench.runs[run].figures;
        let drive = bench.drives[run].as_ref().unwrap_or(&bench.drive);
        idle::look(drive, &question.asked, day).ok().flatten()
    };
    let found = crew::all(question.jobs, tasks, &look, &|| steps.step());
    found
        .chunks(RUNS.len())
        .map(|found| {
            let centre = found[0].clone()?;
            let runs = RUNS.into_iter().zip(found);
            let runs: Vec<(&str, &Idle)> = runs
                .filter_map(|(words, idle)| Some((words, idle.as_ref()?)))
                .collect();
            let days = runs.iter().map(|(words, idle)| (*words, idle.day_ns()));
            let with = |of_kind: &dyn Fn(&Found) -> bool| {
                let these = runs.iter().filter(|(_, idle)| of_kind(&idle.found));
                these.map(|(words, _)| (*words).to_owned()).collect()
            };
            Some(IdleForecast {
                centre,
                day_ns: Ranged::of(&days.collect::<Vec<_>>()),
                more_than_a_day_with: with(&|found| matches!(found, Found::More { .. })),
                never_enough_with: with(&|found| matches!(found, Found::Never { .. })),
            })
        })
        .collect()
}

/// What would help each drive, the most helpful first.
pub(super) fn helps(
    question: &Question,
    benches: &[Bench],
    idles: &[Option<IdleForecast>],
    steps: &Steps<'_>,
) -> Vec<Vec<Help>> {
    let tasks: Vec<(usize, Kind)> = (0..benches.len())
        .flat_map(|at| Kind::ALL.map(|kind| (at, kind)))
        .collect();
    let course = trial::course(question.window.deadline);
    let try_it = |(at, kind): (usize, Kind)| {
        let bench: &Bench = &benches[at];
        let figures = &bench.runs[0].figures;
        let fastest = per_s_milli(figures).max(per_s_milli(&bench.control.figures));
        let known = Known {
            drive: &bench.drive,
            assumed: &bench.centre,
            asked: &question.asked,
            figures,
            plan: (&bench.assumed, &bench.runs),
            written: &bench.written,
            idle: idles[at].as_ref().map(|idle| &idle.centre),
            per_s_milli: fastest,
            course: &course,
            window: &question.window,
        };
        help::tried(kind, &known)
    };
    let found = crew::all(question.jobs, tasks, &try_it, &|| steps.step());
    let mut by_drive: Vec<Vec<Help>> = found.chunks(Kind::ALL.len()).map(<[_]>::to_vec).collect();
    for help in &mut by_drive {
        help::rank(help);
    }
    by_drive
}
