//! Tests of gathering: what is binned against a plain count over all rows, and rows that make no sense.

use std::path::PathBuf;

use proptest::prelude::*;
use serde_json::json;
use tempfile::TempDir;

use super::Material;
use crate::drive::job_record::JobRecord;
use crate::drive::request::{Breakdown, Completion, Operation};
use crate::host::recorder::Answered;
use crate::lab::events::EventWriter;
use crate::lab::recording::RecordingWriter;
use crate::medium::movement::{PlanId, Purpose, RequestId};
use crate::report::page;
use crate::time::{Duration, Instant};
use crate::units::count;

/// What a row of a recording is made of.
#[derive(Clone, Copy, Debug)]
struct Row {
    kind: usize,
    offset: u64,
    bytes: u64,
    arrived: u64,
    took: u64,
    room: u64,
    lag: u64,
}

const KINDS: [Operation; 5] = [
    Operation::Read,
    Operation::Write { fua: false },
    Operation::Flush,
    Operation::Trim,
    Operation::WriteZeroes {
        fua: false,
        may_deallocate: false,
    },
];

impl Row {
    fn answered(&self, number: usize) -> Answered {
        Answered {
            completion: Completion {
                request: RequestId(count(number)),
                operation: KINDS[self.kind],
                offset: self.offset,
                bytes: self.bytes,
                arrived: Instant(self.arrived),
                due: Instant(self.arrived + self.took),
                needs: None,
                breakdown: Breakdown {
                    room: Duration(self.room),
                    ..Breakdown::default()
                },
                behind: None,
                room_by: None,
                missed_by: None,
                failing: None,
            },
            lag: Duration(self.lag),
        }
    }
}

fn rows(end: u64) -> impl Strategy<Value = Vec<Row>> {
    let row = (0..5_usize, [0..end, 0..end, 0..end, 0..end, 0..end, 0..end]);
    let row = row.prop_map(|(kind, [offset, bytes, arrived, took, room, lag])| Row {
        kind,
        offset,
        bytes,
        arrived,
        took,
        room,
        lag,
    });
    prop::collection::vec(row, 1..120)
}

fn recording(folder: &TempDir, rows: &[Row]) -> PathBuf {
    let path = folder.path().join("requests.parquet");
    let file = std::fs::File::create(&path).expect("there is room");
    let mut writer = RecordingWriter::new(file, &[]).expect("there is room");
    let answers: Vec<Answered> = rows
        .iter()
        .enumerate()
        .map(|(number, row)| row.answered(number))
        .collect();
    writer.take(&answers).expect("there is room");
    writer.finish().expect("there is room");
    path
}

fn folder() -> TempDir {
    TempDir::new().expect("a folder")
}

/// How long a row took, as an account counts it: a lag of more than a millisecond belongs to it.
fn took(row: &Row) -> u64 {
    row.took + if row.lag > 1_000_000 { row.lag } else { 0 }
}

