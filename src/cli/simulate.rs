//! `imbrex simulate`: runs a workload on a drive in virtual time and tells what came out.

use std::fs::File;
use std::io::{BufWriter, ErrorKind};
use std::path::{Path, PathBuf};

use indicatif::{HumanCount, ProgressBar};

use super::beginning::Beginning;
use super::exit::{Code, OutputError, ProtectedError, SealedError, UsageError};
use super::load_choice::{self, Chosen, LoadChoice};
use super::report::RunFiles;
use super::{bar, output, profile_source};
use crate::drive::job_record::JobRecord;
use crate::drive::request::Completion;
use crate::host::recorder::Answered;
use crate::lab::agreement::Agreement;
use crate::lab::events::EventWriter;
use crate::lab::playback::Playback;
use crate::lab::recording::{self, RecordingWriter, Took};
use crate::lab::replay::How;
use crate::lab::simulation::{self, JobSink, Observers, Progress, SimulationError};
use crate::lab::summary::Summary;
use crate::lab::workload::Workload;
use crate::profile::Profile;
use crate::time::Duration;

const LONG: &str = "\
Run a workload on a drive in virtual time: the drive that `serve` shows, with neither bytes nor clock.
Same profile, workload and seed give the same output, byte for byte. With --replay, run the requests
that `record`, `serve --record` or `simulate --record` recorded, at the moments at which they came.

A workload is a name of `imbrex workload list`, a TOML file (see docs/workloads.md) or a few words that
begin with an order, as one argument: uniform, sequential, alternate-blocks, skewed, hot-cold, ring or
scatter; read, write, fua-write, flush, trim or zero, with a share such as 70%read; a request size;
first-10GB for a part of the drive; 1000-requests or 60s; 200/s or 8-under-way; bursts-of-500 with
pause-10s; then-drain.";

const EXAMPLES: &str = "\
Examples:
  imbrex simulate desktop-5tb 'uniform write 4KiB 10000-requests'
  imbrex simulate archive-8tb 'uniform 70%read 30%write 16KiB 50/s 10min' --json
  imbrex simulate desktop-5tb database-commit --duration 5min
  imbrex simulate desktop-5tb mine.toml --seed 7 --start formatted --events jobs.parquet
  imbrex simulate --replay session.parquet
  imbrex simulate flash-4tb --replay session.parquet --keep think-times";

/// Arguments of `simulate`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// A built-in profile, a TOML file or an image (only its profile is read). With --replay the
    /// recording's own where none is given.
    #[arg(required_unless_present = "replay")]
    profile: Option<String>,
    #[command(flatten)]
    load: LoadChoice,
    #[command(flatten)]
    beginning: Beginning,
    /// Record every job of the arm in this new file (Parquet, see docs/events.md).
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Record every request and its answer in this new file (Parquet, see docs/events.md).
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Make a page with figures of the run in this new file (HTML, see docs/report.md).
    #[arg(long, value_name = "PAGE")]
    report: Option<PathBuf>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let workload = match arguments.load.chosen()? {
        Chosen::Recording(recording) => return replay(arguments, &recording),
        Chosen::Workload(workload) => workload,
    };
    if let Some(named) = arguments.profile.as_deref()
        && profile_source::is_sealed(named)
    {
        return sealed(arguments, Path::new(named), &workload);
    }
    let drive = arguments.beginning.drive(arguments.profile.as_deref())?;
    let about = [
        (recording::PROFILE, drive.profile().to_toml()),
        (recording::BEGAN, arguments.beginning.began()),
        ("workload", workload.name.clone()),
        ("seed", workload.seed.to_string()),
    ];
    let summary = observed(arguments, &about, None, |observers| {
        simulation::run(drive, &workload, observers)
    })?;
    if arguments.json {
        output::print_json(&serde_json::to_value(&summary)?)?;
    } else {
        output::print(&summary.to_string())?;
    }
    Ok(Code::Ok)
}

/// A sealed drive tells what a host can know, and no file about it is written.
fn sealed(arguments: &Arguments, path: &Path, workload: &Workload) -> anyhow::Result<Code> {
    let told = [&arguments.events, &arguments.record, &arguments.report];
    if told.iter().any(|file| file.is_some()) {
        let what = "--events, --record and --report tell what happens inside";
        return Err(SealedError::of(path, what).into());
    }
    let drive = arguments.beginning.sealed(path)?;
    let summary = observed(arguments, &[], None, |observers| {
        simulation::run(drive, workload, observers)
    })?;
    if !arguments.json {
        output::print(&summary.latencies())?;
        return Ok(Code::Ok);
    }
    output::print_json(&serde_json::json!({
        "profile": summary.profile,
        "sealed": true,
        "capacity_bytes": summary.capacity_bytes,
        "workload": summary.workload,
        "seed": summary.seed,
        "answered": summary.answered,
        "answered_ns": summary.answered_ns,
        "operations": summary.operations,
        "streams": summary.streams,
        "host_written_bytes": summary.host_written_bytes,
    }))?;
    Ok(Code::Ok)
}

