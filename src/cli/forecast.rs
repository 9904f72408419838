//! `imbrex forecast`: whether a load is done in time on shingled drives, and what would help.

mod progress;
mod rebuild;

use std::fmt::Display;
use std::num::NonZeroUsize;
use std::sync::Arc;
use std::thread;

use serde::Serialize;

use self::progress::shown;
use super::beginning::{Beginning, Begins};
use super::exit::{Code, UsageError};
use super::load_choice::{Chosen, LoadChoice, parse_time};
use super::{number, output, profile_source};
use crate::lab::forecast::asked::Asked;
use crate::lab::forecast::plan::Aspect;
use crate::lab::forecast::whole::{self, Question};
use crate::lab::forecast::window::{HostLimits, Window};
use crate::lab::start::Start;
use crate::profile::Profile;
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
  imbrex forecast nightly-backup --deadline 8h --host-limits none
  imbrex forecast 'uniform write 16KiB 200000-requests' --deadline 1h --profile desktop-5tb --json
  imbrex forecast --replay session.parquet --keep think-times --deadline 30min
  imbrex forecast rebuild --profile desktop-5tb --piece 512KiB --deadline 24h

Exit codes: 0 fits on every drive in every run; 1 does not, or only if; 2 usage; 3 the workload,
profile or recording cannot be used; others as `imbrex --help` lists.";

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
    #[command(flatten)]
    load: LoadChoice,
    /// By when the load is to be done, such as 8h.
    #[arg(long, value_name = "TIME", value_parser = parse_time, required = true)]
    deadline: Option<u64>,
    /// Hosts by which the drive must not be dropped meanwhile, between commas: the limits of
    /// docs/control.md that drop a drive; or none, to judge the time alone.
    #[arg(long, value_name = "LIMITS", default_value_t = HostLimits::all())]
    host_limits: HostLimits,
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
    #[command(flatten)]
    beginning: Beginning,
    /// Runs at once; as many as this machine has cores where it is not said.
    #[arg(long, value_name = "RUNS", value_parser = number::runs)]
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
    let (asked, start) = (asked(&arguments.load)?, start(beginning, "filled 60%")?);
    check_start(start, &profiles)?;
    let seeds = match (&asked, start) {
        (Asked::Workload(workload), Start::Aged(wanted)) => workload.seed.max(wanted.seed),
        (Asked::Workload(workload), _) => workload.seed,
        (Asked::Trace { .. }, Start::Aged(wanted)) => wanted.seed,
        (Asked::Trace { .. }, _) => 0,
    };
    if seeds > whole::SEED_MAX {
        let what = format!(
            "the seed {seeds}: a forecast runs seeds after it, too; give one of at most {}",
            whole::SEED_MAX
        );
        return Err(UsageError(what).into());
    }
    let question = Question {
        asked,
        profiles,
        control: profile_source::load(Some(&arguments.control), None)?.0,
        start,
        aspects: arguments.vary.0.clone(),
        window: Window {
            deadline: Duration(arguments.deadline.unwrap_or_default()),
            limits: arguments.host_limits.clone(),
        },
        advise: !arguments.no_advice,
        jobs: jobs(arguments.jobs),
    };
    let answer = shown(|told| whole::forecast(&question, told))?;
    tell(arguments.json, answer.fits(), &answer)
}

fn asked(load: &LoadChoice) -> anyhow::Result<Asked> {
    Ok(match load.chosen()? {
        Chosen::Workload(workload) => Asked::Workload(workload),
        Chosen::Recording(playback) => Asked::Trace {
            playback: Arc::new(playback),
            how: load.how(),
            joined_bytes: 0,
        },
    })
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

/// A single drive is refused where it cannot start as asked for; among several it is named.
pub(super) fn check_start(start: Start, profiles: &[Profile]) -> anyhow::Result<()> {
    if let [only] = profiles {
        start.check(only)?;
    }
    if let Some(words) = start.not_known(profiles) {
        output::say(&words);
    }
    Ok(())
}

/// Threads.
pub(super) fn jobs(asked: Option<NonZeroUsize>) -> usize {
    let cores = || thread::available_parallelism().map_or(1, NonZeroUsize::get);
    asked.map_or_else(cores, NonZeroUsize::get)
}

/// Prints an answer, and says in the exit code whether the load fits.
fn tell(json: bool, fits: bool, answer: &(impl Serialize + Display)) -> anyhow::Result<Code> {
    if json {
        output::print_json(&serde_json::to_value(answer)?)?;
    } else {
        output::print(&answer.to_string())?;
    }
    Ok(if fits { Code::Ok } else { Code::Failure })
}

fn parse_aspects(text: &str) -> Result<Aspects, String> {
    if text == "none" {
        return Ok(Aspects(Vec::new()));
    }
    let aspects: Result<Vec<Aspect>, String> = text.split(',').map(|w| w.trim().parse()).collect();
    aspects.map(Aspects)
}
