//! A drive made of memory: it answers every ask at once from a `Vec<u8>` and remembers what it was
//! asked. It never fails unless told to and never reorders. Sectors hold no state but whether they
//! were written; `Staged` stands for odd sectors, `Home` for even ones.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use crossbeam_channel::{Receiver, Sender};
use tempfile::TempDir;

use super::super::{NbdConfig, NbdServer};
use crate::drive::request::Whereabouts;
use crate::host::handle::{Answer, Ask, Call, DriveInfo, Handle, HostError, Reply, Wake};
use crate::units::{count, index};

pub(super) const SECTOR: u64 = 512;
pub(super) const CAPACITY: u64 = 40 << 20;

struct NoWake;

impl Wake for NoWake {
    fn wake(&self) {}
}

#[derive(Default)]
struct Switches {
    seen: Mutex<Vec<String>>,
    fail: AtomicBool,
    drop_calls: AtomicBool,
    hold_calls: AtomicBool,
}

/// A server over a stand-in drive.
pub(super) struct Stand {
    pub(super) folder: TempDir,
    pub(super) server: Option<NbdServer>,
    pub(super) handle: Handle,
    switches: Arc<Switches>,
    thread: Option<JoinHandle<()>>,
    gate: Option<Sender<()>>,
}

pub(super) fn info() -> DriveInfo {
    DriveInfo {
        name: "pocket".to_owned(),
        capacity_bytes: CAPACITY,
        logical_sector_bytes: 512,
        physical_sector_bytes: 4096,
        trim: true,
        fast_zeroes: true,
        write_cache: true,
        read_buffer_bytes: 1 << 20,
        read_only: false,
        discreet: false,
    }
}

impl Stand {
    pub(super) fn new() -> Stand {
        Stand::with(info(), NbdConfig::default())
    }

    /// Serves on one unix socket in addition to what `config` names.
    pub(super) fn with(info: DriveInfo, mut config: NbdConfig) -> Stand {
        let folder = tempfile::tempdir().unwrap();
        config.unix.push(folder.path().join("drive.sock"));
        let (calls, owner) = crossbeam_channel::bounded::<Call>(64);
        let (gate, closed) = crossbeam_channel::bounded::<()>(0);
        let switches = Arc::new(Switches::default());
        let own = Arc::clone(&switches);
        let thread = std::thread::spawn(move || run(&owner, &closed, &own));
        let handle = Handle::new(Arc::new(info), calls, Arc::new(NoWake));
        Stand {
            folder,
            server: Some(NbdServer::start(handle.clone(), config).unwrap()),
            handle,
            switches,
            thread: Some(thread),
            gate: Some(gate),
        }
    }

    pub(super) fn socket(&self) -> PathBuf {
        socket_in(self.folder.path())
    }

    /// Asks so far, in words.
    pub(super) fn seen(&self) -> Vec<String> {
        self.switches.seen.lock().unwrap().clone()
    }

    /// From now on the drive reports that it has failed.
    pub(super) fn fail(&self) {
        self.switches.fail.store(true, Ordering::SeqCst);
    }

    /// From now on the drive loses every ask without an answer.
    pub(super) fn lose_calls(&self) {
        self.switches.drop_calls.store(true, Ordering::SeqCst);
    }

    /// From now on the drive keeps every ask without an answer.
    pub(super) fn hold_calls(&self) {
        self.switches.hold_calls.store(true, Ordering::SeqCst);
    }

    pub(super) fn server(&self) -> &NbdServer {
        self.server.as_ref().unwrap()
    }
}

impl Drop for Stand {
    fn drop(&mut self) {
        self.server.take();
        self.gate.take();
        self.thread.take().unwrap().join().unwrap();
    }
}

pub(super) fn socket_in(folder: &Path) -> PathBuf {
    folder.join("drive.sock")
}

fn run(owner: &Receiver<Call>, closed: &Receiver<()>, switches: &Switches) {
    let mut bytes = vec![0_u8; index(CAPACITY)];
    let mut written = vec![false; index(CAPACITY / SECTOR)];
    let mut held = Vec::new();
    loop {
        let call = crossbeam_channel::select! {
            recv(owner) -> call => match call {
                Ok(call) => call,
                Err(_) => return,
            },
            recv(closed) -> _ => return,
        };
        if switches.drop_calls.load(Ordering::SeqCst) {
            continue;
        }
        if switches.hold_calls.load(Ordering::SeqCst) {
            held.push(call);
            continue;
        }
        let outcome = if switches.fail.load(Ordering::SeqCst) {
            Err(HostError::Failed(Arc::from("head crash")))
        } else {
            Ok(answer(call.ask, &mut bytes, &mut written, switches))
        };
        (call.reply)(Reply {
            outcome,
            completion: None,
        });
        if let Some(carrier) = call.carrier {
            carrier.carry(64 << 10);
        }
    }
}

fn answer(ask: Ask, bytes: &mut [u8], written: &mut [bool], switches: &Switches) -> Answer {
    let words = match &ask {
        Ask::Write { offset, data, fua } => {
            format!("write {offset}+{} fua={fua}", data.len())
        }
        other => format!("{other:?}"),
    };
    switches.seen.lock().unwrap().push(words);
    let sectors = |offset: u64, length: u64| {
        index(offset / SECTOR)..index((offset + length).div_ceil(SECTOR))
    };
    match ask {
        Ask::Read {
            offset,
            bytes: length,
        } => Answer::Data(bytes[index(offset)..index(offset + length)].to_vec()),
        Ask::Write { offset, data, .. } => {
            bytes[index(offset)..][..data.len()].copy_from_slice(&data);
            written[sectors(offset, count(data.len()))].fill(true);
            Answer::Done
        }
        Ask::Trim {
            offset,
            bytes: length,
            ..
        }
        | Ask::WriteZeroes {
            offset,
            bytes: length,
            ..
        } => {
            bytes[index(offset)..index(offset + length)].fill(0);
            written[sectors(offset, length)].fill(false);
            Answer::Done
        }
        Ask::Cache { .. }
        | Ask::Flush
        | Ask::Status
        | Ask::Account
        | Ask::Order(_)
        | Ask::Record(_)
        | Ask::EndRecording(_) => Answer::Done,
        Ask::Whereabouts {
            offset,
            bytes: length,
        } => {
            let place = |sector: usize| match (written[sector], sector % 2) {
                (false, _) => Whereabouts::Nowhere,
                (true, 0) => Whereabouts::Home,
                (true, _) => Whereabouts::Staged,
            };
            let runs = sectors(offset, length).map(|sector| (SECTOR, place(sector)));
            Answer::Whereabouts(runs.collect())
        }
    }
}