fn replay(arguments: &Arguments, recording: &Playback) -> anyhow::Result<Code> {
    let how = arguments.load.how();
    let shown = recording.name();
    let own = match &recording.profile {
        Some(text) => Some(Profile::from_toml(
            &format!("the profile in {shown}"),
            text,
        )?),
        None => None,
    };
    let beginning = &arguments.beginning;
    let drive = match (&arguments.profile, &own) {
        (None, Some(own)) => beginning.drive_of(own.clone())?,
        (None, None) => {
            let what = format!("{shown} does not say of which drive it is: give a PROFILE");
            return Err(UsageError(what).into());
        }
        (Some(named), _) => beginning.drive(Some(named))?,
    };
    let about = [
        (recording::PROFILE, drive.profile().to_toml()),
        (recording::BEGAN, beginning.began()),
        ("workload", recording.name()),
    ];
    // Between different drives, and at other times, there is nothing to agree about.
    let timed = recording.took != Took::Unknown;
    let comparable = own.as_ref() == Some(drive.profile()) && how == How::default() && timed;
    let mut completions = Vec::new();
    let keep = comparable.then_some(&mut completions);
    let summary = observed(arguments, &about, keep, |observers| {
        simulation::play_back(drive, recording, how, observers)
    })?;
    completions.sort_by_key(|completion| completion.request);
    let agreement = if comparable {
        Some(Agreement::of_replay(&recording.all()?, &completions))
    } else {
        None
    };
    if arguments.json {
        let mut value = serde_json::to_value(&summary)?;
        value["agreement"] = serde_json::to_value(&agreement)?;
        value["recording_began_new"] = recording.began_new.into();
        output::print_json(&value)?;
        return Ok(Code::Ok);
    }
    output::print(&format!("{summary}\n"))?;
    match agreement {
        Some(agreement) => output::print(&agreement.to_string())?,
        None if !timed => output::print(
            "the recording does not say how long its requests took: nothing to compare with\n",
        )?,
        None => output::print(
            "the recording is of another drive, or its times are not kept: nothing to compare with\n",
        )?,
    }
    if let Some(words) = load_choice::began_otherwise(recording, beginning) {
        output::print(&format!("{words}\n"))?;
    }
    Ok(Code::Ok)
}

/// Runs something with progress shown, and with the files that were asked for. `keep`: where all
/// answers go too.
fn observed(
    arguments: &Arguments,
    about: &[(&str, String)],
    mut keep: Option<&mut Vec<Completion>>,
    run: impl FnOnce(Observers<'_>) -> Result<Summary, SimulationError>,
) -> anyhow::Result<Summary> {
    let wanted = [&arguments.events, &arguments.record, &arguments.report];
    let files = RunFiles::places(wanted.map(Option::as_ref))?;
    let mut events = match &files.events {
        Some(path) => Some(EventWriter::new(new_file(path)?, about)?),
        None => None,
    };
    let mut record = match &files.record {
        Some(path) => Some(RecordingWriter::new(new_file(path)?, about)?),
        None => None,
    };
    let bar = bar::new("{bar:30} {percent:>3} %  {msg}, {elapsed}", 1000);
    let mut progress = |progress: &Progress| show(&bar, progress);
    let mut jobs = events
        .as_mut()
        .map(|writer| |records: &mut Vec<JobRecord>| writer.take(records));
    let wanted = keep.is_some() || record.is_some();
    let mut answers = |answers: &[Answered]| {
        if let Some(keep) = &mut keep {
            keep.extend(answers.iter().map(|answered| answered.completion));
        }
        record.as_mut().map_or(Ok(()), |file| file.take(answers))
    };
    let result = run(Observers {
        progress: &mut progress,
        jobs: jobs.as_mut().map(|sink| -> &mut JobSink<'_> { sink }),
        answers: if wanted { Some(&mut answers) } else { None },
    });
    bar.finish_and_clear();
    let summary = result?;
    if let Some(writer) = events {
        writer.finish()?;
    }
    if let Some(writer) = record {
        writer.finish()?;
    }
    files.make_page(&summary)?;
    Ok(summary)
}

/// A file that was not there, for columns.
pub(super) fn new_file(path: &Path) -> anyhow::Result<BufWriter<File>> {
    match File::create_new(path) {
        Ok(file) => Ok(BufWriter::new(file)),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            Err(ProtectedError::exists(path).into())
        }
        Err(error) => Err(OutputError::of(path.display())(error).into()),
    }
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
