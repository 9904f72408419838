//! `imbrex simulate`: runs a workload on a drive in virtual time and tells what came out.

use std::fs::File;
use std::io::{BufWriter, IsTerminal};
use std::path::{Path, PathBuf};
use std::time::Duration as Real;

use anyhow::Context as _;
use clap::ValueEnum;
use indicatif::{HumanCount, ProgressBar, ProgressStyle};

use super::exit::{Code, UsageError};
use super::{output, profile_source};
use crate::lab::events::EventWriter;
use crate::lab::simulation::{self, Observers, Progress};
use crate::lab::summary::Summary;
use crate::lab::workload::Workload;
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::time::Duration;

const LONG: &str = "\
Run a workload on a drive in virtual time: the drive that `serve` shows, with neither bytes nor clock.
Same profile, workload and seed give the same output, byte for byte.

A workload is a TOML file (see docs/simulate.md) or a few words that begin with an order, as one
argument: uniform, sequential or alternate-blocks; read, write, trim or flush, with a share such as
70%read; a request size; first-10GB for a part of the drive; 1000-requests or 60s; 200/s or
8-under-way; bursts-of-500 with pause-10s; then-drain.";

const EXAMPLES: &str = "\
Examples:
  imbrex simulate desktop-5tb 'uniform write 4KiB 10000-requests'
  imbrex simulate archive-8tb 'uniform 70%read 30%write 16KiB 50/s 10min' --json
  imbrex simulate desktop-5tb mine.toml --seed 7 --start formatted --events jobs.parquet";

/// Arguments of `simulate`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// A built-in profile, a TOML file or an image (only its profile is read).
    profile: String,
    /// A TOML file, or words that begin with an order.
    workload: String,
    /// Scale the drive down to this capacity.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
    capacity: Option<u64>,
    /// Start of everything that looks random, instead of the workload's.
    #[arg(long)]
    seed: Option<u64>,
    /// Requests in all, instead of the workload's.
    #[arg(long, value_name = "REQUESTS", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
    /// Time in which requests are submitted, instead of the workload's.
    #[arg(long, value_name = "TIME", value_parser = parse_time)]
    duration: Option<u64>,
    /// The drive's state at the start, instead of the profile's: no band written, or every one.
    #[arg(long, value_enum)]
    start: Option<Start>,
    /// Record every job of the arm in this new file (Parquet, see docs/events.md).
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Start {
    /// No band was ever written.
    New,
    /// Every band counts as written.
    Formatted,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let (mut profile, changes) =
        profile_source::load(Some(&arguments.profile), arguments.capacity)?;
    if let Some(start) = arguments.start {
        profile.drive.formatted = start == Start::Formatted;
    }
    let workload = workload(arguments)?;
    for change in &changes {
        log::info!("scaled: {change}");
    }
    let summary = match &arguments.events {
        None => observed(&profile, &workload, None)?,
        Some(path) => recorded(&profile, &workload, path)?,
    };
    if arguments.json {
        output::print_json(&serde_json::to_value(&summary)?)?;
    } else {
        output::print(&summary.to_string())?;
    }
    Ok(Code::Ok)
}

fn workload(arguments: &Arguments) -> anyhow::Result<Workload> {
    let named = &arguments.workload;
    let mut workload = if Workload::is_words(named) {
        Workload::from_words(named)?
    } else {
        let path = Path::new(named);
        if !path.exists() {
            let what = format!(
                "{named} is not a file, and does not begin with an order (uniform, sequential, alternate-blocks) as words do"
            );
            return Err(UsageError(what).into());
        }
        let text = profile_source::read_text(path)?;
        Workload::from_toml(&path.display().to_string(), &text)?
    };
    if let Some(seed) = arguments.seed {
        workload.seed = seed;
    }
    // What is given here ends the run alone.
    if arguments.count.is_some() || arguments.duration.is_some() {
        workload.limits.count = arguments.count;
        workload.limits.duration = arguments.duration.map(Duration);
    }
    Ok(workload)
}

fn recorded(profile: &Profile, workload: &Workload, path: &Path) -> anyhow::Result<Summary> {
    let file = File::create_new(path).with_context(|| {
        let shown = path.display();
        format!("cannot create {shown} for the events; a file that exists is left alone")
    })?;
    let about = [
        ("profile", profile.to_toml()),
        ("workload", workload.name.clone()),
        ("seed", workload.seed.to_string()),
    ];
    let mut writer = EventWriter::new(BufWriter::new(file), &about)?;
    let summary = observed(profile, workload, Some(&mut writer))?;
    writer.finish()?;
    Ok(summary)
}

fn observed(
    profile: &Profile,
    workload: &Workload,
    writer: Option<&mut EventWriter<BufWriter<File>>>,
) -> anyhow::Result<Summary> {
    let bar = bar();
    let mut progress = |progress: &Progress| show(&bar, progress);
    let result = match writer {
        None => {
            let observers = Observers {
                progress: &mut progress,
                jobs: None,
            };
            simulation::run(profile, workload, observers)
        }
        Some(writer) => {
            let observers = Observers {
                progress: &mut progress,
                jobs: Some(&mut |records| writer.take(records)),
            };
            simulation::run(profile, workload, observers)
        }
    };
    bar.finish_and_clear();
    Ok(result?)
}

/// Seen on a terminal only.
fn bar() -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{bar:30} {percent:>3} %  {msg}, {elapsed}");
    let bar = ProgressBar::new(1000);
    bar.enable_steady_tick(Real::from_millis(500));
    bar.with_style(style.expect("the template is well-formed"))
}

fn show(bar: &ProgressBar, progress: &Progress) {
    let part = |done: u64, whole: u64| {
        let share = u128::from(done) * 1000 / u128::from(whole.max(1));
        u64::try_from(share).unwrap_or(1000).min(1000)
    };
    let by_count = progress.count.map(|count| part(progress.answered, count));
    let by_time = progress.until.map(|until| part(progress.now.0, until.0));
    bar.set_position(by_count.max(by_time).unwrap_or(0));
    bar.set_message(format!(
        "{} answered, {} of model time",
        HumanCount(progress.answered),
        Duration(progress.now.0)
    ));
}

/// A time such as `10min`, for clap.
fn parse_time(text: &str) -> Result<u64, String> {
    match Unit::Nanoseconds.parse(text) {
        Ok(0) => Err("no time at all; give one such as 60s or 10min".to_owned()),
        Ok(ns) => Ok(ns),
        Err(error) => Err(format!("{error}; give a time such as 60s or 10min")),
    }
}
