//! How a recording ends, and what becomes of it where somebody else ends first.

use std::fs::{self, File};
use std::io::Write as _;

use nix::sys::signal::Signal;

use crate::program::imbrex;
use crate::rig::{Rig, SECTOR, numbers, rows, work};

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
        "trap 'kill $!; cat {0}; exit 0' TERM; tail -f /dev/null & echo > {1}; wait",
        pipe.display(),
        begun.display()
    );
    let file = rig.beside("job.parquet");
    let recorder = rig.record(&file, &["--", "sh", "-c", &script]);
    assert_eq!(fs::read_to_string(&begun).expect("a line"), "\n");
    let expected = work(&mut client, 0);
    recorder.signal(Signal::SIGTERM);
    let end = File::create(&pipe).expect("the command was told");
    while !rig.under_way().is_empty() {}
    // The command has its own way to end, and what it does now is not recorded.
    work(&mut client, 10);
    drop(end);
    recorder.wait().success();
    assert_eq!(rows(&file), expected);
    served.stop().success();
}

#[test]
fn ctrl_c_in_a_terminal_reaches_the_command_too_and_a_second_one_ends_at_once() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let pipe = rig.pipe("pipe");
    let shown = pipe.to_str().expect("plain");
    let file = rig.beside("one.parquet");
    let recorder = rig.record(&file, &["--", "cat", shown]);
    let job = File::create(&pipe).expect("the command reads it");
    let expected = work(&mut client, 0);
    recorder.signal_all(Signal::SIGINT);
    let told = recorder.wait().expect(1);
    assert!(told.contains("the command was ended by signal 2"), "{told}");
    assert_eq!(rows(&file), expected);
    drop(job);
    // A command that does not mind.
    let file = rig.beside("two.parquet");
    let script = format!("trap '' INT; exec cat {shown}");
    let recorder = rig.record(&file, &["--", "sh", "-c", &script]);
    let job = File::create(&pipe).expect("the command reads it");
    let expected = work(&mut client, 0);
    recorder.signal_all(Signal::SIGINT);
    while !rig.under_way().is_empty() {}
    recorder.signal_all(Signal::SIGINT);
    // What it prints has an end when the command has.
    drop(job);
    assert_eq!(recorder.wait().code, Some(130));
    assert_eq!(rows(&file), expected);
    served.stop().success();
}

#[test]
fn a_server_that_ends_in_order_has_finished_the_file_by_the_time_it_is_told() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let (file, other) = (rig.beside("one.parquet"), rig.beside("two.parquet"));
    let recorder = rig.record(&file, &["--json"]).begun();
    rig.told(&format!("record {}", other.display()));
    let expected = work(&mut client, 0);
    served.stop().success();
    let ended = recorder.wait();
    assert_eq!(ended.code, Some(0), "{ended:#?}");
    assert!(ended.stderr.contains("the server has ended"), "{ended:#?}");
    let told = ended.json();
    assert_eq!(told["ended_by"], "server");
    assert_eq!(numbers(&told["holds"]), [6, 0, 0]);
    assert_eq!(rows(&file), expected);
    assert_eq!(
        rows(&other),
        expected,
        "nobody has to wait for the end of it"
    );
}

#[test]
fn a_server_that_is_killed_leaves_a_file_without_an_end_that_no_reader_takes() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let file = rig.beside("cut.parquet");
    let recorder = rig.record(&file, &[]).begun();
    work(&mut client, 0);
    served.cut();
    let told = recorder.wait().expect(6);
    assert!(
        told.contains("cut.parquet is incomplete and of no use"),
        "{told}"
    );
    assert!(told.contains("the server went away"), "{told}");
    let told = imbrex("simulate --replay {}", &file).expect(3);
    assert!(told.contains("has no end"), "{told}");
    let told = imbrex("report {} -o {}.html", &file).expect(3);
    assert!(told.contains("cut.parquet"), "{told}");
}

#[test]
fn a_recording_whose_recorder_is_killed_goes_on_until_it_is_ended_by_its_number() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let file = rig.beside("orphan.parquet");
    let recorder = rig.record(&file, &[]).begun();
    let first = work(&mut client, 0);
    recorder.signal(Signal::SIGKILL);
    assert_eq!(recorder.wait().code, None);
    let second = work(&mut client, 100);
    let listed = rig.under_way();
    assert_eq!(listed[0]["requests"], 12, "{listed:#?}");
    let words = rig.tell("end-recording 1").success();
    assert!(words.starts_with("recorded    12 requests in "), "{words}");
    work(&mut client, 200);
    assert_eq!(rows(&file), [first, second].concat());
    served.stop().success();
}

#[test]
fn a_recording_that_is_discarded_leaves_no_file() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let file = rig.beside("vain.parquet");
    rig.told(&format!("record {}", file.display()));
    work(&mut client, 0);
    assert!(file.exists());
    assert_eq!(numbers(&rig.told("end-recording 1 --discard")), [6, 0, 0]);
    assert!(!file.exists());
    served.stop().success();
}

