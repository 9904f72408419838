//! `imbrex import`: makes a recording of a trace of another tool, or a workload of rates.

use std::convert::Infallible;
use std::fs::File;
use std::io::{Read, Write as _};
use std::os::unix::fs::FileTypeExt as _;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use anyhow::Context as _;
use clap::ValueEnum;
use serde_json::json;

use super::exit::{Code, OutputError, UnusableError, UsageError};
use super::simulate::new_file;
use super::{output, profile_source};
use crate::lab::import::rates::IntervalFrom;
use crate::lab::import::table::Columns;
use crate::lab::import::{
    BadLines, Event, Format, Hide, Key, Lines, Options, TimeUnit, import, rates,
};
use crate::lab::recording::RecordingWriter;
use crate::profile::quantity::Unit;
use crate::units::counted;

const LONG: &str = "\
Make a recording of a trace of another tool, which `simulate --replay` runs on any profile. The trace may
be compressed by gzip; `-` stands for standard input. What was understood is told, and which lines were
passed over and why. Memory does not grow with the trace. See docs/traces.md.

iostat tells rates only: of these a workload is made (TOML), which is synthetic and says so.";

const EXAMPLES: &str = "\
Examples:
  imbrex import trace.txt --as blkparse --event issued -o trace.parquet
  imbrex import session.log --as fio-log -o session.parquet
  imbrex import rows.csv.gz --as csv --columns time=when:ms,op=kind,offset=lba:sectors,bytes=len -o rows.parquet
  imbrex import week.csv --as host-disk --device usr.1 --hide-offsets 500GB --key 8123 -o week.parquet
  imbrex import iostat.json --as iostat --interval 5s -o like-it.toml
  imbrex simulate desktop-5tb --replay trace.parquet";

/// Arguments of `import`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The trace.
    file: PathBuf,
    /// What it looks like.
    #[arg(long = "as", value_enum, value_name = "FORMAT")]
    format: Kind,
    /// The new file: a recording, or a workload where the format is iostat.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// The event that counts as the arrival of a request (blkparse); queued where not given.
    #[arg(long, value_enum)]
    event: Option<Arrival>,
    /// Columns by their names in the head, with units (csv), such as
    /// time=Timestamp:us,op=Type,offset=Offset:sectors,bytes=Size.
    #[arg(
        long,
        value_name = "KEY=COLUMN[:UNIT],...",
        required_if_eq("format", "csv")
    )]
    columns: Option<String>,
    /// Unit of the times in an I/O log of fio: ns, us, ms or s; us where not given.
    #[arg(long, value_name = "UNIT", value_parser = parse_unit)]
    time_unit: Option<TimeUnit>,
    /// Take this drive where the trace is of several; the first where not given (iostat: the first
    /// that is no loop device and not in memory). A table needs device=COLUMN in --columns for it.
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// What happens at a line that makes no sense (all but iostat); skip where not given.
    #[arg(long, value_enum)]
    bad_lines: Option<Bad>,
    /// How many of these lines are shown; 5 where not given.
    #[arg(long, value_name = "LINES")]
    show_bad: Option<usize>,
    /// Let pieces of the traced drive, which has this size, change places (all but iostat).
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity, requires = "key")]
    hide_offsets: Option<u64>,
    /// Decides which piece goes where; whoever has it can turn it back.
    #[arg(long, value_name = "NUMBER", requires = "hide_offsets")]
    key: Option<GivenKey>,
    /// Size of such a piece; 256 MiB where not given.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity, requires = "hide_offsets")]
    piece: Option<u64>,
    /// Time from one report to the next (iostat). Where not given, as the times of the reports say (iostat -t),
    /// or else 1s.
    #[arg(long, value_name = "TIME", value_parser = parse_interval)]
    interval: Option<u64>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

/// Lines without sense that are shown.
const BAD_SHOWN: usize = 5;
/// About a band.
const PIECE_BYTES: u64 = 1 << 28;

/// A key as it was given; nothing if it is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct GivenKey(Option<Key>);

