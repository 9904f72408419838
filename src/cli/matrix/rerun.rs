//! `imbrex matrix rerun`: runs the cell of a bundle again and tells whether the same comes out.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use super::beginnings::Beginnings;
use super::cell::{self, Done};
use super::plan_in;
use super::serving::{Rig, Stop};
use crate::cli::exit::{Code, ProtectedError, RigError, UnusableError, UsageError};
use crate::cli::{output, signals, simulate};
use crate::drive::job_record::JobRecord;
use crate::host::recorder::Answered;
use crate::lab::events::EventWriter;
use crate::lab::matrix::bundle;
use crate::lab::matrix::plan::{Cell, Plan};
use crate::lab::matrix::results::Line;
use crate::lab::recording::{self, RecordingWriter};
use crate::lab::simulation::{JobSink, Observers};

/// Bundles beside one that is not there that are named.
const BESIDE_SHOWN: usize = 20;

/// Arguments of `matrix rerun`.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// The folder of a cell, as --bundles makes them.
    bundle: PathBuf,
    /// Record every job of the arm in this new file (Parquet, see docs/events.md); simulated cells only.
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Record every request and its answer in this new file (Parquet, see docs/events.md); simulated
    /// cells only.
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Where the image of a served cell is made; beside the bundle where not given.
    #[arg(long, value_name = "DIR")]
    scratch: Option<PathBuf>,
    /// The command that runs scripts in guests.
    #[arg(long, value_name = "PATH", default_value = "scripts/vm")]
    vm: PathBuf,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let folder = &arguments.bundle;
    if !folder.join(bundle::MATRIX).is_file() {
        return Err(UnusableError(no_bundle(folder)).into());
    }
    let before = line_in(folder)?;
    let plan = plan_in(&folder.join(bundle::MATRIX))?;
    let [cell] = plan.cells.as_slice() else {
        let what = format!("{} holds more than one cell", folder.display());
        return Err(UnusableError(what).into());
    };
    let simulated = plan.job(cell).is_simulated();
    if !simulated && (arguments.events.is_some() || arguments.record.is_some()) {
        let what = "--events and --record are for simulated cells; this one is served";
        return Err(UsageError(what.to_owned()).into());
    }
    for path in [&arguments.events, &arguments.record].into_iter().flatten() {
        if path.exists() {
            return Err(ProtectedError::exists(path).into());
        }
    }
    let done = if simulated {
        observed(&plan, cell, arguments)?
    } else {
        match served(&plan, cell, arguments)? {
            Some(done) => done,
            None => return Ok(Code::Interrupted),
        }
    };
    let same = differences(&before, &done.line, simulated);
    let mut text = String::new();
    let _ = writeln!(text, "{}: {}", done.line.words(), done.line.outcome.word());
    for one in &done.line.assertions {
        let holds = if one.holds { "holds" } else { "does not hold" };
        let _ = writeln!(text, "  {}: {} ({holds})", one.what, one.measured);
    }
    if let Some(why) = &done.line.why {
        let _ = writeln!(text, "  {why}");
    }
    if same.is_empty() {
        let what = if simulated {
            format!("all {} figures", done.line.figures.len())
        } else {
            "what became of it (its figures are those of real time)".to_owned()
        };
        let _ = writeln!(text, "the same comes out: {what}");
        output::print(&text)?;
        return Ok(Code::Ok);
    }
    let _ = writeln!(text, "something else comes out:");
    for difference in same {
        let _ = writeln!(text, "  {difference}");
    }
    output::print(&text)?;
    Ok(Code::Failure)
}

