//! `imbrex record`, and the commands of the protocol under it: a recording begun and ended while a drive is
//! served, held against exactly what a client did between the two.
//!
//! What runs beside a recording is a program that waits for a pipe, so that nobody waits for a time.

mod nbd_client;
mod program;

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, Stdio};

use imbrex::lab::recording::Recording;
use nbd_client::{Client, NoAnswer};
use nix::sys::signal::{Signal, kill};
use nix::sys::stat::Mode;
use nix::unistd::{Pid, mkfifo};
use program::{Ended, Served, imbrex, told};
use serde_json::Value;
use tempfile::TempDir;

const SECTOR: u32 = 4096;

/// A request as a recording tells it: operation, FUA, offset, bytes.
type Row = (&'static str, bool, u64, u64);

struct Rig {
    folder: TempDir,
    image: PathBuf,
}

impl Rig {
    fn new() -> Rig {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        imbrex("create {} --profile tiny", &image).success();
        Rig { folder, image }
    }

    fn beside(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn serve(&self, options: &str) -> (Served, Client) {
        let served = Served::start(&self.image, format!("--pace off {options}").trim_end());
        let client = served.client();
        (served, client)
    }

    fn told(&self, what: &str) -> Value {
        told(&self.image, what)
    }

    fn tell(&self, what: &str) -> Ended {
        program::tell(&self.image, what)
    }

    fn record(&self, file: &Path, rest: &[&str]) -> Recorder {
        let mut command = Command::new(env!("CARGO_BIN_EXE_imbrex"));
        command.arg("record").arg(&self.image).arg("-o").arg(file);
        Recorder::start(command.args(rest))
    }

    /// A pipe by name: who opens its one end waits for whoever opens the other.
    fn pipe(&self, name: &str) -> PathBuf {
        let path = self.beside(name);
        mkfifo(&path, Mode::S_IRWXU).expect("a pipe");
        path
    }

    /// The answer to a line of the protocol.
    fn raw(&self, line: &str) -> Value {
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

    fn under_way(&self) -> Vec<Value> {
        let status = self.told("status");
        status["recordings"].as_array().expect("a list").clone()
    }
}

/// `imbrex record` under way.
struct Recorder {
    child: Option<Child>,
    stderr: BufReader<ChildStderr>,
    said: String,
}

impl Recorder {
    fn start(command: &mut Command) -> Recorder {
        let mut child = command
            .stdin(Stdio::null())
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
    fn begun(mut self) -> Recorder {
        while !self.said.contains("Ctrl-C ends it") {
            let read = self.stderr.read_line(&mut self.said).expect("it says text");
            assert!(read > 0, "it ended: {}", self.said);
        }
        self
    }

    fn signal(&self, signal: Signal) {
        let child = self.child.as_ref().expect("not waited for yet");
        let pid = i32::try_from(child.id()).expect("a process number");
        kill(Pid::from_raw(pid), signal).expect("it is running");
    }

    fn wait(mut self) -> Ended {
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
fn work(client: &mut Client, from: u64) -> Vec<Row> {
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

fn recorded(file: &Path) -> Recording {
    Recording::read(file).expect("a complete recording")
}

fn rows(file: &Path) -> Vec<Row> {
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
fn numbers(holds: &Value) -> [u64; 3] {
    ["requests", "failed", "left_out"].map(|name| holds[name].as_u64().expect("a number"))
}

#[test]
fn a_stretch_in_the_middle_of_a_session_holds_exactly_what_came_in_it() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    work(&mut client, 0);
    let (file, other) = (rig.beside("one.parquet"), rig.beside("two.parquet"));
    let begun = rig.tell(&format!("record {}", file.display())).success();
    assert!(begun.starts_with("recording 1 begun in /"), "{begun}");
    let first = work(&mut client, 100);
    // Another one overlaps it.
    assert_eq!(
        rig.told(&format!("record {}", other.display()))["recording"],
        2
    );
    let second = work(&mut client, 200);
    let listed = rig.under_way();
    let told = |n: usize| {
        (
            listed[n]["recording"].as_u64(),
            listed[n]["requests"].as_u64(),
        )
    };
    assert_eq!(
        (listed.len(), told(0), told(1)),
        (2, (Some(1), Some(12)), (Some(2), Some(6)))
    );
    assert_eq!(listed[0]["file"], file.to_str().expect("plain"));
    let holds = rig.told("end-recording 1");
    assert_eq!(numbers(&holds), [12, 0, 0]);
    let third = work(&mut client, 300);
    let words = rig.tell("end-recording 2").success();
    assert!(words.starts_with("recorded    12 requests in "), "{words}");
    work(&mut client, 400);
    served.stop().success();
    assert_eq!(rows(&file), [first, second.clone()].concat());
    assert_eq!(rows(&other), [second, third].concat());
    let one = recorded(&file);
    assert!(!one.began_new);
    // It begins at its own beginning: at 5900 rpm the platters stand alike every 0.6 s.
    let spanned = holds["spanned_ns"].as_u64().expect("a number");
    let last = one.requests.iter().map(|request| request.due.0).max();
    assert!(last.expect("some") <= spanned + 600_000_000, "{holds:#}");
}

#[test]
fn the_replay_of_a_recording_begun_on_a_drive_in_use_for_a_while_keeps_its_own_times() {
    let rig = Rig::new();
    let whole = rig.beside("whole.parquet");
    let (served, mut client) = rig.serve(&format!("--record {}", whole.display()));
    for at in 0..20 {
        work(&mut client, at * 10);
    }
    let file = rig.beside("part.parquet");
    assert_eq!(
        rig.told(&format!("record {}", file.display()))["recording"],
        2
    );
    work(&mut client, 1000);
    work(&mut client, 1100);
    rig.told("end-recording 2");
    work(&mut client, 1200);
    served.stop().success();
    let (whole, part) = (recorded(&whole), recorded(&file));
    let same: Vec<_> = whole.requests[120..132].iter().collect();
    assert_eq!((whole.requests.len(), part.requests.len()), (138, 12));
    let earlier = same[0].arrived.since(part.requests[0].arrived);
    assert!(earlier.0 > 0);
    assert_eq!(
        earlier.0 % 600_000_000,
        0,
        "the platters stand alike every 0.6 s"
    );
    for (was, is) in same.iter().zip(&part.requests) {
        assert_eq!(was.wanted, is.wanted);
        assert_eq!(was.arrived, is.arrived + earlier);
        assert_eq!((was.due, was.lag), (is.due + earlier, is.lag));
    }
    let told = imbrex("simulate --replay {} --json", &file).json();
    assert_eq!(told["answered"], 12);
    assert_eq!(told["recording_began_new"], false);
    let page = rig.beside("page.html");
    let shown = page.to_str().expect("plain");
    imbrex(&format!("report {{}} -o {shown}"), &file).success();
    imbrex("compare {} {}", &file).success();
    imbrex("blame --replay {} --start filled", &file).expect(2);
    imbrex("blame --replay {}", &file).success();
}

#[test]
fn a_replay_agrees_to_the_nanosecond_where_the_drive_was_new_however_late_it_began() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    // Nothing that the drive is given, but time passes.
    assert_eq!(client.read(1 << 40, SECTOR), Err(NoAnswer::Error(22)));
    for _ in 0..20 {
        rig.told("status");
    }
    let file = rig.beside("new.parquet");
    rig.told(&format!("record {}", file.display()));
    work(&mut client, 0);
    work(&mut client, 700);
    rig.told("end-recording 1");
    served.stop().success();
    let told = imbrex("simulate --replay {} --json", &file).json();
    assert_eq!(told["recording_began_new"], true);
    assert_eq!(told["agreement"]["same_moment"], 12, "{told:#}");
}

#[test]
fn what_a_command_does_is_recorded_and_not_what_comes_before_or_after() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    work(&mut client, 0);
    let (file, pipe) = (rig.beside("job.parquet"), rig.pipe("pipe"));
    let shown = pipe.to_str().expect("plain");
    let recorder = rig.record(&file, &["--json", "--", "cat", shown]);
    // Opens once the command has opened the other end.
    let job = File::create(&pipe).expect("the command reads it");
    let expected = work(&mut client, 100);
    assert_eq!(rig.under_way().len(), 1);
    drop(job);
    let told = recorder.wait();
    assert_eq!(told.code, Some(0), "{told:#?}");
    let told = told.json();
    work(&mut client, 200);
    assert_eq!(numbers(&told["holds"]), [6, 0, 0]);
    assert_eq!(
        (&told["ended_by"], &told["command_failed"]),
        (&"command".into(), &Value::Null)
    );
    assert_eq!(rows(&file), expected);
    assert!(rig.under_way().is_empty());
    served.stop().success();
}

#[test]
fn a_command_that_fails_is_told_and_its_recording_is_complete() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let file = rig.beside("failed.parquet");
    let ended = rig
        .record(&file, &["--", "sh", "-c", "echo out; exit 7"])
        .wait();
    assert!(
        ended.stdout.starts_with("out\nrecorded    0 requests in "),
        "{ended:#?}"
    );
    let told = ended.expect(1);
    assert!(
        told.contains("the command ended with exit code 7"),
        "{told}"
    );
    assert_eq!(rows(&file), []);
    // One that cannot be started leaves nothing behind.
    let missing = rig.beside("missing.parquet");
    let told = rig
        .record(&missing, &["--", "no such program", "-x"])
        .wait()
        .expect(2);
    assert!(told.contains("cannot start no such program"), "{told}");
    assert!(!missing.exists());
    assert!(rig.under_way().is_empty());
    served.stop().success();
}

#[test]
fn a_recording_ends_after_its_time_and_with_ctrl_c() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let timed = rig.beside("timed.parquet");
    let ended = rig.record(&timed, &["--for", "20ms", "--json"]).wait();
    assert_eq!(ended.code, Some(0), "{ended:#?}");
    let told = ended.json();
    assert_eq!(told["ended_by"], "time");
    let spanned = told["holds"]["spanned_ns"].as_u64().expect("a number");
    assert!(
        spanned >= 20_000_000,
        "with the pace off it is real time and more: {spanned}"
    );
    assert_eq!(rows(&timed), []);
    for signal in [Signal::SIGINT, Signal::SIGTERM] {
        let file = rig.beside(&format!("{signal}.parquet"));
        let recorder = rig.record(&file, &["--json"]).begun();
        let expected = work(&mut client, 50);
        recorder.signal(signal);
        let ended = recorder.wait();
        assert_eq!(ended.code, Some(0), "{ended:#?}");
        assert_eq!(ended.json()["ended_by"], "asked");
        work(&mut client, 60);
        assert_eq!(rows(&file), expected);
    }
    served.stop().success();
}

#[test]
fn who_is_asked_to_end_passes_that_on_to_its_command_and_waits_for_it() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let (begun, pipe) = (rig.pipe("begun"), rig.pipe("pipe"));
    let script = format!(
        "trap 'cat {0}; exit 0' TERM; echo > {1}; while :; do sleep 0.01; done",
        pipe.display(),
        begun.display()
    );
    let file = rig.beside("job.parquet");
    let recorder = rig.record(&file, &["--", "sh", "-c", &script]);
    let line = fs::read_to_string(&begun).expect("it writes a line");
    assert_eq!(line, "\n");
    let expected = work(&mut client, 0);
    recorder.signal(Signal::SIGTERM);
    // The command has its own way to end, and what comes now is not recorded.
    let end = File::create(&pipe).expect("the command was told");
    work(&mut client, 10);
    drop(end);
    recorder.wait().success();
    assert_eq!(rows(&file)[..6], expected);
    served.stop().success();
}