/// The limits of `docs/control.md`.
#[test]
fn a_recording_alone_tells_the_limits_that_its_requests_tripped() {
    const S: u64 = 1_000_000_000;
    let of = |kind, took, lag| Row {
        kind,
        offset: 0,
        bytes: 4096,
        arrived: 0,
        took,
        room: 0,
        lag,
    };
    let limits = |rows: &[Row]| {
        let folder = folder();
        let material = Material::gather(&[recording(&folder, rows)]).expect("it is one");
        let said = crate::report::words::said(&material);
        let said = said
            .into_iter()
            .find(|said| said.about == "Limits of hosts");
        said.expect("it is told").text
    };
    let easy = [of(0, 7 * S, S), of(2, 19 * S, 0)];
    assert_eq!(limits(&easy), "No limit of a host was tripped.");
    let hard = [of(0, 8 * S, 0), of(1, 31 * S, 0), of(2, 59 * S, 0)];
    let told = limits(&hard);
    let expected = [
        "array-recovery (7 s) 2 times",
        "cluster-heartbeat (20 s) 2 times",
        "disk-command (30 s) once",
    ];
    assert_eq!(told, format!("Tripped: {}.", expected.join(", ")));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn steps_of_time_hold_what_a_count_over_all_rows_finds(rows in rows(20_000_000_000)) {
        let folder = folder();
        let material = Material::gather(&[recording(&folder, &rows)]).expect("it is one");
        let requests = material.requests.expect("there are rows");
        for (at, stretch) in requests.stretches.iter().enumerate() {
            let (from, to) = (requests.steps.bound(at), requests.steps.bound(at + 1));
            let due = |row: &&Row| (from..to).contains(&(row.arrived + row.took));
            let inside: Vec<&Row> = rows.iter().filter(due).collect();
            prop_assert_eq!(stretch.answered, count(inside.len()));
            let bytes = |kinds: &[usize]| -> u64 {
                inside.iter().filter(|row| kinds.contains(&row.kind)).map(|row| row.bytes).sum()
            };
            prop_assert_eq!(stretch.read_bytes, bytes(&[0]));
            prop_assert_eq!(stretch.written_bytes, bytes(&[1, 4]));
            let slowest = inside.iter().map(|row| took(row)).max();
            prop_assert_eq!(stretch.slowest.as_ref().map(|slow| slow.took_ns), slowest);
            let late = inside.iter().filter(|row| row.lag > 1_000_000).count();
            prop_assert_eq!(stretch.late, count(late));
        }
        let counted: u64 = requests.stretches.iter().map(|stretch| stretch.answered).sum();
        prop_assert_eq!(counted, count(rows.len()));
    }

    #[test]
    fn the_slowest_and_the_middle_are_those_of_all_rows(rows in rows(20_000_000_000)) {
        let folder = folder();
        let material = Material::gather(&[recording(&folder, &rows)]).expect("it is one");
        let requests = material.requests.expect("there are rows");
        let mut all: Vec<u64> = rows.iter().map(took).collect();
        all.sort_unstable();
        let kept: Vec<u64> = requests.slowest.iter().map(|slow| slow.took_ns).collect();
        let slowest: Vec<u64> = all.iter().rev().take(10).copied().collect();
        prop_assert_eq!(kept, slowest);
        let middle = all[(all.len() - 1) / 2];
        let found = requests.median_ns();
        prop_assert!(middle <= found && found <= middle + middle / 100 + 1, "{found} for {middle}");
    }

    /// Numbers of a file may be any that fit.
    #[test]
    fn rows_without_measure_give_a_page_all_the_same(rows in rows(1 << 61)) {
        let folder = folder();
        let material = Material::gather(&[recording(&folder, &rows)]).expect("it is one");
        prop_assert!(page::make(&material, None).html.ends_with("</html>\n"));
    }

    #[test]
    fn a_summary_without_measure_gives_a_page_all_the_same(
        numbers in prop::collection::vec(any::<u64>(), 24),
    ) {
        let n = |at: usize| numbers[at];
        let bucket = |at: usize| json!({
            "answered": n(at), "read_bytes": n(at + 1), "written_bytes": n(at + 2),
            "slowest_ns": n(at + 3), "staging_slots_used": n(at + 4), "dirty_bands": n(at + 5),
        });
        let slow = json!({"operation": "read", "offset": n(0), "bytes": n(1), "arrived_ns": n(2),
                          "took_ns": n(3), "cause": "seek 3 ms"});
        let kind = json!({"operation": "read", "count": n(4), "p50_ns": n(5), "p90_ns": n(6),
                          "p99_ns": n(7), "p999_ns": n(8), "max_ns": n(9)});
        let summary = json!({
            "profile": "p", "workload": "w", "answered": n(10), "answered_ns": n(11),
            "operations": [kind], "causes": {"room_ns": n(12), "seek_ns": n(13)},
            "purposes": [{"purpose": "stage", "bytes": n(14), "arm_ns": n(15)}],
            "over_time": {"bucket_ns": n(16), "buckets": [bucket(0), bucket(6), bucket(17)]},
            "slowest": [slow], "write_amplification_milli": n(17),
            "status": {"staging_slots_used": n(18), "staging_slots": n(19), "dirty_bands": n(20)},
            "agreement": {"late": n(21), "lag_ns_max": n(22)},
        });
        let mut material = Material::default();
        material.join_summary(&summary).expect("it has all that is needed");
        prop_assert!(page::make(&material, None).html.ends_with("</html>\n"));
    }

    #[test]
    fn fill_keeps_the_fullest_moment_of_each_step(
        jobs in prop::collection::vec((0_u64..1_000_000_000, 0_u64..500, 0_u64..50), 1..200),
    ) {
        let mut jobs = jobs;
        jobs.sort_unstable();
        let record = |(start, slots, dirty): &(u64, u64, u64)| JobRecord {
            job: PlanId(1),
            start: Instant(*start),
            duration: Duration(1_000),
            purpose: Purpose::Stage,
            bytes: 4096,
            cylinder: 3,
            surface: 0,
            band: None,
            cleaning: None,
            staging_slots_used: *slots,
            dirty_bands: *dirty,
        };
        let folder = folder();
        let path = folder.path().join("jobs.parquet");
        let file = std::fs::File::create(&path).expect("there is room");
        let mut writer = EventWriter::new(file, &[]).expect("there is room");
        writer.take(&mut jobs.iter().map(record).collect()).expect("there is room");
        writer.finish().expect("there is room");
        let material = Material::gather(&[path]).expect("it is one");
        let gathered = material.jobs.expect("there are rows");
        for (at, fill) in gathered.fill.iter().enumerate() {
            let (from, to) = (gathered.steps.bound(at), gathered.steps.bound(at + 1));
            let inside = || jobs.iter().filter(|(start, ..)| (from..to).contains(start));
            let last = inside().next_back();
            prop_assert_eq!(fill.map(|fill| fill.slots), last.map(|(_, slots, _)| *slots));
            prop_assert_eq!(fill.map(|fill| fill.dirty), last.map(|(.., dirty)| *dirty));
            let most = inside().map(|(_, slots, _)| *slots).max();
            prop_assert_eq!(fill.map(|fill| fill.slots_max), most);
            let most = inside().map(|(.., dirty)| *dirty).max();
            prop_assert_eq!(fill.map(|fill| fill.dirty_max), most);
        }
    }
}

#[test]
fn a_row_beyond_all_bounds_is_refused_with_its_number() {
    let good = Row {
        kind: 1,
        offset: 0,
        bytes: 4096,
        arrived: 0,
        took: 5,
        room: 5,
        lag: 0,
    };
    let bad = Row {
        bytes: 1 << 62,
        ..good
    };
    let folder = folder();
    let error =
        Material::gather(&[recording(&folder, &[good, bad])]).expect_err("it makes no sense");
    let told = error.to_string();
    assert!(
        told.starts_with("row 2 of ") && told.contains("bytes is 4611686018427387904"),
        "{told}"
    );
}
