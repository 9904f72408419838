//! Matrices from the outside: exit codes, results that go on where they were, parts, baselines, bundles,
//! and commands beside served drives.

mod folder;
mod nbd_client;
mod program;

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use folder::Folder;
use nix::sys::signal::{Signal, kill};
use nix::sys::stat::Mode;
use nix::unistd::{Pid, mkfifo};
use program::{Ended, imbrex};
use serde_json::Value;

/// Drives and states of quick cells; what is asked follows.
const QUICK: &str = "[matrix]\nname = \"quick\"\nseed_count = 2\n\
    starts = [\"new\", \"staging 50%\"]\n[[drive]]\nprofile = \"tiny\"\n";
const WORK: &str =
    "[[work]]\nname = \"writes\"\nworkload = \"uniform write 4KiB 200-requests then-drain\"\n";
const EASY: &str = "[[demand]]\noperation = \"write\"\nlongest_at_most = \"1 h\"\n";
const HARD: &str = "[[demand]]\noperation = \"write\"\np50_at_most = \"1 ns\"\n";

trait Run {
    /// Runs `imbrex matrix`; `{}` stands for the folder.
    fn run(&self, arguments: &str) -> Ended;
}

impl Run for Folder {
    fn run(&self, arguments: &str) -> Ended {
        imbrex(&format!("matrix {arguments}"), self.place())
    }
}

#[test]
fn exit_codes_tell_what_came_out() {
    let check = |matrix: &str, code| {
        let folder = Folder::with(matrix);
        folder.run("{}/m.toml -o {}/r").expect(code)
    };
    check(&format!("{QUICK}{WORK}{EASY}"), 0);
    check(&format!("{QUICK}{WORK}{HARD}"), 1);
    let told = check(&format!("{QUICK}{WORK}[[demand]]\np99 = 3\n"), 2);
    assert!(told.contains("demand[0].p99 = 3: no such key"), "{told}");
    let unreachable = QUICK.replace("staging 50%", "dirty-bands 4000000");
    let told = check(&format!("{unreachable}{WORK}{HARD}"), 1);
    assert!(
        told.contains("invalid") && told.contains("failed"),
        "{told}"
    );
    check(&format!("{unreachable}{WORK}{EASY}"), 6);
    let folder = Folder::with(&format!("{QUICK}[[work]]\nguest = \"m.toml\"\n"));
    let told = folder.run("{}/m.toml -o {}/r --vm {}/none").expect(2);
    assert!(told.contains("docs/guests.md"), "{told}");
}

#[test]
fn a_guest_that_does_not_begin_is_a_fault_of_the_rig() {
    let folder = Folder::with(
        "[matrix]\nname = \"m\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\nguest = \"script\"\n",
    );
    fs::write(folder.file("script"), "true\n").expect("written");
    let vm = folder.file("vm");
    fs::write(&vm, "#!/bin/sh\necho no guest today\nexit 125\n").expect("written");
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    fs::set_permissions(&vm, mode).expect("may be run");
    let told = folder.run("{}/m.toml -o {}/r --vm {}/vm").expect(6);
    assert!(
        told.contains("rig-fault") && told.contains("no guest today"),
        "{told}"
    );
}

#[test]
fn cells_that_told_nothing_are_run_again_and_the_new_line_counts() {
    let folder = Folder::with(
        "[matrix]\nname = \"m\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\nguest = \"script\"\n",
    );
    fs::write(folder.file("script"), "true\n").expect("written");
    let vm = folder.file("vm");
    fs::write(&vm, "#!/bin/sh\nexit 125\n").expect("written");
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    fs::set_permissions(&vm, mode).expect("may be run");
    let run = "{}/m.toml -o {}/r --vm {}/vm";
    folder.run(run).expect(6);
    fs::write(&vm, "#!/bin/sh\nexit 0\n").expect("written");
    let told = folder.run(run);
    assert!(
        told.stderr.contains("1 of 1 cells to run (1 again"),
        "{told:?}"
    );
    let told = told.success();
    assert!(told.contains("1 cell: 1 passed"), "{told}");
    let outcomes: Vec<Value> = folder.lines("r")[1..]
        .iter()
        .map(|line| line["outcome"].clone())
        .collect();
    assert_eq!(outcomes, ["rig-fault", "passed"]);
    folder.run("join {}/r -o {}/joined").success();
    assert_eq!(folder.cells("joined")[&1]["outcome"], "passed");
    let told = folder.run(run);
    assert!(told.stderr.contains("0 of 1 cells to run,"), "{told:?}");
}

