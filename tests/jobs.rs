//! The job files that run a matrix in parts: every cell is run once, and together they say what one run of
//! the whole says.

mod folder;
mod nbd_client;
mod program;

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use folder::Folder;
use program::Ended;
use serde_json::Value;

/// Eleven cells, which no number of parts divides.
const MATRIX: &str = "[matrix]\nname = \"parts\"\nseed_count = 11\n[[drive]]\nprofile = \"tiny\"\n\
    [[work]]\nname = \"writes\"\nworkload = \"uniform write 4KiB 50-requests\"\n";
const CELLS: u64 = 11;
const HARD: &str = "[[demand]]\noperation = \"write\"\np50_at_most = \"1 ns\"\n";
const IMBREX: &str = env!("CARGO_BIN_EXE_imbrex");

/// What one run of all cells says.
fn whole(folder: &Folder, code: i32) -> BTreeMap<u64, Value> {
    let arguments = [
        "matrix",
        &folder.path("m.toml"),
        "-o",
        &folder.path("whole"),
    ];
    program::tool(IMBREX, arguments).expect(code);
    let cells = folder.cells("whole");
    assert!(cells.keys().copied().eq(1..=CELLS));
    cells
}

fn script(name: &str) -> PathBuf {
    let jobs = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/jobs");
    jobs.join(name)
}

/// Whether GNU parallel is there; where not, that is said, and is a failure where `CI` is set.
fn has_parallel() -> bool {
    let told = Command::new("parallel").arg("--version").output();
    if told.is_ok_and(|told| told.stdout.starts_with(b"GNU parallel")) {
        return true;
    }
    let what = "GNU parallel is missing: run scripts/packages, which installs what the tests need";
    assert!(std::env::var_os("CI").is_none(), "{what}");
    // Past the test harness, which shows nothing of a test that passes.
    let _ = writeln!(std::io::stderr(), "not tested: {what}");
    false
}

#[test]
fn parts_by_gnu_parallel_are_the_whole_matrix() {
    if !has_parallel() {
        return;
    }
    for (demand, code) in [("", 0), (HARD, 1)] {
        let folder = Folder::with(&format!("{MATRIX}{demand}"));
        let whole = whole(&folder, code);
        let run = || -> Ended {
            let results = folder.path("results");
            let matrix = folder.path("m.toml");
            // Of `parallel`, and so behind its own.
            let rest = ["3", "--jobs", "2"];
            Command::new(script("gnu-parallel"))
                .args(["--binary", IMBREX, &matrix, &results])
                .args(rest)
                .current_dir(folder.place())
                .env("HOME", folder.place())
                .output()
                .expect("it starts")
                .into()
        };
        let ended = run();
        assert_eq!(ended.code, Some(code), "{ended:#?}");
        assert_eq!(folder.cells("results/results.jsonl"), whole);
        let parts = |part: u64| folder.cells(&format!("results/part-{part}.jsonl"));
        let lengths: Vec<usize> = (1..=3).map(|part| parts(part).len()).collect();
        assert_eq!(lengths, [4, 4, 3]);
        // What is left is run, and nothing else.
        let kept = fs::read(folder.file("results/part-1.jsonl")).expect("results");
        fs::remove_file(folder.file("results/part-2.jsonl")).expect("it is there");
        let ended = run();
        assert_eq!(ended.code, Some(code), "{ended:#?}");
        assert_eq!(folder.cells("results/results.jsonl"), whole);
        let again = fs::read(folder.file("results/part-1.jsonl")).expect("results");
        assert!(kept == again, "cells were run again");
    }
}

/// A task of the array, as Slurm starts it.
fn task(folder: &Folder, number: Option<u64>, parts: Option<u64>) -> Ended {
    let mut job = Command::new(script("slurm-array"));
    job.args([folder.path("m.toml"), folder.path("results")])
        .env("SLURM_CPUS_PER_TASK", "1")
        .env_remove("SLURM_ARRAY_TASK_ID");
    if let Some(parts) = parts {
        job.args([&parts.to_string(), IMBREX]);
    } else {
        // The program is found in PATH then.
        let beside = Path::new(IMBREX).parent().expect("a folder").display();
        let path = std::env::var("PATH").expect("there is one");
        job.env("PATH", format!("{beside}:{path}"));
    }
    if let Some(number) = number {
        job.env("SLURM_ARRAY_TASK_ID", number.to_string());
    }
    job.output().expect("it starts").into()
}

#[test]
fn tasks_of_a_slurm_array_run_each_cell_once() {
    let text = fs::read_to_string(script("slurm-array")).expect("it is there");
    let array = text
        .lines()
        .find_map(|line| line.strip_prefix("#SBATCH --array=1-"));
    let tasks: u64 = array.expect("an array").parse().expect("a number");
    for parts in [None, Some(1), Some(3), Some(13)] {
        let folder = Folder::with(MATRIX);
        let whole = whole(&folder, 0);
        let count = parts.unwrap_or(tasks);
        let mut seen = BTreeMap::new();
        let mut files = Vec::new();
        for part in 1..=count {
            let ended = task(&folder, Some(part), parts);
            // A part may have no cell, where there are more parts than cells.
            assert_eq!(ended.code, Some(0), "part {part} of {count}: {ended:#?}");
            let file = format!("results/part-{part}.jsonl");
            for (number, cell) in folder.cells(&file) {
                let before = seen.insert(number, cell);
                assert_eq!(before, None, "cell {number} is in two parts of {count}");
            }
            files.push(folder.path(&file));
        }
        assert_eq!(seen, whole, "{count} parts");
        let joined = folder.path("joined");
        let join = ["matrix", "join", "-o", &joined].map(str::to_owned);
        program::tool(IMBREX, join.iter().chain(&files)).success();
        assert_eq!(folder.cells("joined"), whole);
    }
}

#[test]
fn outside_of_an_array_the_slurm_file_says_how_it_is_used() {
    let folder = Folder::with(MATRIX);
    let told = task(&folder, None, Some(3)).expect(2);
    assert!(told.contains("usage: sbatch"), "{told}");
    let beyond = task(&folder, Some(4), Some(3)).expect(2);
    assert!(beyond.contains("such as 2/4"), "{beyond}");
}
