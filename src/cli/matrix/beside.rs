//! Owns the command or guest that runs beside a served drive: its line, its output, its end.
//!
//! It is a process group of its own, so that all of it can be ended when its time is up or the run is
//! interrupted; Ctrl-C does not reach it by itself.

use std::fs::File;
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use anyhow::Context as _;
use crossbeam_channel::{Receiver, after, bounded, select};
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;

use crate::lab::matrix::spec::{Attach, Served, Task};

/// How long a command may take to end when it is asked to.
const PATIENCE: Duration = Duration::from_secs(5);
/// Most of an output that is kept: its end.
const OUTPUT_BYTES_MAX: usize = 1 << 16;
/// Exit code of `scripts/vm` where the guest did not get to its end. Its other one, 2 for a command line
/// that is not understood, is as well that of a script in a guest, and the command line is made here.
const VM_FAULT: i32 = 125;

/// Where the drive is, for the placeholders.
pub(super) struct Where<'a> {
    pub(super) uri: &'a str,
    pub(super) socket: &'a Path,
    pub(super) image: &'a Path,
    /// The file of the mounted drive, where that was asked for.
    pub(super) fuse: Option<&'a Path>,
    pub(super) folder: &'a Path,
    pub(super) seed: u64,
}

/// How it ended.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum End {
    /// By itself, with this code; nothing: by a signal.
    Itself(Option<i32>),
    /// Its time was up.
    OutOfTime,
    /// The run was interrupted.
    Interrupted,
    /// The guest did not get to its end: a fault of the rig.
    NoGuest(i32),
}

/// Whether the drive has to be mounted for it.
pub(super) fn needs_mount(served: &Served) -> bool {
    matches!(&served.task, Task::Command(line) if line.contains("{fuse}"))
}

/// Runs it to its end; its output goes to the file `output`.
pub(super) fn run(
    served: &Served,
    (script, vm): (Option<&Path>, &Path),
    place: &Where<'_>,
    output: &Path,
    stop: &Receiver<()>,
) -> anyhow::Result<End> {
    let mut command = command(served, (script, vm), place);
    let file = File::create(output).with_context(|| format!("cannot make {}", output.display()))?;
    let again = file.try_clone().context("cannot use its output twice")?;
    let child = command
        .stdin(Stdio::null())
        .stdout(file)
        .stderr(again)
        .process_group(0)
        .spawn()
        .with_context(|| format!("cannot start {}", command.get_program().display()))?;
    let end = wait(child, Duration::from_nanos(served.ends_within.0), stop)?;
    Ok(match (end, script) {
        (End::Itself(Some(code @ VM_FAULT)), Some(_)) => End::NoGuest(code),
        (end, _) => end,
    })
}

fn command(served: &Served, (script, vm): (Option<&Path>, &Path), place: &Where<'_>) -> Command {
    match &served.task {
        Task::Command(line) => {
            let mut command = Command::new("sh");
            command.arg("-c").arg(filled_in(line, place));
            command
        }
        Task::Guest {
            attach, arguments, ..
        } => {
            let mut command = Command::new(vm);
            let seconds = served.ends_within.0.div_ceil(1_000_000_000);
            command
                .args(["--seconds", &seconds.to_string()])
                .arg(match attach {
                    Attach::Virtio => "--drive",
                    Attach::Sata => "--sata",
                    Attach::Scsi => "--scsi",
                })
                .arg(place.socket)
                .arg("--");
            command.args(script).args(arguments);
            command
        }
    }
}

fn filled_in(line: &str, place: &Where<'_>) -> String {
    let shown = |path: &Path| path.display().to_string();
    let mut filled = line
        .replace("{uri}", place.uri)
        .replace("{socket}", &shown(place.socket))
        .replace("{image}", &shown(place.image))
        .replace("{folder}", &shown(place.folder))
        .replace("{seed}", &place.seed.to_string());
    if let Some(fuse) = place.fuse {
        filled = filled.replace("{fuse}", &shown(fuse));
    }
    filled
}

fn wait(mut child: Child, within: Duration, stop: &Receiver<()>) -> anyhow::Result<End> {
    let group = i32::try_from(child.id()).context("its process number is none")?;
    let (sender, ended) = bounded(1);
    let waiter = std::thread::Builder::new()
        .name("imbrex-beside".to_owned())
        .spawn(move || {
            // Whoever is told may be gone.
            let _ = sender.send(child.wait());
        })
        .context("cannot start a thread that waits for it")?;
    let end = select! {
        recv(ended) -> status => Some(itself(status)?),
        recv(after(within)) -> _ => None,
        recv(stop) -> _ => None,
    };
    if let Some(end) = end {
        join(waiter);
        // What it left behind in its group would go on using the drive.
        let _ = killpg(Pid::from_raw(group), Signal::SIGKILL);
        return Ok(end);
    }
    let interrupted = stop.try_recv().is_err_and(|error| error.is_disconnected());
    let _ = killpg(Pid::from_raw(group), Signal::SIGTERM);
    let late = ended.recv_timeout(PATIENCE).is_err();
    let _ = killpg(Pid::from_raw(group), Signal::SIGKILL);
    if late {
        log::info!("the command had to be killed");
    }
    join(waiter);
    Ok(if interrupted {
        End::Interrupted
    } else {
        End::OutOfTime
    })
}

type Ended = Result<std::io::Result<ExitStatus>, crossbeam_channel::RecvError>;

fn itself(status: Ended) -> anyhow::Result<End> {
    let status = status.context("the thread that waits for it is gone")?;
    let status = status.context("cannot wait for it")?;
    if status.signal().is_some() {
        return Ok(End::Itself(None));
    }
    Ok(End::Itself(status.code()))
}

fn join(waiter: std::thread::JoinHandle<()>) {
    if let Err(panic) = waiter.join() {
        std::panic::resume_unwind(panic);
    }
}

/// The end of what it printed.
pub(super) fn printed(output: &Path) -> Vec<u8> {
    let mut bytes = std::fs::read(output).unwrap_or_default();
    let excess = bytes.len().saturating_sub(OUTPUT_BYTES_MAX);
    bytes.drain(..excess);
    bytes
}