#[test]
fn where_nothing_can_be_written_no_cell_is_run() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{HARD}"));
    let cases = [
        ("--junit {}/none/x", "--junit"),
        ("--bundles {}/m.toml/b", "--bundles"),
    ];
    for (argument, said) in cases {
        let told = folder.run(&format!("{{}}/m.toml -o {{}}/r {argument}"));
        assert!(told.stderr.contains(said), "{told:?}");
        told.expect(6);
        assert_eq!(folder.cells("r"), BTreeMap::new(), "{argument}");
    }
    folder.run("{}/m.toml -o {}/r").expect(1);
    let told = folder.run("{}/m.toml -o {}/r --bundles {}/b");
    let missing = "have no bundle in";
    assert!(
        told.stderr.contains(missing) && told.stderr.contains(": 1, 2, 3, 4;"),
        "{told:?}"
    );
}

#[test]
fn results_that_contradict_each_other_are_not_continued() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{EASY}"));
    folder.run("{}/m.toml -o {}/r").success();
    let text = fs::read_to_string(folder.file("r")).expect("results");
    let again = text.lines().nth(1).expect("a cell").to_owned() + "\n";
    fs::write(folder.file("r"), text.clone() + &again).expect("written");
    let told = folder.run("{}/m.toml -o {}/r").success();
    assert!(told.contains("4 cells: 4 passed"), "{told}");
    let other = again.replace("\"answered\":200", "\"answered\":201");
    let contradiction = text + &other;
    fs::write(folder.file("r"), &contradiction).expect("written");
    let told = folder.run("{}/m.toml -o {}/r").expect(3);
    assert!(told.contains("with another result than before"), "{told}");
    let left = fs::read_to_string(folder.file("r")).expect("it");
    assert_eq!(left, contradiction, "left alone");
}

#[test]
fn results_of_another_matrix_are_left_alone() {
    let folder = Folder::with(&format!("{QUICK}{WORK}"));
    folder.run("{}/m.toml -o {}/r").success();
    let before = fs::read(folder.file("r")).expect("results");
    fs::write(folder.file("m.toml"), format!("{QUICK}{WORK}{HARD}")).expect("written");
    let told = folder.run("{}/m.toml -o {}/r").expect(4);
    assert!(told.contains("results of another matrix"), "{told}");
    assert_eq!(fs::read(folder.file("r")).expect("results"), before);
    fs::write(folder.file("r"), "somebody's thesis\n").expect("written");
    folder.run("{}/m.toml -o {}/r").expect(3);
    fs::write(folder.file("r"), "somebody's thesis").expect("written");
    folder.run("{}/m.toml -o {}/r").expect(4);
    assert_eq!(
        fs::read(folder.file("r")).expect("it"),
        b"somebody's thesis"
    );
}

#[test]
fn a_run_goes_on_wherever_its_results_were_cut() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{HARD}"));
    folder.run("{}/m.toml -o {}/whole --jobs 3").expect(1);
    let whole = folder.cells("whole");
    assert_eq!(whole.keys().copied().collect::<Vec<_>>(), [1, 2, 3, 4]);
    let bytes = fs::read(folder.file("whole")).expect("results");
    let ends = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n');
    let mut cuts = vec![0, 1];
    for (end, _) in ends {
        cuts.extend([end - 30, end, end + 1, end + 2]);
    }
    for cut in cuts.into_iter().filter(|cut| *cut <= bytes.len()) {
        fs::write(folder.file("cut"), &bytes[..cut]).expect("written");
        let told = folder.run("{}/m.toml -o {}/cut").expect(1);
        assert_eq!(folder.cells("cut"), whole, "cut at {cut}: {told}");
        // What was done is kept as it is.
        let kept = bytes[..cut].iter().rposition(|byte| *byte == b'\n');
        let kept = kept.map_or(0, |end| end + 1);
        let again = fs::read(folder.file("cut")).expect("results");
        assert_eq!(again[..kept], bytes[..kept], "cut at {cut}");
    }
}