#[test]
fn faults_dropped_connections_and_other_states_do_not_end_it_and_what_fails_has_no_row() {
    let rig = Rig::new();
    let whole = rig.beside("whole.parquet");
    let (served, mut client) = rig.serve(&format!("--record {}", whole.display()));
    let saved = rig.beside("saved.img");
    rig.told(&format!("save {}", saved.display()));
    let (file, after) = (rig.beside("file.parquet"), rig.beside("after.parquet"));
    rig.told(&format!("record {}", file.display()));
    let mut expected = work(&mut client, 0);
    rig.told("fail-commands 2");
    assert!(client.read(0, SECTOR).is_err() && client.flush().is_err());
    rig.told("media-error 0 4096 --lasts once --tries 7s");
    assert!(client.read(0, SECTOR).is_err());
    rig.told("power-cut");
    expected.extend(work(&mut client, 20));
    rig.told("drop-connections");
    let mut client = served.client();
    expected.extend(work(&mut client, 40));
    rig.told(&format!("restore {}", saved.display()));
    rig.told(&format!("record {}", after.display()));
    let last = work(&mut client, 60);
    expected.extend(last.clone());
    let holds = rig.told("end-recording 2");
    assert_eq!(numbers(&holds), [24, 3, 0]);
    rig.told("end-recording 3");
    served.stop().success();
    assert_eq!(rows(&file), expected);
    assert_eq!(rows(&after), last);
    // It began when the server did: a flush came with the saved state.
    assert_eq!(rows(&whole)[1..], expected);
}

#[test]
fn a_full_disk_is_told_of_at_the_end_and_disturbs_neither_the_drive_nor_other_recordings() {
    if !crate::program::is_root("mounting filesystems") {
        return;
    }
    let rig = Rig::new();
    let small = rig.beside("small");
    fs::create_dir(&small).expect("a folder");
    let mounted = Mounted::new(&small);
    let (served, mut client) = rig.serve("");
    let (full, other) = (small.join("full.parquet"), rig.beside("other.parquet"));
    let recorder = rig.record(&full, &[]).begun();
    let told = small.join("told.parquet");
    rig.told(&format!("record {}", told.display()));
    rig.told(&format!("record {}", other.display()));
    let expected = work(&mut client, 0);
    // Others take what room there is.
    let mut rest = File::create(small.join("rest")).expect("room for a name");
    while rest.write_all(&[1; 4096]).is_ok() {}
    recorder.signal(Signal::SIGINT);
    let words = recorder.wait().expect(6);
    assert!(words.contains("full.parquet is incomplete"), "{words}");
    assert!(words.contains("No space left"), "{words}");
    let words = rig.tell("end-recording 2").expect(6);
    assert!(words.contains("told.parquet is incomplete"), "{words}");
    assert_eq!(numbers(&rig.told("end-recording 3")), [6, 0, 0]);
    assert_eq!(rows(&other), expected);
    work(&mut client, 100);
    let left = small.join("left.parquet");
    rig.told(&format!("record {}", left.display()));
    // One that nobody has ended is told of by the server.
    let words = served.stop().expect(6);
    assert!(words.contains("left.parquet is incomplete"), "{words}");
    for file in [full, told, left] {
        assert!(!file.exists(), "{} is of no use", file.display());
    }
    drop(mounted);
}

#[test]
fn a_command_is_waited_for_although_nothing_can_be_printed() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let (file, run) = (rig.beside("part.parquet"), rig.beside("run"));
    let (waits, goes) = (rig.pipe("waits"), rig.pipe("goes"));
    let script = format!(
        "echo > {}; read line < {}; touch {}",
        waits.display(),
        goes.display(),
        run.display()
    );
    let mut recorder = std::process::Command::new(env!("CARGO_BIN_EXE_imbrex"))
        .arg("record")
        .args([&rig.image, std::path::Path::new("-o"), &file])
        .args(["--for", "1ms", "--", "sh", "-c", &script])
        .stdout(File::create("/dev/full").expect("it is there"))
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("it starts");
    fs::read(&waits).expect("the command runs");
    while !rig.under_way().is_empty() {
        std::thread::yield_now();
    }
    // The recording is over, and printing failed or is about to.
    fs::write(&goes, "go\n").expect("the command goes on");
    let status = recorder.wait().expect("it ends");
    assert_eq!(status.code(), Some(6));
    assert!(run.exists(), "the command had ended before");
    served.stop().success();
}

/// A filesystem in memory of a few pages, unmounted when dropped.
struct Mounted<'f>(&'f std::path::Path);

impl Mounted<'_> {
    fn new(folder: &std::path::Path) -> Mounted<'_> {
        use nix::mount::{MsFlags, mount};

        let (kind, options) = (Some("tmpfs"), Some("size=16k"));
        mount(kind, folder, kind, MsFlags::empty(), options).expect("root may mount");
        Mounted(folder)
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        use nix::mount::{MntFlags, umount2};

        // Whatever a test that failed left open goes with its process.
        let _ = umount2(self.0, MntFlags::MNT_DETACH);
    }
}
