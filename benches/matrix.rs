//! How long a matrix of 200 cells of 100,000 operations each takes on this machine.
//!
//! `cargo bench --bench matrix` prints real time, processor time and what the slowest cells took. Another
//! number of operations can be given. Drives whose staging area is spread are left out: which band they
//! clean next is looked for among all of them each time, and that alone takes minutes.
#![allow(missing_docs, clippy::print_stdout)] // a program for people

use std::fmt::Write as _;
use std::process::Command;
use std::time::Instant;

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;

const OPERATIONS: u64 = 100_000;

const DRIVES: [&str; 4] = ["desktop-5tb", "archive-8tb", "flash-4tb", "control-5tb"];
const STARTS: [&str; 2] = ["new", "filled 50% scattered, staging 60%"];
const WORKS: [&str; 5] = [
    "uniform 70%write 30%read 4KiB 8-under-way",
    "skewed 50%write 50%read 16KiB 100/s",
    "hot-cold write 64KiB 4-under-way",
    "sequential write 256KiB 2-under-way",
    "alternate-blocks write 8KiB 2-under-way",
];
const SEEDS: u64 = 5;

fn main() {
    let asked = std::env::args().find_map(|word| word.parse().ok());
    let operations = asked.unwrap_or(OPERATIONS);
    let folder = tempfile::tempdir().expect("a scratch folder");
    let (file, results) = (folder.path().join("m.toml"), folder.path().join("r"));
    std::fs::write(&file, matrix(operations)).expect("written");
    let begun = Instant::now();
    let ended = Command::new(env!("CARGO_BIN_EXE_imbrex"))
        .arg("matrix")
        .arg(&file)
        .arg("-o")
        .arg(&results)
        .output()
        .expect("it runs");
    let took = begun.elapsed().as_secs_f64();
    assert!(ended.status.success(), "{ended:?}");
    let used = getrusage(UsageWho::RUSAGE_CHILDREN).expect("it is known");
    let processor_ms = (used.user_time() + used.system_time()).num_milliseconds();
    let text = std::fs::read_to_string(&results).expect("results");
    let mut cells: Vec<(u64, String)> = text
        .lines()
        .skip(1)
        .map(|line| {
            let line: serde_json::Value = serde_json::from_str(line).expect("one object a line");
            let words = ["profile", "start", "workload"].map(|key| line[key].to_string());
            (line["took_ms"].as_u64().unwrap_or(0), words.join(", "))
        })
        .collect();
    cells.sort();
    let processors = std::thread::available_parallelism().map_or(1, usize::from);
    println!(
        "{} cells of {operations} operations: {took:.1} s on {processors} processors, {}.{:03} s of \
         processor time, {} MB of memory at most",
        cells.len(),
        processor_ms / 1000,
        processor_ms % 1000,
        used.max_rss() / 1000
    );
    for (ms, words) in cells.iter().rev().take(5) {
        println!("  {ms} ms: {words}");
    }
}

fn matrix(operations: u64) -> String {
    let mut text =
        format!("[matrix]\nname = \"bench\"\nseed_count = {SEEDS}\nstarts = {STARTS:?}\n");
    for drive in DRIVES {
        let _ = write!(text, "[[drive]]\nprofile = {drive:?}\n");
    }
    for work in WORKS {
        let _ = write!(
            text,
            "[[work]]\nname = {work:?}\nworkload = \"{work} {operations}-requests\"\n"
        );
    }
    text
}
