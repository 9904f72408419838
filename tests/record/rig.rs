//! A drive that is served, its recorders, and a client whose every request is known.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, Stdio};

use imbrex::lab::recording::Recording;
use nix::sys::signal::{Signal, kill, killpg};
use nix::sys::stat::Mode;
use nix::unistd::{Pid, mkfifo};
use serde_json::Value;
use tempfile::TempDir;

use crate::nbd_client::Client;
use crate::program::{self, Ended, Served, imbrex, told};

pub(crate) const SECTOR: u32 = 4096;

/// A request as a recording tells it: operation, FUA, offset, bytes.
pub(crate) type Row = (&'static str, bool, u64, u64);

pub(crate) struct Rig {
    folder: TempDir,
    pub(crate) image: PathBuf,
}

impl Rig {
    pub(crate) fn new() -> Rig {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        imbrex("create {} --profile tiny", &image).success();
        Rig { folder, image }
    }

    pub(crate) fn beside(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn serve(&self, options: &str) -> (Served, Client) {
        let served = Served::start(&self.image, format!("--pace off {options}").trim_end());
        let client = served.client();
        (served, client)
    }

    pub(crate) fn told(&self, what: &str) -> Value {
        told(&self.image, what)
    }

    pub(crate) fn tell(&self, what: &str) -> Ended {
        program::tell(&self.image, what)
    }

    pub(crate) fn record(&self, file: &Path, rest: &[&str]) -> Recorder {
        let mut command = Command::new(env!("CARGO_BIN_EXE_imbrex"));
        command.arg("record").arg(&self.image).arg("-o").arg(file);
        Recorder::start(command.args(rest))
    }

    /// A pipe by name: who opens its one end waits for whoever opens the other.
    pub(crate) fn pipe(&self, name: &str) -> PathBuf {
        let path = self.beside(name);
        mkfifo(&path, Mode::S_IRWXU).expect("a pipe");
        path
    }

    /// The answer to a line of the protocol.
    pub(crate) fn raw(&self, line: &str) -> Value {
        let stream = UnixStream::connect(self.beside("disk.img.control")).expect("it listens");
        (&stream)
            .write_all(format!("{line}\n").as_bytes())
            .expect("it takes it");
        let mut answer = String::new();
        BufReader::new(stream)
            .read_line(&mut answer)
            .expect("it answers");
        serde_json::from_str(&answer).expect("JSON")
    }

    pub(crate) fn under_way(&self) -> Vec<Value> {
        let status = self.told("status");
        status["recordings"].as_array().expect("a list").clone()
    }
}

/// `imbrex record` under way.
pub(crate) struct Recorder {
    child: Option<Child>,
    stderr: BufReader<ChildStderr>,
    said: String,
}

impl Recorder {
    pub(crate) fn start(command: &mut Command) -> Recorder {
        let mut child = command
            .stdin(Stdio::null())
            .process_group(0)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let stderr = BufReader::new(child.stderr.take().expect("piped"));
        Recorder {
            child: Some(child),
            stderr,
            said: String::new(),
        }
    }

    /// Waits until it says that the recording has begun.
    pub(crate) fn begun(mut self) -> Recorder {
        while !self.said.contains("Ctrl-C ends it") {
            let read = self.stderr.read_line(&mut self.said).expect("it says text");
            assert!(read > 0, "it ended: {}", self.said);
        }
        self
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill(self.pid(), signal).expect("it is running");
    }

    /// As a terminal does it: to it and to its command.
    pub(crate) fn signal_all(&self, signal: Signal) {
        killpg(self.pid(), signal).expect("it is running");
    }

    pub(crate) fn pid(&self) -> Pid {
        let child = self.child.as_ref().expect("not waited for yet");
        Pid::from_raw(i32::try_from(child.id()).expect("a process number"))
    }

    pub(crate) fn wait(mut self) -> Ended {
        let child = self.child.take().expect("it is waited for once");
        self.stderr
            .read_to_string(&mut self.said)
            .expect("it says text");
        let mut ended = Ended::from(child.wait_with_output().expect("it ends"));
        ended.stderr.clone_from(&self.said);
        ended
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            // Gone already is as good.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Does a bit of everything, from a place on, and hands back what that is.
pub(crate) fn work(client: &mut Client, from: u64) -> Vec<Row> {
    let at = |n: u64| (from + n) * u64::from(SECTOR);
    let data = vec![7; 8192];
    client.write(at(0), &data).expect("written");
    client.write_through(at(2), &data[..512]).expect("written");
    client.read(at(1), SECTOR).expect("read");
    client.zero(at(3), 2 * SECTOR).expect("zeroed");
    client.trim(at(0), SECTOR).expect("discarded");
    client.flush().expect("durable");
    vec![
        ("write", false, at(0), 8192),
        ("write", true, at(2), 512),
        ("read", false, at(1), 4096),
        ("write-zeroes", false, at(3), 8192),
        ("trim", false, at(0), 4096),
        ("flush", false, 0, 0),
    ]
}

pub(crate) fn recorded(file: &Path) -> Recording {
    Recording::read(file).expect("a complete recording")
}

pub(crate) fn rows(file: &Path) -> Vec<Row> {
    let requests = recorded(file).requests;
    let row = requests.iter().map(|request| {
        let operation = request.wanted.operation;
        (
            operation.word(),
            operation.is_fua(),
            request.wanted.offset,
            request.wanted.bytes,
        )
    });
    row.collect()
}

/// The numbers of what a recording holds.
pub(crate) fn numbers(holds: &Value) -> [u64; 3] {
    ["requests", "failed", "left_out"].map(|name| holds[name].as_u64().expect("a number"))
}
