//! `imbrex forecast`: whether a load is done in time on shingled drives, and what would help.

mod rebuild;

use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread;
use std::time::Duration as Real;

use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;

use super::beginning::{Beginning, Begins};
use super::exit::{Code, UsageError};
use super::replay_choice::ReplayChoice;
use super::{output, profile_source, workload_source};
use crate::lab::forecast::asked::Asked;
use crate::lab::forecast::plan::Aspect;
use crate::lab::forecast::whole::{self, Question};
use crate::lab::playback::Playback;
use crate::lab::start::Start;
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::time::Duration;

const LONG: &str = "\
Run a load on shingled drives and on a conventional one in virtual time, many times with other
assumptions, and tell whether it is done by a deadline, when the staging area runs out, how much idle
time a day the drive needs, and what would help. Every figure was seen in a run of the drive that `serve`
shows; docs/forecast.md defines each.

Without --profile all shingled drives that come with imbrex are looked at. Each begins filled to 60 %,
unless --start says otherwise.";

const EXAMPLES: &str = "\
Examples:
  imbrex forecast nightly-backup --deadline 8h
  imbrex forecast nightly-backup --deadline 8h --profile archive-8tb --vary start,seed
  imbrex forecast 'uniform write 16KiB 200000-requests' --deadline 1h --profile desktop-5tb --json
  imbrex forecast --replay session.parquet --keep think-times --deadline 30min
  imbrex forecast rebuild --profile desktop-5tb --piece 512KiB --deadline 24h

Exit codes: 0 fits on every drive in every run; 1 does not, or only if; 2 usage; 3 the workload,
profile or recording cannot be used.";

/// Help for `--start`: an image's own state is that of one drive only.
pub(super) const START: &str = "\
The drive's state at the start: new, formatted, or conditions such as 'filled 60%, staging 95%' (also: \
dirty-bands 40, merge-in 1, seed 7)";

/// The drive that others are compared with.
pub(super) const CONTROL: &str = "control-5tb";

/// Arguments of `forecast`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
#[command(mut_arg("start", |start| start.help(START)))]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    other: Option<Other>,
    /// A workload's name, a TOML file, or words that begin with an order.
    #[arg(required_unless_present = "replay", conflicts_with = "replay")]
    workload: Option<String>,
    /// Forecast the requests of this recording instead of a workload.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["seed", "count", "duration"])]
    replay: Option<PathBuf>,
    #[command(flatten)]
    choice: ReplayChoice,
    /// By when the load is to be done, such as 8h.
    #[arg(long, value_name = "TIME", value_parser = parse_time, required = true)]
    deadline: Option<u64>,
    /// A drive: a built-in profile, a TOML file or an image (only its profile is read); may be given
    /// more than once.
    #[arg(long, value_name = "PROFILE")]
    profile: Vec<String>,
    /// The conventional drive to compare with, brought to the capacity of each drive.
    #[arg(long, value_name = "PROFILE", default_value = CONTROL)]
    control: String,
    /// What is varied, between commas: staging, bands, passes, start, seed, corners; or none.
    #[arg(long, value_name = "WHAT", default_value = "staging,bands,passes,start,seed,corners",
          value_parser = parse_aspects)]
    vary: Aspects,
    /// Leave out the search for idle time and for what would help.
    #[arg(long)]
    no_advice: bool,
    /// Start of everything that looks random, instead of the workload's.
    #[arg(long)]
    seed: Option<u64>,
    /// Requests in all, instead of the workload's.
    #[arg(long, value_name = "REQUESTS", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
    /// Time in which requests are submitted, instead of the workload's.
    #[arg(long, value_name = "TIME", value_parser = parse_time)]
    duration: Option<u64>,
    #[command(flatten)]
    beginning: Beginning,
    /// Runs at once; as many as this machine has cores where it is not said.
    #[arg(long, value_name = "RUNS")]
    jobs: Option<NonZeroUsize>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Other {
    /// Forecast the rebuild of a member of an array.
    Rebuild(Box<rebuild::Arguments>),
}

