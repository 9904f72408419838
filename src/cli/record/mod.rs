//! `imbrex record`: has a served drive record what it is asked and answers, from one moment to another.
//!
//! The server writes the file; this is who begins it and ends it, by the control socket. However it ends,
//! the recording is ended first and a command that runs beside it is waited for then.

mod job;

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use crossbeam_channel::{Receiver, after, never, select};
use serde_json::{Map, Value, json};

use self::job::Job;
use super::exit::{Code, RigError, UnusableError, UsageError};
use super::load_choice::parse_time;
use super::{output, signals};
use crate::control::client::{ClientError, Connection};
use crate::control::command::{Command, EndRecording, Record};
use crate::control::place;
use crate::host::account::{Lag, lag_words};
use crate::host::recorder::{Held, RecordingId};
use crate::host::recordings::Unwritten;
use crate::lab::recording;
use crate::time;
use crate::units::counted;

const LONG: &str = "\
Record what a served drive is asked and answers, from now on, in a new file (Parquet, see docs/events.md).

The recording lasts until Ctrl-C or SIGTERM, or for a time, or until COMMAND has ended, whichever comes
first; then what it holds is printed. What the drive was given before is not in it, nor what it has not
answered by the end. The server of IMAGE writes the file, as the user that it runs as.

COMMAND runs as if it were started here, once the recording has begun. It is waited for in any case, and
SIGTERM is passed on to it. A second Ctrl-C does not wait for it: what is recorded by then is complete.";

const EXAMPLES: &str = "\
Examples:
  imbrex record disk.img -o before.parquet -- tar -xf tree.tar -C /mnt/files
  imbrex record disk.img -o minute.parquet --for 60s
  imbrex record disk.img -o session.parquet

Exit codes:
  0  the recording is complete, and COMMAND ended well
  1  the recording is complete and COMMAND failed, or the server refused
  2  COMMAND cannot be started: nothing is recorded
  3  there is no such image
  4  FILE exists, or the drive is sealed
  6  nobody serves the image, the recording cannot be written, or the server was killed in the
     middle of it
  130  ended at once by a second Ctrl-C";

/// Arguments of `record`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The image that is served, or the control socket of its server.
    image: PathBuf,
    /// The new file.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// End after so much real time, such as 60s.
    #[arg(long = "for", value_name = "TIME", value_parser = parse_time)]
    lasts: Option<u64>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
    /// Record while this runs.
    #[arg(last = true, value_name = "COMMAND")]
    command: Vec<OsString>,
}

/// Why a recording ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Why {
    Asked,
    TimeIsOver,
    CommandEnded,
    ServerEnded,
}

