//! `imbrex forecast` as people run it: exit codes tell the verdict, JSON says what the words say, and what
//! cannot be used or tried says why.

use std::process::Command;

fn imbrex(arguments: &[&str]) -> (Option<i32>, String, String) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_imbrex"));
    let output = program.args(arguments).output().expect("it runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    (
        output.status.code(),
        text(output.stdout),
        text(output.stderr),
    )
}

const TINY: [&str; 6] = [
    "forecast",
    "uniform write 4KiB 500-requests",
    "--profile",
    "tiny",
    "--no-advice",
    "--deadline",
];

#[test]
fn help_offers_no_start_that_is_refused() {
    for command in [
        &["forecast", "--help"][..],
        &["forecast", "rebuild", "--help"],
    ] {
        let (_, said, complained) = imbrex(command);
        assert!(
            said.contains("--start") && !said.contains("as-it-is"),
            "{said}{complained}"
        );
    }
}

#[test]
fn a_file_that_describes_no_workload_ends_with_3() {
    let folder = tempfile::TempDir::new().expect("a folder");
    let path = folder.path().join("no-workload.toml");
    std::fs::write(&path, "x = 1\n").expect("it can be written");
    let path = path.to_str().expect("a plain path");
    let (code, said, complained) = imbrex(&["forecast", path, "--deadline", "8h"]);
    assert_eq!(code, Some(3), "{said}{complained}");
}

#[test]
fn exit_codes_tell_whether_it_fits() {
    for (deadline, code, verdict) in [
        ("1h", 0, "tiny (8 MiB): FITS in 1 h, in each of 14 runs"),
        (
            "30s",
            1,
            "tiny (8 MiB): FITS in 30 s ONLY IF none of these holds: ",
        ),
        (
            "1ms",
            1,
            "tiny (8 MiB): DOES NOT FIT in 1 ms, in none of 14 runs",
        ),
    ] {
        let (ended, said, complained) = imbrex(&[&TINY[..], &[deadline]].concat());
        assert_eq!(ended, Some(code), "{said}{complained}");
        assert!(said.contains(verdict), "{deadline}: {said}");
        assert!(said.contains("a trial on the real drive decides"), "{said}");
    }
    for wrong in [
        &["forecast", "--deadline", "1h"][..],
        &["forecast", "nightly-backup"],
        &["forecast", "nightly-backup", "--deadline", "0s"],
        &[
            "forecast",
            "nightly-backup",
            "--deadline",
            "8h",
            "--vary",
            "moon",
        ],
        &[
            "forecast",
            "nightly-backup",
            "--deadline",
            "8h",
            "--start",
            "as-it-is",
        ],
        &[
            "forecast",
            "rebuild",
            "--deadline",
            "8h",
            "--member",
            "90TB",
        ],
        &["forecast", "rebuild", "--deadline", "8h", "--piece", "12"],
        &[
            "forecast",
            "rebuild",
            "--deadline",
            "8h",
            "--piece",
            "5000B",
        ],
    ] {
        let (ended, said, complained) = imbrex(wrong);
        assert_eq!(ended, Some(2), "{wrong:?}: {said}{complained}");
    }
}

#[test]
fn an_array_that_drops_the_drive_ends_with_1_and_time_alone_with_0() {
    let load = "uniform write 64KiB 400-requests 32-under-way";
    let arguments = [
        "forecast",
        load,
        "--profile",
        "tiny",
        "--no-advice",
        "--vary",
        "none",
    ];
    let rest = ["--deadline", "1h"];
    let (code, said, complained) = imbrex(&[&arguments[..], &rest].concat());
    assert_eq!(code, Some(1), "{said}{complained}");
    assert!(said.contains("a host drops the drive after"), "{said}");
    for (limits, code) in [("none", 0), ("pool-deadman", 0), ("array-recovery", 1)] {
        let judged = [&arguments[..], &rest, &["--host-limits", limits]].concat();
        let (ended, said, complained) = imbrex(&judged);
        assert_eq!(ended, Some(code), "{limits}: {said}{complained}");
    }
    let json = [&arguments[..], &rest, &["--json"]].concat();
    let (_, said, _) = imbrex(&json);
    let value: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    let drive = &value["drives"][0];
    assert_eq!(drive["verdict"], "does-not-fit");
    assert_eq!(drive["why"]["late"], false);
    assert_eq!(drive["why"]["dropped"]["limit"], "array-recovery");
    assert_eq!(drive["by_time_alone"]["verdict"], "fits");
    let moon = [&arguments[..], &rest, &["--host-limits", "flush"]].concat();
    let (code, _, complained) = imbrex(&moon);
    assert_eq!(code, Some(2), "{complained}");
    let seed = u64::MAX.to_string();
    let last = [&arguments[..], &rest, &["--seed", &seed]].concat();
    let (code, _, complained) = imbrex(&last);
    assert_eq!(code, Some(2), "{complained}");
    assert!(complained.contains("give one of at most"), "{complained}");
}

