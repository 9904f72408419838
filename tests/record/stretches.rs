//! What is in a recording, and that whoever reads one takes it for any other.

use std::fs::File;

use serde_json::Value;

use crate::nbd_client::NoAnswer;
use crate::program::{imbrex, tool};
use crate::rig::{Rig, SECTOR, numbers, recorded, rows, work};

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
    let asked = work(&mut client, 0).len() + work(&mut client, 700).len();
    // The platters have to be waited for.
    let places = [1, 701, 4, 702].map(|n| n * u64::from(SECTOR));
    for place in places {
        client.read(place, SECTOR).expect("read");
    }
    rig.told("end-recording 1");
    served.stop().success();
    let told = imbrex("simulate --replay {} --json", &file).json();
    assert_eq!(told["recording_began_new"], true);
    let same = told["agreement"]["same_moment"].as_u64();
    assert_eq!(same, u64::try_from(asked + places.len()).ok(), "{told:#}");
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
fn a_cell_of_a_matrix_records_a_part_of_what_its_command_does() {
    tool("qemu-io", ["--version"]).success();
    let folder = tempfile::tempdir().expect("a folder");
    let (matrix, file) = (
        folder.path().join("m.toml"),
        folder.path().join("part.parquet"),
    );
    let client = |what: &str| format!("qemu-io -f raw -c '{what}' {{uri}}");
    let command = format!(
        "{} && {} record {{image}} -o {} -- {} && {}",
        client("write 0 4k"),
        env!("CARGO_BIN_EXE_imbrex"),
        file.display(),
        client("write 1M 8k"),
        client("write 2M 4k"),
    );
    let text = format!(
        "[matrix]\nname = \"record\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\npace = \"off\"\n\
         command = {command:?}\n"
    );
    std::fs::write(&matrix, text).expect("written");
    imbrex("matrix {} -o {}.jsonl", &matrix).success();
    let all = rows(&file);
    let written = all.iter().filter(|row| row.0 == "write");
    let places: Vec<_> = written.map(|row| (row.2, row.3)).collect();
    assert_eq!(places, [(1 << 20, 8192)], "{all:?}");
}
