//! Owns the run of a served cell: an image in its start, a drive that serves it in this process, what
//! runs beside that, and what the drive says at its end.
//!
//! Order: image, drive, frontends, control socket, command; and back. Nothing stays behind.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use anyhow::Context as _;
use crossbeam_channel::{Receiver, Sender, TryRecvError, bounded};
use serde_json::{Value, json};

use super::beside::{self, End, Where};
use super::cell::{chain, outcome_of_start};
use super::scratch::{self, Scratch};
use crate::cli::address::NbdAddress;
use crate::cli::frontends::{Frontends, Wanted};
use crate::cli::image_file::{self, Way};
use crate::cli::scribe;
use crate::control::attendant::Attendant;
use crate::control::place;
use crate::control::server::ControlServer;
use crate::host::account::Lag;
use crate::host::bay::{Bay, Ground, ImageBay, Seat};
use crate::host::clock::Pace;
use crate::host::handle::{DriveInfo, Handle};
use crate::host::limits::Limits;
use crate::host::owner::{Owner, StopError, Stopped, Watched};
use crate::host::recorder::Recorder;
use crate::host::recordings::Recordings;
use crate::image::check;
use crate::lab::matrix::measured::{Beside, Measured, Verified};
use crate::lab::matrix::plan::Cell;
use crate::lab::matrix::session::Session;
use crate::lab::matrix::spec::Served;
use crate::lab::matrix::verdict::Outcome;
use crate::lab::start::StartError;
use crate::medium::mover::{Mover, MoverChoice};
use crate::serve::nbd::Tls;
use crate::time::Duration;

/// Tells threads that they are to stop.
pub(super) struct Stop {
    held: Mutex<Option<Sender<()>>>,
    gone: Receiver<()>,
}

impl Stop {
    pub(super) fn new() -> Stop {
        let (held, gone) = bounded(0);
        Stop {
            held: Mutex::new(Some(held)),
            gone,
        }
    }

    /// From now on, for all.
    pub(super) fn now(&self) {
        self.held
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
    }
}

/// What cells need of the machine.
pub(super) struct Rig {
    scratch: PathBuf,
    vm: PathBuf,
    /// Ends when everything is to stop.
    stop: Receiver<()>,
}

impl Rig {
    /// `scratch`: where images are made.
    pub(super) fn new(scratch: &Path, vm: &Path, stop: &Stop) -> anyhow::Result<Rig> {
        Ok(Rig {
            scratch: scratch::place(scratch)?,
            vm: vm.to_owned(),
            stop: stop.gone.clone(),
        })
    }

    /// Whether everything is to stop.
    pub(super) fn is_asked_to_stop(&self) -> bool {
        self.stop.try_recv() == Err(TryRecvError::Disconnected)
    }
}

/// How the run of a served cell ended.
pub(super) enum ServedEnd {
    /// It came to its end.
    Ended {
        /// What is judged.
        measured: Box<Measured>,
        /// All that the drive says.
        value: Value,
        /// What the command printed.
        output: Vec<u8>,
    },
    /// It did not.
    Fault {
        /// Whose fault it is.
        outcome: Outcome,
        /// Why.
        why: String,
        /// What the command printed.
        output: Vec<u8>,
        /// What a drive that failed says all the same.
        last: Option<(Box<Measured>, Value)>,
    },
    /// It was told to stop.
    Interrupted,
}

/// Runs a served cell.
pub(super) fn run(cell: &Cell, served: &Served, script: Option<&Path>, rig: &Rig) -> ServedEnd {
    match run_in_scratch(cell, served, script, rig) {
        Ok(end) => end,
        Err(error) => {
            let start = error
                .chain()
                .find_map(|cause| cause.downcast_ref::<StartError>());
            let drive = error.downcast_ref::<StopError>().is_some();
            let outcome = match start {
                Some(start) => outcome_of_start(start),
                None if drive => Outcome::DriveFailed,
                None => Outcome::RigFault,
            };
            ServedEnd::Fault {
                outcome,
                why: chain(error),
                output: Vec::new(),
                last: None,
            }
        }
    }
}