#[test]
fn json_says_what_the_words_say() {
    let arguments = [&TINY[..], &["30s", "--json", "--vary", "seed"]].concat();
    let (_, said, _) = imbrex(&arguments);
    let value: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    let drive = &value["drives"][0];
    assert_eq!(drive["profile"], "tiny");
    assert_eq!(drive["runs"].as_array().map(Vec::len), Some(3));
    assert_eq!(value["deadline_ns"], 30_000_000_000_u64);
    assert!(
        ["fits", "fits-unless", "does-not-fit"].contains(&drive["verdict"].as_str().unwrap_or(""))
    );
    assert_eq!(
        drive["finish_ns"]["centre"],
        drive["runs"][0]["figures"]["finish_ns"]
    );
}

#[test]
fn what_was_not_tried_says_why() {
    let (_, said, complained) = imbrex(&[
        "forecast",
        "uniform write 4KiB 200-requests",
        "--profile",
        "tiny",
        "--vary",
        "none",
        "--deadline",
        "1h",
    ]);
    let line = said
        .lines()
        .find(|line| line.contains("trim before overwriting"));
    assert!(
        line.is_some_and(|line| line.contains("not tried: ")),
        "{said}{complained}"
    );
}

#[test]
fn a_control_that_is_none_is_refused_with_what_to_do() {
    for command in [
        "forecast --profile desktop-5tb uniform,write,4KiB,10-requests --deadline 1h --vary none --control tiny",
        "forecast rebuild --profile desktop-5tb --deadline 1h --control tiny",
    ] {
        let words: Vec<&str> = command.split(' ').collect();
        let (code, said, complained) = imbrex(&words);
        assert_eq!(code, Some(2), "{said}{complained}");
        assert!(
            complained.contains("tiny is no conventional drive"),
            "{complained}"
        );
        assert!(complained.contains("leave it out"), "{complained}");
    }
}

#[test]
fn an_imported_trace_is_forecast() {
    let folder = tempfile::TempDir::new().expect("a folder");
    let path = folder.path().join("trace.parquet");
    let path = path.to_str().expect("a plain path");
    let fixture = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/fixtures/traces/blkparse.txt"
    );
    let (code, said, complained) = imbrex(&["import", fixture, "--as", "blkparse", "-o", path]);
    assert_eq!(code, Some(0), "{said}{complained}");
    let common = [
        "forecast",
        "--replay",
        path,
        "--profile",
        "desktop-5tb",
        "--vary",
        "none",
    ];
    let rest = ["--deadline", "1h", "--start", "new", "--beyond", "fold"];
    let (code, said, complained) = imbrex(&[&common[..], &rest].concat());
    assert_eq!(code, Some(0), "{said}{complained}");
    assert!(said.contains("furthest behind its times"), "{said}");
    let waiting = [&common[..], &rest, &["--keep", "think-times"]].concat();
    let (code, said, complained) = imbrex(&waiting);
    assert_eq!(code, Some(0), "{said}{complained}");
    assert!(!said.contains("furthest behind its times"), "{said}");
}

#[test]
fn a_drive_that_no_idle_time_helps_is_told_as_such_in_words_and_in_json() {
    let lazy = [
        "forecast",
        "uniform write 4KiB 120-requests",
        "--profile",
        "tiny",
        "--deadline",
        "1h",
        "--vary",
        "none",
        "--set",
        "cleaning.style=lazy",
        "--set",
        "cleaning.high_mark=95%",
        "--set",
        "staging.slots=18",
        "--set",
        "staging.bytes=512 KiB",
        "--set",
        "write_cache.enabled=false",
    ];
    let (_, said, complained) = imbrex(&lazy);
    for words in [
        "idle time needed a day           no idle time is enough",
        "cleans only while 95 % of the staging area or more are in use",
    ] {
        assert!(said.contains(words), "{words}: {said}{complained}");
    }
    assert!(!said.contains("TOO LITTLE"), "{said}");
    let (_, said, complained) = imbrex(&[&lazy[..], &["--json"]].concat());
    let told: serde_json::Value = serde_json::from_str(&said).expect(&complained);
    let idle = &told["drives"][0]["idle"];
    assert_eq!(idle["centre"]["needs"], "never");
    assert_eq!(idle["centre"]["cleans_from_percent"], 95);
    assert_eq!(idle["day_ns"]["centre"], serde_json::Value::Null);
    assert_eq!(idle["never_enough_with"].as_array().map(Vec::len), Some(1));
}

#[test]
fn a_forecast_of_reads_that_meet_nothing_says_so() {
    let question = [
        "forecast",
        "uniform read 4KiB 100-requests",
        "--profile",
        "tiny",
        "--no-advice",
        "--vary",
        "none",
        "--deadline",
        "1h",
        "--start",
    ];
    let with = |start| imbrex(&[&question[..], &[start]].concat()).1;
    let new = with("new");
    assert!(
        new.contains("100 of 100 reads met nothing written"),
        "{new}"
    );
    let formatted = with("formatted");
    assert!(!formatted.contains("met nothing written"), "{formatted}");
}