impl Why {
    fn word(self) -> &'static str {
        match self {
            Why::Asked => "asked",
            Why::TimeIsOver => "time",
            Why::CommandEnded => "command",
            Why::ServerEnded => "server",
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let asked = signals::catch_which().map_err(rig("catch SIGINT, SIGTERM and SIGHUP"))?;
    let socket = socket_meant_by(&arguments.image)?;
    let mut way = Way {
        connection: Connection::open(&socket)?,
        file: absolute(&arguments.output)?,
        id: RecordingId::default(),
    };
    way.begin()?;
    let gone = way.connection.watch().map_err(rig("watch the server"))?;
    let mut job = match Job::start(&arguments.command) {
        Ok(job) => job,
        Err(source) => {
            way.end(true)?;
            let name = arguments.command[0].display();
            return Err(UsageError(format!("cannot start {name}: {source}")).into());
        }
    };
    if job.is_none() {
        let (image, file) = (arguments.image.display(), way.file.display());
        output::say(&format!(
            "recording {} of {image} in {file}: Ctrl-C ends it",
            way.id
        ));
    }
    let time = arguments.lasts.map(Duration::from_nanos);
    let why = wait((&asked, &gone), time, job.as_ref());
    let (why, outcome) = match (why, way.end(false)) {
        (_, Err(error)) if is_gone(&error) => (Why::ServerEnded, way.after_the_server()),
        (why, Ok(held)) => (why, Ok(held)),
        (why, Err(error)) => (why, Err(error)),
    };
    if why == Why::ServerEnded && outcome.is_ok() {
        output::say("the server has ended, and the recording with it: its file is complete");
    }
    let printed = match (&outcome, arguments.json) {
        (Ok(held), false) => output::print(&words(held)),
        _ => Ok(()),
    };
    let failure = job.as_mut().map(Job::outcome).transpose()?.flatten();
    let held = outcome.map_err(|error| match &failure {
        Some(how) => error.context(format!("the command {how}, and its recording failed")),
        None => error,
    })?;
    printed?;
    if arguments.json {
        output::print_json(&json!({
            "recording": way.id,
            "file": way.file,
            "ended_by": why.word(),
            "holds": held,
            "command_failed": failure,
        }))?;
    }
    match failure {
        Some(how) => anyhow::bail!("the command {how}; what the drive was asked is recorded"),
        None => Ok(Code::Ok),
    }
}

/// Waits for the first reason to end.
fn wait(
    (asked, gone): (&Receiver<i32>, &Receiver<()>),
    time: Option<Duration>,
    job: Option<&Job>,
) -> Why {
    let time = time.map_or_else(never, after);
    let over = job.map_or_else(never, |job| job.over().clone());
    select! {
        recv(asked) -> signal => {
            if let (Some(job), Ok(signal)) = (job, signal) {
                job.pass_on(signal);
            }
            Why::Asked
        }
        recv(gone) -> _ => Why::ServerEnded,
        recv(over) -> _ => Why::CommandEnded,
        recv(time) -> _ => Why::TimeIsOver,
    }
}

/// The way to the recording.
struct Way {
    connection: Connection,
    file: PathBuf,
    id: RecordingId,
}

impl Way {
    fn begin(&mut self) -> anyhow::Result<()> {
        let file = self.file.clone();
        let mut told = self.connection.tell(&Command::Record(Record { file }))?;
        self.id = serde_json::from_value(told["recording"].take())
            .context("the server does not say which recording it has begun")?;
        Ok(())
    }

    fn end(&self, discard: bool) -> anyhow::Result<Held> {
        let recording = self.id;
        let end = Command::EndRecording(EndRecording { recording, discard });
        held(self.connection.tell(&end)?)
    }

    /// What the recording holds whose server has gone: it has finished the file, if it ended in order.
    fn after_the_server(&self) -> anyhow::Result<Held> {
        let held = recording::held(&self.file).ok().flatten();
        let unfinished = || Unwritten {
            file: self.file.clone(),
            why: "the server went away in the middle of it, or says why".to_owned(),
        };
        Ok(held.ok_or_else(unfinished)?)
    }
}

fn is_gone(error: &anyhow::Error) -> bool {
    matches!(error.downcast_ref(), Some(ClientError::Gone { .. }))
}

/// What a recording holds, as a server tells it.
pub(super) fn held(told: Map<String, Value>) -> anyhow::Result<Held> {
    serde_json::from_value(Value::Object(told))
        .context("the server does not say what the recording holds")
}

/// The same for people.
pub(super) fn words(held: &Held) -> String {
    let spanned = time::Duration(held.spanned_ns);
    let lag = if held.late == 0 {
        "no answer came late".to_owned()
    } else {
        lag_words(&Lag {
            answered: held.requests,
            late: held.late,
            longest: time::Duration(held.lag_ns_max),
            sum: time::Duration(held.lag_ns_sum),
        })
    };
    let Held {
        requests,
        left_out,
        failed,
        ..
    } = held;
    format!(
        "recorded    {} in {spanned} of the drive's time\n\
         lag         {lag}\n\
         left out    {} still under way at the end, {failed} that failed\n",
        counted(*requests, "request"),
        counted(*left_out, "request")
    )
}

/// The control socket of whoever serves an image, or which is given itself.
pub(super) fn socket_meant_by(image: &Path) -> Result<PathBuf, UnusableError> {
    let shown = image.display();
    place::socket_meant_by(image)
        .map_err(|error| UnusableError(format!("cannot find {shown}: {error}")))
}

/// The server may have another folder than whoever types.
pub(super) fn absolute(file: &Path) -> Result<PathBuf, RigError> {
    std::path::absolute(file).map_err(rig("find out where that file is"))
}

fn rig(doing: &'static str) -> impl FnOnce(std::io::Error) -> RigError {
    move |source| RigError { doing, source }
}