fn run_in_scratch(
    cell: &Cell,
    served: &Served,
    script: Option<&Path>,
    rig: &Rig,
) -> anyhow::Result<ServedEnd> {
    let scratch = Scratch::new(&rig.scratch, cell)?;
    let image = scratch.file("disk.img");
    scratch::image(&image, cell)?;
    let output = scratch.file("output");
    let drive = Running::start(&image, served.pace)?;
    let ended = drive.meet(
        cell,
        served,
        (script, &rig.vm),
        &scratch,
        &output,
        &rig.stop,
    );
    // In any case the drive is stopped before anything is told.
    let (stopped, session) = drive.stop();
    let output = beside::printed(&output);
    let end = ended?;
    if end == End::Interrupted {
        return Ok(ServedEnd::Interrupted);
    }
    let stopped = match stopped {
        Ok(stopped) => stopped,
        Err(error) => return Ok(failed(&error, session, output)),
    };
    if let End::NoGuest(code) = end {
        return Ok(ServedEnd::Fault {
            outcome: Outcome::RigFault,
            why: format!(
                "the guest did not get to its end ({} ended with {code}); its last words: {}",
                rig.vm.display(),
                last_words(&output)
            ),
            output,
            last: None,
        });
    }
    let verified = if served.verify {
        Some(verified(&image)?)
    } else {
        None
    };
    let beside = Beside {
        exit: match end {
            End::Itself(code) => code,
            _ => None,
        },
        in_time: end != End::OutOfTime,
        verified,
        lag: (served.pace != Pace::Off).then(|| lag(&stopped)),
    };
    Ok(ServedEnd::Ended {
        value: value(&stopped),
        measured: Box::new(session.finish(&stopped, Some(beside))),
        output,
    })
}

/// All that a drive says at its end.
fn value(stopped: &Stopped) -> Value {
    json!({ "status": stopped.status, "account": stopped.account })
}

/// The end of a cell whose drive failed.
fn failed(error: &StopError, session: Session, output: Vec<u8>) -> ServedEnd {
    let StopError::Failed { last, .. } = error;
    ServedEnd::Fault {
        outcome: Outcome::DriveFailed,
        why: error.to_string(),
        output,
        last: Some((Box::new(session.finish(last, None)), value(last))),
    }
}

/// A drive that is owned by a thread of its own.
struct Running {
    image: PathBuf,
    handle: Handle,
    owner: Owner,
    seat: Seat,
    recordings: Recordings,
    session: std::thread::JoinHandle<Session>,
}

impl Running {
    fn start(image: &Path, pace: Pace) -> anyhow::Result<Running> {
        let way = Way {
            read_only: false,
            block_device: false,
        };
        let (opened, file) = image_file::open(image, way)?;
        let info = DriveInfo::new(opened.drive.profile(), false);
        let profile = opened.drive.profile().clone();
        let seat = Seat::new(image.to_owned(), Ground::File, profile);
        let recordings = scribe::recordings(image, &opened);
        let again = file.try_clone().context("cannot open the image again")?;
        let mover = Mover::open(again, MoverChoice::Auto).context("cannot start the mover")?;
        let bay = ImageBay::new(seat.clone(), file, MoverChoice::Auto, false);
        let bay: Box<dyn Bay<_>> = Box::new(bay);
        let (recorder, answers) = Recorder::new();
        let watched = Watched {
            recorder: Some(recorder),
            enforced: Vec::new(),
        };
        let session = std::thread::Builder::new()
            .name("imbrex-session".to_owned())
            .spawn(move || {
                let mut session = Session::default();
                for batch in &answers {
                    session.take(&batch.answers());
                }
                session
            })
            .context("cannot start a thread for the answers")?;
        let parts = (opened.drive, mover, Some(bay));
        let (handle, owner) = Owner::start_in(parts, pace, info, Limits::default(), watched)
            .context("cannot start the thread of the drive")?;
        Ok(Running {
            image: image.to_owned(),
            handle,
            owner,
            seat,
            recordings,
            session,
        })
    }

