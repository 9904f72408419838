//! `imbrex compare`: what differs between two recordings, or two workloads on the same drive.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use super::beginning::Beginning;
use super::exit::{Code, UsageError};
use super::{load_choice, number, output, structure_source, workload_source};
use crate::drive::Drive;
use crate::lab::compare::answer::{self, Answer};
use crate::lab::compare::difference::{By, Comparison, Settings, Verdict};
use crate::lab::compare::tally::{Division, Tally};
use crate::lab::playback::Playback;
use crate::lab::ranges::Ranges;
use crate::lab::replay::How;
use crate::lab::simulation::course::Course;
use crate::lab::simulation::{self, Load, Observers};
use crate::lab::workload::Workload;

const LONG: &str = "\
Compare two recordings of requests, as `record`, `serve --record` and `simulate --record` write them; or, with
--profile, two workloads (or the requests of two recordings) on a drive that begins in the same state:
what differs by operation and how sure that is, where the time went, and at which addresses.";

const EXAMPLES: &str = "\
Examples:
  imbrex compare before.parquet after.parquet
  imbrex compare before.parquet after.parquet --structures ext4.csv --json
  imbrex compare before.parquet after.parquet --profile desktop-5tb --start formatted
  imbrex compare mail-spool.toml changed.toml --profile desktop-5tb --seeds 10

Exit codes: 1 if B is slower (the whole interval lies above 0), 0 if not or if nobody knows; 2 usage; 3 a
recording, workload or profile cannot be used; others as `imbrex --help` lists.";

/// Arguments of `compare`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// A recording; with --profile also a workload's name, its TOML file, or words.
    #[arg(value_name = "A")]
    first: String,
    /// The same, to be compared with A.
    #[arg(value_name = "B")]
    second: String,
    /// Run both on this drive: a built-in profile, a TOML file or an image.
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    #[command(flatten)]
    beginning: Beginning,
    /// Runs of each workload, with one seed after the other; from 5 on they are the units of the
    /// intervals.
    #[arg(long, value_name = "RUNS", default_value = "1", requires = "profile", value_parser = number::from_1_to(1000_u64))]
    seeds: u64,
    /// Start of everything that looks random.
    #[arg(long, default_value = "1")]
    seed: u64,
    /// The latency by which the verdict (and the exit code) is given.
    #[arg(long, value_enum, default_value = "mean")]
    by: ByWord,
    /// Ranges of equal width into which addresses are divided.
    #[arg(long, value_name = "RANGES", default_value = "64", value_parser = number::from_1_to(65_536_u64))]
    ranges: u64,
    /// Divide addresses by the structures of this file, too (CSV, see docs/blame.md).
    #[arg(long, value_name = "FILE")]
    structures: Option<PathBuf>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ByWord {
    /// Mean latency.
    Mean,
    /// Half take no longer.
    Median,
    /// 90 % take no longer.
    P90,
    /// 99 % take no longer.
    P99,
}

/// What a side is made from.
enum Source {
    Recording(Box<Playback>),
    Workload(Box<Workload>),
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let sources = [&arguments.first, &arguments.second].map(|word| source(word));
    let [a, b] = sources;
    let sources = [a?, b?];
    let comparison = match &arguments.profile {
        Some(profile) => on_a_drive(arguments, profile, &sources)?,
        None => of_recordings(arguments, &sources)?,
    };
    if arguments.json {
        output::print_json(&serde_json::to_value(&comparison)?)?;
    } else {
        output::print(&comparison.to_string())?;
    }
    Ok(match comparison.verdict {
        Verdict::Slower => Code::Failure,
        Verdict::Faster | Verdict::CannotBeToldApart | Verdict::NotKnown => Code::Ok,
    })
}

fn source(word: &str) -> anyhow::Result<Source> {
    let path = Path::new(word);
    let mut magic = [0; 4];
    let is_recording = File::open(path)
        .is_ok_and(|mut file| file.read_exact(&mut magic).is_ok() && magic == *b"PAR1");
    if is_recording {
        return Ok(Source::Recording(Box::new(Playback::open(path)?)));
    }
    Ok(Source::Workload(Box::new(workload_source::load(word)?)))
}