#[test]
fn parts_joined_are_the_whole() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{HARD}"));
    folder.run("{}/m.toml -o {}/whole").expect(1);
    for part in 1..=3 {
        folder
            .run(&format!("{{}}/m.toml -o {{}}/part-{part} --part {part}/3"))
            .expect(1);
    }
    let told = folder.run("join {}/part-3 {}/part-1 -o {}/some");
    assert!(told.stderr.contains("missing 1 of 4 cells: 2"), "{told:?}");
    told.expect(1);
    folder
        .run("join {}/part-3 {}/part-1 {}/part-2 -o {}/all")
        .expect(1);
    assert_eq!(folder.cells("all"), folder.cells("whole"));
    assert_eq!(folder.lines("all")[0], folder.lines("whole")[0]);
    // A joined file can be continued.
    folder.run("{}/m.toml -o {}/some").expect(1);
    assert_eq!(folder.cells("some"), folder.cells("whole"));
    folder.run("join {}/part-1 {}/m.toml -o {}/none").expect(3);
    let told = folder.run("join {}/part-1 -o {}/all").expect(4);
    assert!(told.contains("left alone"), "{told}");
}

#[test]
fn what_became_worse_than_the_baseline_is_named() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{EASY}"));
    folder.run("{}/m.toml -o {}/now").success();
    let told = folder
        .run("{}/m.toml -o {}/now --baseline {}/now --fail-on-worse")
        .success();
    assert!(
        told.contains("4 cells compared, 0 worse and 0 better"),
        "{told}"
    );
    let mut lines = folder.lines("now");
    let p99 = &mut lines[1]["figures"]["write_p99_ns"];
    *p99 = (p99.as_u64().expect("a figure") / 2).into();
    let lines: Vec<String> = lines.iter().map(Value::to_string).collect();
    let text = lines.join("\n") + "\n";
    fs::write(folder.file("before"), text).expect("written");
    let told = folder
        .run("{}/m.toml -o {}/now --baseline {}/before")
        .success();
    assert!(
        told.contains("worse: cell") && told.contains("write_p99_ns"),
        "{told}"
    );
    folder
        .run("{}/m.toml -o {}/now --baseline {}/before --fail-on-worse")
        .expect(1);
    let wide = "{}/m.toml -o {}/now --baseline {}/before --fail-on-worse --tolerance 200%";
    folder.run(wide).success();
    // The baseline of another matrix: no cell is the same, so nothing shows that none became worse.
    let mut others = folder.lines("now");
    others.truncate(1);
    fs::write(folder.file("other"), format!("{}\n", others[0])).expect("written");
    let ended = folder.run("{}/m.toml -o {}/now --baseline {}/other --fail-on-worse");
    assert_eq!(ended.code, Some(1), "{ended:#?}");
    assert!(
        ended.stdout.contains("nothing could be compared"),
        "{ended:#?}"
    );
}

#[test]
fn cells_whose_reads_meet_nothing_written_are_named() {
    let matrix = "[matrix]\nname = \"cold\"\nstarts = [\"new\", \"formatted\"]\n\
        [[drive]]\nprofile = \"tiny\"\n[[work]]\nname = \"reads\"\nworkload = \"uniform read 4KiB 200-requests\"\n";
    let folder = Folder::with(matrix);
    let told = folder.run("{}/m.toml -o {}/r").success();
    let unwritten = |line: &Value| line["figures"]["reads_unwritten"].as_u64();
    let lines = folder.lines("r");
    let of_start = |start: &str| {
        let mut found = lines.iter().filter(|line| line["start"] == start);
        found.next().expect("it was run")
    };
    assert_eq!(unwritten(of_start("new")), Some(200));
    assert_eq!(unwritten(of_start("formatted")), Some(0));
    let cold = format!(
        "in 1 cell ({}) reads met nothing written",
        of_start("new")["cell"]
    );
    assert!(told.contains(&cold), "{told}");
}