    /// Serves it until what is to run beside it has ended.
    fn meet(
        &self,
        cell: &Cell,
        served: &Served,
        (script, vm): (Option<&Path>, &Path),
        scratch: &Scratch,
        output: &Path,
        stop: &Receiver<()>,
    ) -> anyhow::Result<End> {
        let socket = scratch.file("nbd.sock");
        let mount = scratch.mount();
        let fuse = beside::needs_mount(served).then_some(mount.as_path());
        if let Some(mount) = fuse {
            std::fs::create_dir(mount).context("cannot make a folder to mount it at")?;
        }
        let nbd = [NbdAddress::Unix(socket.clone())];
        let wanted = Wanted {
            nbd: &nbd,
            allow_remote: false,
            tls: Tls::default(),
            fuse,
            allow_root: false,
        };
        let frontends = Frontends::start(&self.handle, &wanted)?;
        let attendant = Attendant::new(
            self.handle.clone(),
            self.seat.clone(),
            frontends.dropper(),
            self.recordings.clone(),
        );
        let control = place::socket_of(&self.image)
            .map_err(anyhow::Error::from)
            .and_then(|at| Ok(ControlServer::start(&at, attendant)?));
        let uri = format!("nbd+unix:///?socket={}", socket.display());
        let disk = mount.join("disk");
        let place = Where {
            uri: &uri,
            socket: &socket,
            image: &self.image,
            fuse: fuse.map(|_| disk.as_path()),
            folder: scratch.folder(),
            seed: cell.seed,
        };
        let ended = match &control {
            Ok(_) => beside::run(served, (script, vm), &place, output, stop),
            Err(error) => Err(anyhow::anyhow!("no control socket: {error:#}")),
        };
        drop(control);
        frontends.stop();
        ended
    }

    fn stop(self) -> (Result<Stopped, StopError>, Session) {
        drop(self.handle);
        let stopped = self.owner.stop();
        for unwritten in self.recordings.finish() {
            log::warn!("{unwritten}");
        }
        let session = match self.session.join() {
            Ok(session) => session,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        (stopped, session)
    }
}

fn lag(stopped: &Stopped) -> Lag {
    let account = &stopped.account;
    Lag {
        answered: account.answered(),
        late: account.late,
        longest: Duration(account.lag_ns_max),
        sum: Duration(account.lag_ns_sum),
    }
}

/// Reads all data of an image that nobody serves any more.
fn verified(image: &Path) -> anyhow::Result<Verified> {
    let way = Way {
        read_only: true,
        block_device: false,
    };
    let (_file, store) = image_file::backing(image, way)?;
    Ok(match check::check(&store, Some(&mut |_, _| {})) {
        Err(error) => Verified {
            clean: false,
            words: chain(error),
        },
        Ok(report) => match report.findings.first() {
            None => Verified {
                clean: true,
                words: format!("{} bytes read, all is well", report.data_bytes),
            },
            Some(first) => Verified {
                clean: false,
                words: format!(
                    "{} findings, the first: {}: {}",
                    report.findings.len(),
                    first.part,
                    first.what
                ),
            },
        },
    })
}

/// Of what a guest has printed, the line that says most of its end.
fn last_words(output: &[u8]) -> String {
    let text = String::from_utf8_lossy(output);
    let mut lines = text.lines().rev().filter(|line| !line.trim().is_empty());
    // What a kernel prints after that is of use to those who know it well.
    let panic = lines.clone().find(|line| line.contains("Kernel panic"));
    panic.or(lines.next()).unwrap_or("none").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_words_of_a_guest_are_those_that_say_why_it_ended() {
        for (printed, words) in [
            ("", "none"),
            ("going\nno guest today\n \n", "no guest today"),
            (
                "a\nKernel panic - x\nCall Trace:\nOffset\n",
                "Kernel panic - x",
            ),
        ] {
            assert_eq!(last_words(printed.as_bytes()), words, "{printed}");
        }
    }
}