fn of_recordings(arguments: &Arguments, sources: &[Source; 2]) -> anyhow::Result<Comparison> {
    let [Source::Recording(a), Source::Recording(b)] = sources else {
        let what = "A and B are not both recordings: give --profile, the drive to run workloads on";
        return Err(UsageError(what.to_owned()).into());
    };
    if arguments.beginning.says_something() {
        let what =
            "--capacity, --set and --start speak of a drive to run both on: give --profile, too";
        return Err(UsageError(what.to_owned()).into());
    }
    if a.profile != b.profile {
        output::say("A and B were recorded on different drives: what differs may be the drives");
    } else if a.began_new != b.began_new {
        output::say(
            "one of the drives was new when its recording began, and the other was not: what differs \
             may be that",
        );
    }
    let end = a.end_bytes.max(b.end_bytes).max(1);
    compared(arguments, end, |division| {
        let read = |word: &str, took| -> anyhow::Result<Vec<Tally>> {
            let mut tally = Tally::new(division);
            answer::read(Path::new(word), took, |answer| tally.take(answer, division))?;
            tally.knows(took);
            Ok(vec![tally])
        };
        Ok([
            read(&arguments.first, a.took)?,
            read(&arguments.second, b.took)?,
        ])
    })
}

fn on_a_drive(
    arguments: &Arguments,
    profile: &str,
    sources: &[Source; 2],
) -> anyhow::Result<Comparison> {
    let drive = arguments.beginning.drive(Some(profile))?;
    let recorded = |source: &Source| matches!(source, Source::Recording(_));
    if arguments.seeds > 1 && sources.iter().any(recorded) {
        let what = "--seeds repeats workloads; a recording is the same every time";
        return Err(UsageError(what.to_owned()).into());
    }
    for source in sources {
        if let Source::Recording(playback) = source
            && let Some(words) = load_choice::began_otherwise(playback, &arguments.beginning)
        {
            output::say(&words);
        }
    }
    let last = arguments.seed.checked_add(arguments.seeds - 1);
    let Some(last) = last else {
        let what = format!(
            "--seed {} --seeds {}: the seeds would go beyond the largest there is, {}; give a lower --seed",
            arguments.seed,
            arguments.seeds,
            u64::MAX
        );
        return Err(UsageError(what).into());
    };
    compared(
        arguments,
        drive.profile().drive.capacity_bytes,
        |division| {
            let mut sides = [Vec::new(), Vec::new()];
            for seed in arguments.seed..=last {
                for (side, source) in sides.iter_mut().zip(sources) {
                    side.push(once(drive.clone(), source, seed, division)?);
                }
            }
            Ok(sides)
        },
    )
}

fn once(drive: Drive, source: &Source, seed: u64, division: Division<'_>) -> anyhow::Result<Tally> {
    let mut tally = Tally::new(division);
    let mut take = |answers: &[crate::host::recorder::Answered]| {
        for answered in answers {
            tally.take(&Answer::from(answered), division);
        }
        Ok(())
    };
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: Some(&mut take),
    };
    let workload;
    let load = match source {
        Source::Recording(playback) => Load::recorded(playback, How::default()),
        Source::Workload(given) => {
            workload = Workload {
                seed,
                ..(**given).clone()
            };
            Load::Made(&workload)
        }
    };
    let outcome = simulation::carry_out(drive, load, &Course::of(load), observers)?;
    tally.met_nothing(outcome.summary.reads_unwritten);
    Ok(tally)
}

/// Compares what `tallies` makes of both sides, with a drive of `capacity` bytes divided.
fn compared(
    arguments: &Arguments,
    capacity: u64,
    tallies: impl FnOnce(Division<'_>) -> anyhow::Result<[Vec<Tally>; 2]>,
) -> anyhow::Result<Comparison> {
    let ranges = Ranges::equal(capacity, capacity.div_ceil(arguments.ranges));
    let listed = match &arguments.structures {
        Some(path) => Some(structure_source::load(path, capacity)?),
        None => None,
    };
    let division = Division {
        ranges: &ranges,
        structures: listed.as_ref(),
    };
    let [a, b] = tallies(division)?;
    let settings = Settings {
        division,
        by: match arguments.by {
            ByWord::Mean => By::Mean,
            ByWord::Median => By::Median,
            ByWord::P90 => By::P90,
            ByWord::P99 => By::P99,
        },
        seed: arguments.seed,
    };
    Ok(Comparison::of(
        (&arguments.first, &a),
        (&arguments.second, &b),
        settings,
    ))
}