#[test]
fn results_that_never_end_are_refused() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{EASY}"));
    for arguments in [
        "join /dev/zero -o {}/all",
        "{}/m.toml -o {}/now --baseline /dev/zero",
    ] {
        let told = folder.run(arguments).expect(3);
        assert!(told.contains("no file of results is that long"), "{told}");
    }
}

#[test]
fn a_bundle_runs_again_and_the_same_comes_out() {
    let changes = "[[change]]\nset = [\"drive.queue_depth=2\"]\n";
    let folder = Folder::with(&format!("{QUICK}{changes}{WORK}{HARD}"));
    folder
        .run("{}/m.toml -o {}/r --bundles {}/b --junit {}/x")
        .expect(1);
    let xml = fs::read_to_string(folder.file("x")).expect("written");
    assert!(xml.contains("tests=\"4\" failures=\"4\""), "{xml}");
    let cell = folder.file("b/cell-3");
    let line: Value =
        serde_json::from_slice(&fs::read(cell.join("cell.json")).expect("it")).expect("it");
    assert_eq!(line["changes"][0], "drive.queue_depth=2");
    let told = folder
        .run("rerun {}/b/cell-3 --events {}/e --record {}/q")
        .success();
    assert!(told.contains("the same comes out: all"), "{told}");
    assert!(folder.file("e").is_file() && folder.file("q").is_file());
    folder.run("rerun {}/b/cell-3 --events {}/e").expect(4);
    let text = fs::read_to_string(cell.join("cell.json")).expect("it");
    let answered = "\"answered\":200";
    assert!(text.contains(answered), "{text}");
    fs::write(
        cell.join("cell.json"),
        text.replace(answered, "\"answered\":201"),
    )
    .expect("written");
    let told = folder.run("rerun {}/b/cell-3");
    assert!(told.stdout.contains("answered 201 -> 200"), "{told:?}");
    told.expect(1);
    folder.run("rerun {}/b").expect(3);
}

#[test]
fn a_report_joins_a_matrix_with_runs_of_its_cells_only() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{HARD}"));
    folder.run("{}/m.toml -o {}/r --bundles {}/b").expect(1);
    folder
        .run("rerun {}/b/cell-2 --events {}/e --record {}/q")
        .success();
    let report = |files: &str| {
        let line = format!("report {files} -o {{}}/page.html --replace");
        imbrex(&line, folder.place())
    };
    report("{}/r {}/q {}/e").success();
    let page = fs::read_to_string(folder.file("page.html")).expect("a page");
    assert!(page.contains("id=\"grid\"") && page.contains("role=\"img\""));
    fs::remove_file(folder.file("page.html")).expect("it is there");
    // The same cell of a matrix with another drive, and a run of something else.
    let words = QUICK.replace(
        "[[drive]]\n",
        "[[drive]]\nname = \"tiny\"\ncapacity = \"4 MiB\"\n",
    );
    fs::write(folder.file("m.toml"), format!("{words}{WORK}{HARD}")).expect("written");
    folder.run("{}/m.toml -o {}/other").expect(1);
    let told = report("{}/other {}/q").expect(2);
    assert!(
        told.contains("as of cell 2, but of another profile"),
        "{told}"
    );
    let recording = folder.file("s").display().to_string();
    let simulate = [
        "simulate",
        "tiny",
        "uniform write 4KiB 20-requests",
        "--record",
        &recording,
        "--json",
    ];
    let summary = program::tool(env!("CARGO_BIN_EXE_imbrex"), simulate).success();
    fs::write(folder.file("summary"), summary).expect("written");
    for files in ["{}/r {}/s", "{}/s {}/r", "{}/summary {}/r"] {
        let told = report(files).expect(2);
        assert!(told.contains("is of no cell of"), "{files}: {told}");
    }
    assert!(!folder.file("page.html").exists());
    report("{}/s {}/summary").success();
}