/// What is varied; a type of its own, because clap takes lists apart.
#[derive(Clone, Debug)]
struct Aspects(Vec<Aspect>);

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    if let Some(Other::Rebuild(arguments)) = &arguments.other {
        return rebuild::run(arguments);
    }
    let beginning = &arguments.beginning;
    let mut profiles = Vec::new();
    let named: Vec<&str> = arguments.profile.iter().map(String::as_str).collect();
    let named = if named.is_empty() {
        whole::profiles_named_by_nobody()
    } else {
        named
    };
    for name in named {
        profiles.push(profile(name, beginning)?);
    }
    let question = Question {
        asked: asked(arguments)?,
        profiles,
        control: profile_source::load(Some(&arguments.control), None)?.0,
        start: start(beginning, "filled 60%")?,
        aspects: arguments.vary.0.clone(),
        deadline: Duration(arguments.deadline.unwrap_or_default()),
        advise: !arguments.no_advice,
        jobs: jobs(arguments.jobs),
    };
    let bar = bar();
    let answer = whole::forecast(&question, &|done, all| show(&bar, done, all));
    bar.finish_and_clear();
    let answer = answer?;
    if arguments.json {
        output::print_json(&serde_json::to_value(&answer)?)?;
    } else {
        output::print(&answer.to_string())?;
    }
    Ok(if answer.fits() {
        Code::Ok
    } else {
        Code::Failure
    })
}

fn asked(arguments: &Arguments) -> anyhow::Result<Asked> {
    if let Some(path) = &arguments.replay {
        return Ok(Asked::Trace {
            playback: Arc::new(Playback::open(path)?),
            how: arguments.choice.how(),
            joined_bytes: 0,
        });
    }
    let named = arguments.workload.as_deref().unwrap_or_default();
    let mut workload = workload_source::load(named)?;
    if let Some(seed) = arguments.seed {
        workload.seed = seed;
    }
    // What is given here ends the run alone.
    if arguments.count.is_some() || arguments.duration.is_some() {
        workload.limits.count = arguments.count;
        workload.limits.duration = arguments.duration.map(Duration);
    }
    Ok(Asked::Workload(workload))
}

/// The profile of this name, scaled and changed as asked for.
pub(super) fn profile(name: &str, beginning: &Beginning) -> anyhow::Result<Profile> {
    let (profile, changes) = profile_source::load(Some(name), beginning.capacity)?;
    for change in &changes {
        log::info!("{name} scaled: {change}");
    }
    Ok(profile.changed(&beginning.set)?)
}

/// The state that was asked for, or `otherwise`.
pub(super) fn start(beginning: &Beginning, otherwise: &str) -> anyhow::Result<Start> {
    match beginning.start {
        None => Ok(Start::from_words(otherwise)?),
        Some(Begins::Made(start)) => Ok(start),
        Some(Begins::AsItIs) => {
            let what = "a forecast begins many drives in states that are made: --start as-it-is \
                        names only one"
                .to_owned();
            Err(UsageError(what).into())
        }
    }
}

/// Threads.
pub(super) fn jobs(asked: Option<NonZeroUsize>) -> usize {
    let cores = || thread::available_parallelism().map_or(1, NonZeroUsize::get);
    asked.map_or_else(cores, NonZeroUsize::get)
}

/// Seen on a terminal only.
pub(super) fn bar() -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let template = "{bar:30} {pos} of {len} runs, {elapsed}, about {eta} to go";
    let style = ProgressStyle::with_template(template).expect("the template is well-formed");
    let bar = ProgressBar::new(1);
    bar.enable_steady_tick(Real::from_millis(500));
    bar.with_style(style)
}

pub(super) fn show(bar: &ProgressBar, done: usize, all: usize) {
    bar.set_length(crate::units::count(all));
    bar.set_position(crate::units::count(done));
}

fn parse_aspects(text: &str) -> Result<Aspects, String> {
    if text == "none" {
        return Ok(Aspects(Vec::new()));
    }
    let aspects: Result<Vec<Aspect>, String> = text.split(',').map(|w| w.trim().parse()).collect();
    aspects.map(Aspects)
}

/// A time such as `8h`, for clap.
pub(super) fn parse_time(text: &str) -> Result<u64, String> {
    match Unit::Nanoseconds.parse(text) {
        Ok(0) => Err("no time at all; give one such as 30min or 8h".to_owned()),
        Ok(ns) => Ok(ns),
        Err(error) => Err(format!("{error}; give a time such as 30min or 8h")),
    }
}