/// What is said of a folder that holds no bundle: whether it is there, and which ones lie beside it.
fn no_bundle(folder: &Path) -> String {
    let shown = folder.display();
    if folder.exists() {
        return format!(
            "{shown} is not a bundle of `imbrex matrix`: it holds no {}",
            bundle::MATRIX
        );
    }
    let above = match folder.parent() {
        Some(above) if !above.as_os_str().is_empty() => above,
        _ => Path::new("."),
    };
    let entries = fs::read_dir(above).into_iter().flatten().flatten();
    let bundles = entries.filter(|entry| entry.path().join(bundle::MATRIX).is_file());
    let mut names: Vec<String> = bundles
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    // Numbers in the order of numbers.
    names.sort_by_key(|name| (name.len(), name.clone()));
    let more = names.len().saturating_sub(BESIDE_SHOWN);
    names.truncate(BESIDE_SHOWN);
    let beside = match (names.is_empty(), more) {
        (true, _) => format!("there is no bundle in {}", above.display()),
        (false, 0) => format!("beside it: {}", names.join(", ")),
        (false, more) => format!("beside it: {} and {more} more", names.join(", ")),
    };
    format!("{shown} is not there: only cells that failed leave a bundle; {beside}")
}

fn line_in(folder: &Path) -> anyhow::Result<Line> {
    let path = folder.join(bundle::LINE);
    let shown = path.display();
    let text =
        fs::read(&path).map_err(|error| UnusableError(format!("cannot read {shown}: {error}")))?;
    serde_json::from_slice(&text)
        .map_err(|error| UnusableError(format!("{shown} is no result of a cell: {error}")).into())
}

fn differences(before: &Line, now: &Line, figures: bool) -> Vec<String> {
    let mut all = Vec::new();
    if before.outcome != now.outcome {
        let (before, now) = (before.outcome.word(), now.outcome.word());
        all.push(format!("{before} -> {now}"));
    }
    if !figures {
        return all;
    }
    let names = before.figures.keys().chain(now.figures.keys());
    let names: std::collections::BTreeSet<&String> = names.collect();
    for name in names {
        let of = |line: &Line| match line.figures.get(name) {
            Some(value) => value.to_string(),
            None => "nothing".to_owned(),
        };
        if of(before) != of(now) {
            all.push(format!("{name} {} -> {}", of(before), of(now)));
        }
    }
    all
}

/// Runs a simulated cell with the files that were asked for.
fn observed(plan: &Plan, cell: &Cell, arguments: &Arguments) -> anyhow::Result<Done> {
    let about = [
        (recording::PROFILE, cell.profile.to_toml()),
        (recording::BEGAN, cell.start.to_string()),
        ("workload", plan.work_name(cell).to_owned()),
        ("seed", cell.seed.to_string()),
    ];
    let mut events = match &arguments.events {
        Some(path) => Some(EventWriter::new(simulate::new_file(path)?, &about)?),
        None => None,
    };
    let mut record = match &arguments.record {
        Some(path) => Some(RecordingWriter::new(simulate::new_file(path)?, &about)?),
        None => None,
    };
    let drive = cell.start.drive(&cell.profile)?;
    let mut jobs = events
        .as_mut()
        .map(|writer| |records: &mut Vec<JobRecord>| writer.take(records));
    let wanted = record.is_some();
    let mut answers =
        |answers: &[Answered]| record.as_mut().map_or(Ok(()), |file| file.take(answers));
    let observers = Observers {
        progress: &mut |_| {},
        jobs: jobs.as_mut().map(|sink| -> &mut JobSink<'_> { sink }),
        answers: if wanted { Some(&mut answers) } else { None },
    };
    let done = cell::simulated(plan, cell, drive, observers);
    if let Some(writer) = events {
        writer.finish()?;
    }
    if let Some(writer) = record {
        writer.finish()?;
    }
    Ok(done)
}

fn served(plan: &Plan, cell: &Cell, arguments: &Arguments) -> anyhow::Result<Option<Done>> {
    let asked = signals::catch().map_err(|source| RigError {
        doing: "catch SIGINT and SIGTERM",
        source,
    })?;
    let stop = Stop::new();
    let scratch = match &arguments.scratch {
        Some(folder) => folder.clone(),
        None => arguments.bundle.with_extension("scratch"),
    };
    let rig = Rig::new(&scratch, &arguments.vm, &stop)?;
    let watch = std::thread::spawn(move || {
        // The other end goes with the process, too.
        if asked.recv().is_ok() {
            stop.now();
        }
    });
    let done = cell::run(plan, cell, &Beginnings::default(), &rig);
    // It waits for a signal, and nobody waits for it.
    drop(watch);
    Ok(done)
}