/// A matrix with one drive and this work beside it.
fn beside(work: &str) -> String {
    format!("[matrix]\nname = \"served\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\n{work}\n")
}

#[test]
fn a_client_beside_a_served_drive_is_judged_with_the_drives_own_figures() {
    program::tool("nbdcopy", ["--version"]).success();
    let work = "name = \"copy\"\npace = \"off\"\nverify = true\n\
        command = \"head -c 1000000 /dev/urandom > {folder}/a && truncate -s 1M {folder}/a && \
        nbdcopy {folder}/a {uri} && nbdcopy {uri} {folder}/b && cmp -n 1048576 {folder}/a {folder}/b\"\n\
        [[demand]]\noperation = \"write\"\nlongest_at_most = \"1 h\"\n[[demand]]\namplification_at_most = 100";
    let folder = Folder::with(&beside(work));
    folder.run("{}/m.toml -o {}/r").success();
    let line = &folder.lines("r")[1];
    assert_eq!(line["outcome"], "passed");
    let what: Vec<&str> = line["assertions"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|one| one["what"].as_str().expect("words"))
        .collect();
    assert_eq!(what[2..], ["exit code 0 within 1 h", "data verified"]);
    let written = line["figures"]["written_bytes"].as_u64();
    assert_eq!(written, Some(1 << 20), "{line}");
    assert!(
        line["figures"]["read_bytes"].as_u64() >= Some(1 << 20),
        "{line}"
    );
    assert!(
        line["figures"]["late"].is_null(),
        "nobody waits for moments"
    );
    assert!(!folder.file("r.scratch").exists(), "nothing stays behind");
}

#[test]
fn commands_fail_by_exit_code_and_by_time() {
    let run = |work: &str| {
        let folder = Folder::with(&beside(work));
        let told = folder.run("{}/m.toml -o {}/r --bundles {}/b");
        let printed = fs::read_to_string(folder.file("b/cell-1/output.txt")).unwrap_or_default();
        (told, printed)
    };
    let (told, printed) = run("command = \"echo seed {seed}; exit 3\"\npace = \"off\"");
    assert_eq!(printed, "seed 1\n");
    told.expect(1);
    run("command = \"exit 3\"\npace = \"off\"\nexit = 3")
        .0
        .success();
    let (told, _) = run("command = \"sleep 1000\"\npace = \"off\"\nends_within = \"50 ms\"");
    assert!(
        told.stdout.contains("it was still running after 50 ms"),
        "{told:?}"
    );
    told.expect(1);
}

#[test]
fn a_drive_that_fails_is_told_apart_from_a_demand_that_does_not_hold() {
    program::tool("qemu-io", ["--version"]).success();
    // Half a sector: the drive has to read the rest of it, and cannot go on without.
    let work = "pace = \"off\"\ncommand = \"qemu-io -f raw -c 'write 0 64k' -c flush {uri}; \
        truncate -s 4096 {image}; qemu-io -f raw -c 'write 512 512' -c flush {uri}\"";
    let folder = Folder::with(&beside(work));
    let told = folder.run("{}/m.toml -o {}/r --bundles {}/b").expect(5);
    assert!(told.contains("drive-failed"), "{told}");
    assert!(folder.file("b/cell-1/cell.json").is_file());
    let figures = &folder.lines("r")[1]["figures"];
    assert_eq!(figures["write_count"], 1, "what it says all the same");
}

/// A run whose last cell waits for something at the other end of a pipe.
struct Waiting {
    folder: Folder,
    child: Child,
}

impl Waiting {
    fn start() -> Waiting {
        Waiting::start_with("")
    }

    /// `first` stands before what waits.
    fn start_with(first: &str) -> Waiting {
        let folder = Folder::with("");
        let (pipe, done) = (folder.file("pipe"), folder.file("done"));
        let command = format!(
            "{first}test -e {} || cat {}",
            done.display(),
            pipe.display()
        );
        let work = format!("[[work]]\ncommand = {command:?}\npace = \"off\"\n");
        let starts = QUICK.replace("\"new\", ", "");
        fs::write(folder.file("m.toml"), format!("{starts}{WORK}{work}")).expect("written");
        mkfifo(&pipe, Mode::S_IRWXU).expect("a pipe");
        let child = Command::new(env!("CARGO_BIN_EXE_imbrex"))
            .args(["matrix", "m.toml", "-o", "r"])
            .current_dir(folder.place())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        Waiting { folder, child }
    }

