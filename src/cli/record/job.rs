//! Owns a command that runs while a recording lasts: its start, word of its end, what became of it.
//!
//! It shares the terminal, so that Ctrl-C reaches it by itself.

use std::ffi::OsString;
use std::io;
use std::os::unix::process::ExitStatusExt;
use std::process::{Child, Command};

use crossbeam_channel::Receiver;
use nix::errno::Errno;
use nix::sys::signal::{Signal, kill};
use nix::sys::wait::{Id, WaitPidFlag, waitid};
use nix::unistd::Pid;

/// A command under way, or over and not looked at yet.
pub(super) struct Job {
    child: Child,
    pid: Pid,
    over: Receiver<()>,
}

impl Job {
    /// Starts a command, if there is one.
    pub(super) fn start(command: &[OsString]) -> io::Result<Option<Job>> {
        let Some((program, arguments)) = command.split_first() else {
            return Ok(None);
        };
        let child = Command::new(program).args(arguments).spawn()?;
        let pid = Pid::from_raw(i32::try_from(child.id()).map_err(io::Error::other)?);
        let (sender, over) = crossbeam_channel::bounded(1);
        std::thread::Builder::new()
            .name("imbrex-job".to_owned())
            .spawn(move || {
                // Its number stays its own until somebody asks what became of it.
                let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOWAIT;
                while waitid(Id::Pid(pid), flags) == Err(Errno::EINTR) {}
                // Nobody listens any more where the recording was over before.
                let _ = sender.send(());
            })?;
        Ok(Some(Job { child, pid, over }))
    }

    /// Tells when it has ended.
    pub(super) fn over(&self) -> &Receiver<()> {
        &self.over
    }

    /// SIGTERM came: it is for the command as well. Ctrl-C reaches it without help.
    pub(super) fn pass_on(&self, signal: i32) {
        if Signal::try_from(signal) == Ok(Signal::SIGTERM) {
            // One that has just ended needs no more.
            let _ = kill(self.pid, Signal::SIGTERM);
        }
    }

    /// Waits for its end; how it failed, if it did.
    pub(super) fn outcome(&mut self) -> io::Result<Option<String>> {
        let status = self.child.wait()?;
        Ok(match (status.code(), status.signal()) {
            (Some(0), _) => None,
            (Some(code), _) => Some(format!("ended with exit code {code}")),
            (None, Some(signal)) => Some(format!("was ended by signal {signal}")),
            (None, None) => Some(format!("ended in a strange way ({status})")),
        })
    }
}