/// Takes anything, since clap repeats what it refuses, and a key is not shown.
impl FromStr for GivenKey {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<GivenKey, Infallible> {
        Ok(GivenKey(text.parse().ok().map(Key::new)))
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kind {
    /// The default text of blkparse.
    Blkparse,
    /// An I/O log of fio, version 2 or 3.
    FioLog,
    /// A table with a head; see --columns.
    Csv,
    /// Timestamp,Hostname,DiskNumber,Type,Offset,Size,ResponseTime; times in 100 ns.
    HostDisk,
    /// Timestamp,Offset,Size,IOType,VolumeID; seconds and sectors.
    Volume,
    /// Reports of iostat, text or JSON.
    Iostat,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Arrival {
    /// As the filesystem asked, before anything is merged (Q).
    Queued,
    /// Into the queue of the scheduler (I).
    Inserted,
    /// To the drive (D).
    Issued,
    /// Answered by it (C).
    Completed,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Bad {
    /// Count it, and go on.
    Skip,
    /// End the import.
    Stop,
}

impl Arguments {
    /// Refuses options that mean nothing for the format: whoever gives one expects that it does something.
    fn refuse_foreign(&self) -> Result<(), UsageError> {
        let requests = [
            Kind::Blkparse,
            Kind::FioLog,
            Kind::Csv,
            Kind::HostDisk,
            Kind::Volume,
        ];
        let options: [(&str, bool, &[Kind]); 7] = [
            ("--event", self.event.is_some(), &[Kind::Blkparse]),
            ("--columns", self.columns.is_some(), &[Kind::Csv]),
            ("--time-unit", self.time_unit.is_some(), &[Kind::FioLog]),
            ("--bad-lines", self.bad_lines.is_some(), &requests),
            ("--show-bad", self.show_bad.is_some(), &requests),
            ("--hide-offsets", self.hide_offsets.is_some(), &requests),
            ("--interval", self.interval.is_some(), &[Kind::Iostat]),
        ];
        let foreign =
            |(_, given, kinds): &&(&str, bool, &[Kind])| *given && !kinds.contains(&self.format);
        let Some((option, _, kinds)) = options.iter().find(foreign) else {
            return Ok(());
        };
        let words = kinds.iter().map(|kind| kind.word());
        let words: Vec<String> = words.collect();
        Err(UsageError(format!(
            "{option} means nothing with --as {}, and something only with {}: leave it out",
            self.format.word(),
            words.join(", ")
        )))
    }

    /// Whether and how offsets are hidden.
    fn hide(&self) -> Result<Option<Hide>, UsageError> {
        let Some((drive_bytes, key)) = self.hide_offsets.zip(self.key) else {
            return Ok(None);
        };
        let key = key.0.ok_or_else(|| {
            UsageError(format!(
                "--key: what was given is no whole number from 0 to {} (it is not repeated here: who has it can undo \
                 the hiding)",
                u64::MAX
            ))
        })?;
        Ok(Some(Hide {
            drive_bytes,
            piece_bytes: self.piece.unwrap_or(PIECE_BYTES),
            key,
        }))
    }

    /// What a trace of requests looks like; nothing where there are only rates.
    fn format_of_requests(&self) -> Result<Option<Format>, UsageError> {
        Ok(Some(match self.format {
            Kind::Iostat => return Ok(None),
            Kind::Blkparse => Format::Blkparse(match self.event {
                None | Some(Arrival::Queued) => Event::Queued,
                Some(Arrival::Inserted) => Event::Inserted,
                Some(Arrival::Issued) => Event::Issued,
                Some(Arrival::Completed) => Event::Completed,
            }),
            Kind::FioLog => Format::FioLog(self.time_unit.unwrap_or(TimeUnit::Microseconds)),
            Kind::HostDisk => Format::Table(Columns::host_disk()),
            Kind::Volume => Format::Table(Columns::volume()),
            Kind::Csv => {
                let columns = self.columns.as_deref().unwrap_or_default();
                let columns = Columns::parse(columns);
                let columns = columns.map_err(|error| UsageError(error.to_string()))?;
                if let Some(device) = self.device.as_ref().filter(|_| columns.device.is_empty()) {
                    return Err(UsageError(format!(
                        "--device {device}: nothing says which column tells drives apart, so the requests of \
                         all drives would be taken; add device=COLUMN to --columns"
                    )));
                }
                Format::Table(columns)
            }
        }))
    }
}

impl Kind {
    /// How it is given.
    fn word(self) -> String {
        let value = self.to_possible_value();
        value.map_or_else(String::new, |value| value.get_name().to_owned())
    }
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    arguments.refuse_foreign()?;
    let path = &arguments.file;
    let Some(format) = arguments.format_of_requests()? else {
        return from_rates(arguments, trace(path)?);
    };
    let from = trace(path)?;
    let options = Options {
        format,
        device: arguments.device.clone(),
        bad_lines: match arguments.bad_lines {
            None | Some(Bad::Skip) => BadLines::Skip,
            Some(Bad::Stop) => BadLines::Stop,
        },
        bad_shown: arguments.show_bad.unwrap_or(BAD_SHOWN),
        hide: arguments.hide()?,
    };
    let shown = path.display();
    let mut lines = Lines::of(from).with_context(|| format!("cannot read {shown}"))?;
    let about = [("imported_from", shown.to_string())];
    let to = RecordingWriter::new(new_file(&arguments.output)?, &about)?;
    let report = import(&mut lines, &options, to).inspect_err(|_| {
        // Without its end it is no recording.
        let _ = std::fs::remove_file(&arguments.output);
    });
    let report = report.with_context(|| format!("cannot import {shown}"))?;
    if arguments.json {
        output::print_json(&serde_json::to_value(&report)?)?;
    } else {
        output::print(&report.to_string())?;
    }
    Ok(Code::Ok)
}

/// What is read: a file, or what comes through a pipe or a terminal.
fn trace(path: &Path) -> Result<Box<dyn Read>, UnusableError> {
    if path.as_os_str() == "-" {
        return Ok(Box::new(std::io::stdin()));
    }
    let shown = path.display();
    let unusable = |error| UnusableError(format!("cannot read {shown}: {error}"));
    let file = File::open(path).map_err(unusable)?;
    let kind = file.metadata().map_err(unusable)?.file_type();
    if kind.is_block_device() || kind.is_dir() {
        let what = if kind.is_dir() {
            "a directory"
        } else {
            "a block device"
        };
        return Err(UnusableError(format!(
            "{shown} is {what}: a trace is a file of text, or `-` for standard input"
        )));
    }
    Ok(Box::new(file))
}

fn from_rates(arguments: &Arguments, from: Box<dyn Read>) -> anyhow::Result<Code> {
    let shown = arguments.file.display();
    let text = rates::text_of(from).with_context(|| format!("cannot read {shown}"))?;
    let made = rates::workload(&text, arguments.device.as_deref(), arguments.interval);
    let made = made.with_context(|| format!("cannot import {shown}"))?;
    let mut file = new_file(&arguments.output)?;
    file.write_all(made.toml.as_bytes())
        .and_then(|()| file.flush())
        .map_err(OutputError::of(arguments.output.display()))?;
    if arguments.json {
        output::print_json(&json!({
            "synthetic": true,
            "drive": made.drive,
            "drives": made.drives,
            "reports": made.reports,
            "interval_ns": made.interval_ns,
            "interval_from": match made.interval_from {
                IntervalFrom::Given => "given",
                IntervalFrom::Times => "times",
                IntervalFrom::Assumed => "assumed",
            },
        }))?;
    } else {
        output::print(&format!(
            "{} is synthetic: rates of {} in {}; where requests went is not in them\n",
            arguments.output.display(),
            made.drive,
            counted(made.reports, "report")
        ))?;
        let interval = Unit::Nanoseconds.format(made.interval_ns);
        output::print(&match made.interval_from {
            IntervalFrom::Given => format!("from one report to the next: {interval}, as given\n"),
            IntervalFrom::Times => format!(
                "from one report to the next: {interval}, by their times (--interval TIME says otherwise)\n"
            ),
            IntervalFrom::Assumed => format!(
                "from one report to the next: {interval}, which is ASSUMED: the reports have no times (iostat \
                 -t); --interval TIME says otherwise\n"
            ),
        })?;
        if made.drives.len() > 1 {
            output::print(&format!(
                "the reports are of several drives: {}; --device NAME takes another\n",
                made.drives.join(", ")
            ))?;
        }
    }
    Ok(Code::Ok)
}

fn parse_unit(text: &str) -> Result<TimeUnit, String> {
    TimeUnit::of(text).ok_or_else(|| {
        let words = TimeUnit::WORDS.map(|(word, _)| word);
        format!("not a unit of time; one of {}", words.join(", "))
    })
}

fn parse_interval(text: &str) -> Result<u64, String> {
    match Unit::Nanoseconds.parse(text) {
        Ok(0) | Err(_) => Err("give a time such as 1s or 10min".to_owned()),
        Ok(ns) => Ok(ns),
    }
}
