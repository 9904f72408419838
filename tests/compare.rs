//! `imbrex compare` as a program: two recordings, two workloads, and what its exit code says.

mod nbd_client;
mod program;

use std::path::Path;

use program::{imbrex, tool};

fn compare(a: &str, b: &str, options: &str) -> program::Ended {
    let options = options.split_whitespace();
    tool(
        env!("CARGO_BIN_EXE_imbrex"),
        ["compare", a, b].into_iter().chain(options),
    )
}

fn record(workload: &str, to: &Path) {
    let recorded = tool(
        env!("CARGO_BIN_EXE_imbrex"),
        [
            "simulate",
            "tiny",
            workload,
            "--record",
            to.to_str().expect("a plain path"),
        ],
    );
    recorded.success();
}

#[test]
fn recordings_differ_by_what_their_summaries_differ_by() {
    let folder = tempfile::tempdir().unwrap();
    let paths = ["a", "b"].map(|name| folder.path().join(name));
    let workloads = [
        "uniform write 4KiB 2000-requests",
        "uniform write 16KiB 2000-requests",
    ];
    for (path, workload) in paths.iter().zip(workloads) {
        record(workload, path);
    }
    let [a, b] = paths.each_ref().map(|path| path.to_str().unwrap());
    let ended = compare(a, b, "--json");
    assert_eq!(ended.code, Some(1), "{}", ended.stderr);
    let told = ended.json();
    assert_eq!(told["verdict"], "slower");
    // The summaries of both runs, from a replay, tell the same causes.
    let causes = [a, b].map(|path| {
        let run = tool(
            env!("CARGO_BIN_EXE_imbrex"),
            ["simulate", "--replay", path, "--json"],
        );
        run.json()["causes"].clone()
    });
    let mut sum = 0;
    for part in told["parts"].as_array().unwrap() {
        let field = format!("{}_ns", part["part"].as_str().unwrap());
        let [a, b] = causes
            .each_ref()
            .map(|causes| causes[&field].as_i64().unwrap());
        assert_eq!(part["total_ns"]["difference"], b - a, "{field}");
        sum += b - a;
    }
    assert_eq!(told["operations"][0]["total_ns"]["difference"], sum);
    let back = compare(b, a, "");
    assert_eq!(back.code, Some(0));
    assert!(
        back.stdout.contains("B is faster than A"),
        "{}",
        back.stdout
    );
}

#[test]
fn bytes_that_were_zeroed_are_the_same_in_the_summary_in_blame_and_in_a_comparison() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a");
    let workload = "uniform 25%read 25%write 25%zero 25%trim 16KiB 300-requests";
    record(workload, &path);
    let told = |command: &str| {
        let ended = tool(
            env!("CARGO_BIN_EXE_imbrex"),
            [command, "tiny", workload, "--json"],
        );
        ended.json()["host_written_bytes"].clone()
    };
    let path = path.to_str().unwrap();
    let compared = compare(path, path, "--json").json();
    let operations = compared["operations"].as_array().unwrap();
    let of = |words: &[&str]| -> u64 {
        let these = operations
            .iter()
            .filter(|told| words.contains(&told["operation"].as_str().unwrap_or_default()));
        these.map(|told| told["bytes"]["a"].as_u64().unwrap()).sum()
    };
    assert!(of(&["write-zeroes"]) > 0, "{compared}");
    assert_eq!(of(&["trim"]), 0);
    let written = of(&["write", "write-zeroes"]);
    assert_eq!(told("simulate"), written);
    assert_eq!(told("blame"), written);
}

#[test]
fn workloads_are_run_in_pairs_on_the_same_drive_and_give_the_same_bytes_again() {
    let run = || {
        let options = "--profile tiny --seeds 5 --set cleaning.style=lazy --json";
        compare(
            "uniform write 4KiB 400-requests",
            "uniform write 4KiB 400-requests",
            options,
        )
    };
    let (first, second) = (run(), run());
    assert_eq!(first.stdout, second.stdout);
    let told = first.json();
    assert_eq!(told["verdict"], "cannot-be-told-apart");
    assert_eq!(told["method"]["units"], "runs");
    assert_eq!(told["operations"][0]["mean_ns"]["high"], 0);
}

#[test]
fn seeds_beyond_the_last_are_refused() {
    let workload = "uniform write 4KiB 30-requests";
    let last = format!("--profile tiny --seed {}", u64::MAX);
    compare(workload, workload, &last).success();
    let told = compare(workload, workload, &format!("{last} --seeds 2")).expect(2);
    assert!(told.contains("give a lower --seed"), "{told}");
}

#[test]
fn files_that_cannot_be_read_and_outputs_that_cannot_be_written_have_codes_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    let shown = folder.path().display().to_string();
    let told = compare(&shown, &shown, "--profile tiny").expect(3);
    assert!(told.contains("cannot read"), "{told}");
    let path = folder.path().join("a");
    record("uniform write 4KiB 30-requests", &path);
    for command in ["compare", "blame"] {
        let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_imbrex"));
        program.arg(command);
        match command {
            "compare" => program.arg(&path).arg(&path),
            _ => program.args(["tiny", "uniform write 4KiB 30-requests"]),
        };
        let full = std::fs::File::options().write(true).open("/dev/full");
        program.stdout(full.expect("a device that is always full"));
        let ended = program.output().expect("it runs");
        let told = String::from_utf8_lossy(&ended.stderr).into_owned();
        assert_eq!(ended.status.code(), Some(6), "{command}: {told}");
        assert!(
            told.contains("cannot write the results to stdout"),
            "{told}"
        );
    }
}