    /// Waits until its command waits, sends a signal, and tells how it ended.
    fn end(mut self, signal: Signal) -> (Folder, Option<i32>, String) {
        // It can be opened when the command has opened it.
        let pipe = File::options()
            .write(true)
            .open(self.folder.file("pipe"))
            .expect("opened");
        let pid = i32::try_from(self.child.id()).expect("a process number");
        kill(Pid::from_raw(pid), signal).expect("it is running");
        let mut told = String::new();
        let stderr = self.child.stderr.take().expect("piped");
        // The command of a run that was killed holds nothing of it.
        BufReader::new(stderr)
            .read_to_string(&mut told)
            .expect("text");
        let status = self.child.wait().expect("it ends");
        drop(pipe);
        (self.folder, status.code(), told)
    }
}

fn goes_on(folder: &Folder) {
    let before = folder.cells("r");
    assert_eq!(before.len(), 2, "the simulated ones: {before:?}");
    fs::write(folder.file("done"), "").expect("written");
    folder.run("{}/m.toml -o {}/r").success();
    let after = folder.cells("r");
    assert_eq!(after.len(), 4);
    assert!(before.iter().all(|(number, line)| after[number] == *line));
}

#[test]
fn ctrl_c_ends_commands_too_and_the_rest_is_run_later() {
    let (folder, code, told) = Waiting::start().end(Signal::SIGINT);
    assert_eq!(code, Some(130), "{told}");
    assert!(
        told.lines()
            .last()
            .is_some_and(|line| line.starts_with("interrupted")),
        "{told}"
    );
    assert!(!folder.file("r.scratch").exists(), "nothing stays behind");
    goes_on(&folder);
}

#[test]
fn a_killed_run_goes_on_later() {
    let waiting = Waiting::start_with("stat {fuse} && ");
    let (folder, code, _) = waiting.end(Signal::SIGKILL);
    assert_eq!(code, None);
    assert!(folder.file("r.scratch").exists(), "nobody cleans up");
    goes_on(&folder);
    assert!(!folder.file("r.scratch").exists(), "the next run does");
}

#[test]
fn two_runs_do_not_write_to_the_same_results() {
    let waiting = Waiting::start();
    let pipe = File::options()
        .write(true)
        .open(waiting.folder.file("pipe"))
        .expect("opened");
    let told = waiting.folder.run("{}/m.toml -o {}/r").expect(4);
    assert!(told.contains("being written by another"), "{told}");
    drop(pipe);
    fs::write(waiting.folder.file("done"), "").expect("written");
    let Waiting { mut child, .. } = waiting;
    let stderr = BufReader::new(child.stderr.take().expect("piped"));
    let last = stderr.lines().map_while(Result::ok).last();
    assert!(last.is_some_and(|line| line.contains("4/4 cell")));
    assert_eq!(child.wait().expect("it ends").code(), Some(0));
}

#[test]
fn cells_are_listed_without_being_run() {
    let folder = Folder::with(&format!("{QUICK}{WORK}{EASY}"));
    let told = folder.run("{}/m.toml --list --part 2/2").success();
    let cells = told.lines().filter(|line| !line.starts_with(' '));
    let cells: Vec<&str> = cells.collect();
    assert_eq!(
        cells,
        [
            "2 tiny, new, writes, seed 2",
            "4 tiny, staging 50%, seed 2, writes, seed 2"
        ]
    );
    folder.run("{}/m.toml").expect(2);
    imbrex("matrix {}", Path::new("nowhere.toml")).expect(2);
}

#[test]
fn the_ready_matrix_can_be_run() {
    let file = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/configs/matrices/backup-target.toml"
    );
    let told = imbrex("matrix {} --list", Path::new(file)).success();
    assert!(told.starts_with("1 desktop-5tb"), "{told}");
}