#[test]
fn a_recording_of_a_used_drive_says_so_when_it_is_run_on_another() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("used");
    let path = path.to_str().unwrap();
    let start = "filled 60%";
    let workload = "uniform write 4KiB 60-requests";
    let simulate = [
        "simulate", "tiny", workload, "--start", start, "--record", path,
    ];
    tool(env!("CARGO_BIN_EXE_imbrex"), simulate).success();
    let blame = |options: &[&str]| {
        let arguments = ["blame", "--replay", path]
            .into_iter()
            .chain(options.iter().copied());
        tool(env!("CARGO_BIN_EXE_imbrex"), arguments)
    };
    let words = "began on a drive that held something (filled 60%, seed 1)";
    for told in [
        blame(&[]),
        blame(&["--start", "new"]),
        compare(path, path, "--profile tiny"),
    ] {
        assert!(told.stderr.contains(words), "{}", told.stderr);
    }
    let same = blame(&["--start", start]);
    assert!(!same.stderr.contains("began on"), "{}", same.stderr);
    let new = folder.path().join("new");
    record(workload, &new);
    let new = new.to_str().unwrap();
    let told = compare(new, new, "--profile tiny");
    assert!(!told.stderr.contains("began on"), "{}", told.stderr);
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a");
    record("uniform write 4KiB 30-requests", &path);
    let a = path.to_str().unwrap();
    let told = compare(a, "database-commit", "").expect(2);
    assert!(told.contains("give --profile"), "{told}");
    let told = compare(a, a, "--profile tiny --seeds 5").expect(2);
    assert!(told.contains("--seeds repeats workloads"), "{told}");
    let list = folder.path().join("list.csv");
    std::fs::write(&list, "start,end,name\n9,10,x\n0,5,y\n").unwrap();
    let told = compare(a, a, &format!("--structures {}", list.display())).expect(3);
    assert!(
        told.contains("line 3: y at 0 comes after x at 9 in line 2"),
        "{told}"
    );
    let whole = std::fs::read(&path).unwrap();
    std::fs::write(&path, &whole[..whole.len() - 9]).unwrap();
    let told = compare(a, a, "").expect(3);
    assert!(told.contains("is not a recording"), "{told}");
    assert_eq!(
        imbrex("compare {} {}", &folder.path().join("none")).code,
        Some(3)
    );
}

#[test]
fn reads_that_met_nothing_written_are_told_of_each_side_that_was_run_here() {
    let reads = "uniform read 4KiB 200-requests";
    let writes = "uniform write 4KiB 200-requests";
    let options = |start: &str| format!("--profile tiny --start {start}");
    let new = compare(reads, writes, &options("new")).stdout;
    assert!(
        new.contains("200 of 200 reads met nothing written"),
        "{new}"
    );
    let json = compare(reads, writes, &format!("{} --json", options("new"))).json();
    assert_eq!(json["a"]["reads_unwritten"]["unwritten"], 200);
    assert_eq!(json["b"]["reads_unwritten"]["reads"], 0);
    let formatted = compare(reads, writes, &options("formatted")).stdout;
    assert!(!formatted.contains("met nothing written"), "{formatted}");
}

#[test]
fn of_equal_runs_no_range_is_told_to_differ() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a");
    record("uniform write 4KiB 300-requests", &path);
    let list = folder.path().join("list.csv");
    std::fs::write(&list, "start,end,name\n0,1048576,front\n").unwrap();
    let path = path.to_str().unwrap();
    let told = compare(path, path, &format!("--structures {}", list.display())).success();
    for words in ["addresses: none differs", "structures: none differs"] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert!(!told.contains("mostly"), "{told}");
}

#[test]
fn only_ranges_that_differ_are_told_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    // The same reads on both sides, but for one request more at the end of B.
    let paths = ["a", "b"].map(|name| {
        let rows: Vec<String> = (0..30)
            .map(|n| format!("{n},R,{},512,1\n", n * 4096))
            .collect();
        let rows = rows.concat();
        let more = if name == "b" {
            "30,R,122880,512,5\n"
        } else {
            ""
        };
        let text = folder.path().join(format!("{name}.csv"));
        std::fs::write(&text, format!("when,kind,at,size,lat\n{rows}{more}")).unwrap();
        let to = folder.path().join(name);
        let columns = "time=when:ms,op=kind,offset=at,bytes=size,took=lat:ms";
        let import = [
            "import",
            text.to_str().unwrap(),
            "--as",
            "csv",
            "--columns",
            columns,
            "-o",
        ];
        let import = import.into_iter().chain([to.to_str().unwrap()]);
        tool(env!("CARGO_BIN_EXE_imbrex"), import).success();
        to
    });
    let [a, b] = paths.each_ref().map(|path| path.to_str().unwrap());
    let told = compare(a, b, "--ranges 31").stdout;
    let (_, listed) = told
        .split_once("addresses with the largest differences")
        .expect("they are told");
    assert_eq!(listed.lines().skip(1).count(), 1, "{told}");
    assert!(
        listed.contains("+5 ms") && !listed.contains("more"),
        "{told}"
    );
}
