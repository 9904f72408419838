//! Experiments in virtual time: they repeat, requests come as asked for, and figures add up.

use std::collections::{BTreeMap, BTreeSet};

use imbrex::drive::job_record::JobRecord;
use imbrex::drive::request::{Operation, Request};
use imbrex::image::open;
use imbrex::lab::events::EventWriter;
use imbrex::lab::simulation::course::Course;
use imbrex::lab::simulation::{self, Load, Observers, SimulationError};
use imbrex::lab::start::Start;
use imbrex::lab::summary::Summary;
use imbrex::lab::workload::Workload;
use imbrex::medium::movement::{Purpose, RequestId};
use imbrex::profile::Profile;
use imbrex::time::Instant;

fn profile(name: &str) -> Profile {
    let text = Profile::built_in(name).expect("a shipped profile");
    Profile::from_toml(name, text).expect("it is valid")
}

fn words(words: &str) -> Workload {
    Workload::from_words(words).expect("the words are known")
}

fn run(profile: &Profile, workload: &Workload) -> Summary {
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: None,
    };
    simulation::run(
        open::imagined(profile).expect("it fits"),
        workload,
        observers,
    )
    .expect("it runs")
}

fn recorded(profile: &Profile, workload: &Workload) -> (Summary, Vec<JobRecord>) {
    let mut jobs = Vec::new();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: Some(&mut |records| {
            jobs.append(records);
            Ok(())
        }),
        answers: None,
    };
    let summary = simulation::run(
        open::imagined(profile).expect("it fits"),
        workload,
        observers,
    )
    .expect("it runs");
    (summary, jobs)
}

/// Once its time is over, all of it goes, with no other pause between the pieces than the arm needs.
#[test]
fn what_has_waited_in_the_cache_for_long_enough_goes_without_a_pause() {
    for name in ["control-5tb", "flash-4tb"] {
        let drive = profile(name);
        let summary = run(
            &drive,
            &words("uniform write 16KiB 300-requests then-drain"),
        );
        let destaged = summary.drained_ns.expect("it was drained");
        let arm_ns: u64 = summary.purposes.iter().map(|purpose| purpose.arm_ns).sum();
        let waits = drive.write_cache.destage_delay + drive.cleaning.idle_delay;
        // The first write came at 0; cleaning, where there is some, waits for its own time.
        assert!(
            destaged <= waits.0 + arm_ns,
            "{name}: {destaged} ns, the arm {arm_ns} ns"
        );
        assert!(
            destaged >= drive.write_cache.destage_delay.0,
            "{name}: {destaged} ns"
        );
    }
}

/// Asks for everything, more than the tiny drive can stage, with pauses in which it cleans.
const BUSY: &str = "uniform 20%read 65%write 10%trim 5%flush 12KiB 3000-requests 8-under-way \
                    bursts-of-700 pause-3s then-drain";

fn json(summary: &Summary) -> String {
    serde_json::to_string(summary).expect("plain values")
}

#[test]
fn two_runs_give_the_same_bytes() {
    let tiny = profile("tiny");
    let bytes = |seed| {
        let mut workload = words(BUSY);
        workload.seed = seed;
        let (summary, mut jobs) = recorded(&tiny, &workload);
        let mut file = Vec::new();
        let mut writer = EventWriter::new(&mut file, &[]).expect("to memory");
        writer.take(&mut jobs).expect("to memory");
        writer.finish().expect("to memory");
        (json(&summary), summary.to_string(), file)
    };
    assert_eq!(bytes(1), bytes(1));
    assert_ne!(bytes(1).0, bytes(2).0);
}

#[test]
fn recording_the_jobs_changes_nothing() {
    let tiny = profile("tiny");
    let workload = words(BUSY);
    let (with, _) = recorded(&tiny, &workload);
    assert_eq!(json(&with), json(&run(&tiny, &workload)));
}

#[test]
fn open_arrivals_have_the_stated_rate_however_slow_the_drive_is() {
    let mut flash = profile("flash-4tb");
    flash.write_cache.enabled = false;
    // 400 a second for 10 seconds; four standard deviations of their number are 253.
    let poisson = run(&flash, &words("uniform write 4KiB 400/s 10s"));
    assert!(
        poisson.answered.abs_diff(4_000) < 253,
        "{}",
        poisson.answered
    );
    // A desktop writing through needs 25 ms for each entry: they share entries, and all are answered.
    let mut desktop = profile("desktop-5tb");
    desktop.write_cache.enabled = false;
    let slow = run(&desktop, &words("uniform write 4KiB 400/s 10s"));
    assert_eq!(slow.answered, poisson.answered, "the same arrivals");
}

#[test]
fn evenly_spaced_arrivals_are_exactly_as_far_apart_as_stated() {
    let mut workload = words("uniform read 4KiB 20/s 5s");
    workload.streams[0].arrivals = imbrex::lab::workload::Arrivals::Open {
        per_s_milli: 20_000,
        spacing: imbrex::lab::workload::Spacing::Even,
    };
    // At 50 ms, 100 ms ... 4.95 s.
    assert_eq!(run(&profile("control-5tb"), &workload).answered, 99);
}

#[test]
fn a_closed_loop_keeps_its_number_under_way() {
    let mut control = profile("control-5tb");
    control.drive.queue_order = imbrex::profile::QueueOrder::Arrival;
    control.read_ahead_bytes = 0;
    for under_way in [1_u64, 4, 16] {
        let text = format!("uniform read 4KiB 2000-requests {under_way}-under-way");
        let summary = run(&control, &words(&text));
        // The time that requests spend in the drive is the number under way, all the time (Little's
        // law); at the end the loop runs empty, which takes less than a hundredth.
        let spent: u64 = summary.causes.parts().iter().map(|(_, ns)| ns).sum();
        let milli = u128::from(spent) * 1000 / u128::from(summary.answered_ns);
        let expected = u128::from(under_way) * 1000;
        assert!(
            milli <= expected && milli * 100 >= expected * 99,
            "{milli} {expected}"
        );
    }
}

#[test]
fn operations_are_answered_in_the_shares_asked_for() {
    let summary = run(&profile("tiny"), &words(BUSY));
    let shares = [
        ("read", 600),
        ("write", 1950),
        ("trim", 300),
        ("flush", 150),
    ];
    for (operation, expected) in shares {
        let found = summary
            .operations
            .iter()
            .find(|kind| kind.operation == operation);
        let found = found.expect("it was asked for").count;
        // Four standard deviations of the largest share.
        assert!(found.abs_diff(expected) < 105, "{operation}: {found}");
    }
    assert_eq!(summary.answered, 3000);
}

/// What that does not bring about: writes of whole bands in order, parts of sectors, a reader in order.
const UNLIKE_BUSY: [&str; 3] = [
    "sequential write 256KiB 60-requests then-drain",
    "uniform write 1KiB 60-requests then-drain",
    "sequential read 4KiB 300-requests",
];

#[test]
fn events_add_up_to_the_summary_for_every_purpose() {
    let mut met = BTreeSet::new();
    for name in ["tiny", "flash-4tb", "control-5tb"] {
        for asked in [BUSY].into_iter().chain(UNLIKE_BUSY) {
            let (summary, jobs) = recorded(&profile(name), &words(asked));
            let mut sums: BTreeMap<&str, (u64, u64)> = BTreeMap::new();
            for job in &jobs {
                let (ns, bytes) = sums.entry(job.purpose.word()).or_default();
                *ns += job.duration.0;
                *bytes += job.bytes;
            }
            met.extend(sums.keys().copied());
            for used in &summary.purposes {
                let told = sums.remove(used.purpose).unwrap_or_default();
                let what = format!("{name}, {asked}: {}", used.purpose);
                assert_eq!(told, (used.arm_ns, used.bytes), "{what}");
            }
            assert!(sums.is_empty(), "{name}, {asked}: {sums:?}");
        }
    }
    let all: BTreeSet<&str> = Purpose::ALL.iter().map(|purpose| purpose.word()).collect();
    assert_eq!(met, all);
}

#[test]
fn jobs_that_clean_name_the_band_and_others_do_not() {
    let (summary, jobs) = recorded(&profile("tiny"), &words(BUSY));
    assert!(summary.status.counters.bands_cleaned > 0);
    for job in &jobs {
        let cleans = job.purpose.word().starts_with("clean-");
        if cleans {
            assert!(job.cleaning.is_some(), "{job:?}");
        }
        if ["host-read", "stage", "map-merge"].contains(&job.purpose.word()) {
            assert!(job.cleaning.is_none(), "{job:?}");
        }
    }
}

#[test]
fn causes_and_buckets_add_up_to_what_was_answered() {
    let summary = run(&profile("tiny"), &words(BUSY));
    let over_time = &summary.over_time.buckets;
    let answered: u64 = over_time.iter().map(|bucket| bucket.answered).sum();
    assert_eq!(answered, summary.answered);
    let written: u64 = over_time.iter().map(|bucket| bucket.written_bytes).sum();
    assert_eq!(written, summary.host_written_bytes);
    let slowest = over_time.iter().map(|bucket| bucket.slowest_ns).max();
    assert_eq!(slowest, summary.slowest.first().map(|slow| slow.took_ns));
    let stall = summary.longest_stall.expect("something took time");
    assert!(Some(stall.took_ns) <= slowest, "{stall:?}");
}

#[test]
fn bursts_leave_the_drive_alone_for_the_pause() {
    let workload = words("uniform read 4KiB 30-requests bursts-of-10 pause-10s");
    let summary = run(&profile("control-5tb"), &workload);
    // Three bursts of at most 10 requests of 50 ms each, two pauses.
    assert!((20_000_000_000..21_500_000_000).contains(&summary.answered_ns));
    assert!(summary.longest_stall.expect("reads take time").took_ns < 100_000_000);
}

#[test]
fn a_drained_drive_has_nothing_staged() {
    let mut tiny = profile("tiny");
    tiny.cleaning.style = imbrex::profile::CleaningStyle::Aggressive;
    let summary = run(&tiny, &words("uniform write 4KiB 200-requests then-drain"));
    assert!(
        summary
            .drained_ns
            .is_some_and(|at| at > summary.answered_ns)
    );
    assert_eq!(summary.status.dirty_bands, 0);
    let kept = run(
        &tiny,
        &words("uniform write 4KiB 200-requests 64-under-way"),
    );
    assert_eq!(kept.drained_ns, None);
}

#[test]
fn a_workload_that_does_not_fit_the_drive_is_refused_with_the_numbers() {
    let observers = || Observers {
        progress: Box::leak(Box::new(|_: &simulation::Progress| {})),
        jobs: None,
        answers: None,
    };
    let mut tiny = profile("tiny");
    let large = words("uniform read 4KiB first-1TB 1-requests");
    let refused = simulation::run(open::imagined(&tiny).expect("it fits"), &large, observers())
        .expect_err("too large");
    assert!(matches!(refused, SimulationError::OutOfRange { .. }));
    assert!(
        refused
            .to_string()
            .contains("1000000000000 bytes from 0 on"),
        "{refused}"
    );
    tiny.trim.enabled = false;
    let trims = words("uniform trim 4KiB 1-requests");
    let refused = simulation::run(open::imagined(&tiny).expect("it fits"), &trims, observers())
        .expect_err("no trim");
    assert!(matches!(
        refused,
        SimulationError::NoTrim { percent: 100, .. }
    ));
}

#[test]
fn a_file_of_events_holds_every_record() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::Field;

    let (_, jobs) = recorded(&profile("tiny"), &words(BUSY));
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let path = scratch.path().join("jobs.parquet");
    let file = std::fs::File::create_new(&path).expect("new");
    let about = [("seed", "1".to_owned())];
    let mut writer = EventWriter::new(file, &about).expect("it can be written");
    for part in jobs.chunks(1000) {
        writer.take(&mut part.to_vec()).expect("it can be written");
    }
    writer.finish().expect("it can be written");
    let reader = SerializedFileReader::try_from(path.as_path()).expect("it is Parquet");
    let rows: Vec<_> = reader.get_row_iter(None).expect("rows").collect();
    assert_eq!(rows.len(), jobs.len());
    let long = |value: u64| Field::Long(i64::try_from(value).expect("small"));
    let short = |value: u32| Field::Int(i32::try_from(value).expect("small"));
    let perhaps = |value: Option<u32>| value.map_or(Field::Null, |v| long(u64::from(v)));
    for (row, job) in rows.into_iter().zip(&jobs) {
        let row = row.expect("it can be read");
        let found: Vec<Field> = row
            .get_column_iter()
            .map(|(_, field)| field.clone())
            .collect();
        let expected = [
            long(job.job.0),
            long(job.start.0),
            long(job.duration.0),
            Field::Str(job.purpose.word().to_owned()),
            long(job.bytes),
            short(job.cylinder),
            short(job.surface),
            perhaps(job.band.map(|band| band.0)),
            perhaps(job.cleaning.map(|band| band.0)),
            long(job.staging_slots_used),
            long(job.dirty_bands),
        ];
        assert_eq!(found, expected);
    }
}

#[test]
fn reads_of_nothing_written_are_counted_and_told_until_the_drive_holds_something() {
    let workload = words("uniform 50%read 50%write 4KiB 400-requests");
    let tiny = profile("tiny");
    let on = |start: Start| {
        let observers = Observers {
            progress: &mut |_| {},
            jobs: None,
            answers: None,
        };
        let drive = start.drive(&tiny).expect("it fits");
        let course = Course::default();
        let outcome = simulation::carry_out(drive, Load::Made(&workload), &course, observers);
        outcome.expect("it runs").summary
    };
    let new = on(Start::New);
    let of = &new.operations;
    let reads = of.iter().find(|each| each.operation == "read");
    assert_eq!(new.reads_unwritten.reads, reads.expect("it reads").count);
    // 200 writes fill a tenth of the 2048 blocks at most.
    let (reads, unwritten) = (new.reads_unwritten.reads, new.reads_unwritten.unwritten);
    assert!(
        unwritten < reads && unwritten * 10 > reads * 8,
        "{unwritten} of {reads}"
    );
    let line = format!("{unwritten} of {reads} reads met nothing written");
    assert!(new.to_string().contains(&line), "{new}");
    let formatted = on(Start::Formatted);
    assert_eq!(formatted.reads_unwritten.reads, reads);
    assert_eq!(formatted.reads_unwritten.unwritten, 0);
    assert!(
        !formatted.to_string().contains("met nothing"),
        "{formatted}"
    );
}

#[test]
fn what_was_discarded_is_nothing_to_read_and_what_the_cache_holds_is_something() {
    let drive = || open::imagined(&profile("tiny")).expect("it fits");
    let counted = |asked: &[(Operation, u64)]| {
        let mut drive = drive();
        let capacity = drive.profile().drive.capacity_bytes;
        for (number, (operation, offset)) in (1..).zip(asked) {
            let id = RequestId(number);
            let request = Request::new(id, *operation, *offset, 4096, capacity).expect("in bounds");
            let now = Instant(number * 1_000_000_000);
            drive.submit(now, request);
            drive.advance(now);
        }
        let end = Instant(60_000_000_000);
        drive.advance(end);
        let counters = drive.status(end).counters;
        (counters.host_reads, counters.host_reads_unwritten)
    };
    let write = Operation::Write { fua: false };
    assert_eq!(counted(&[(Operation::Read, 0)]), (1, 1));
    assert_eq!(counted(&[(write, 0), (Operation::Read, 0)]), (1, 0));
    let discarded = [
        (write, 0),
        (Operation::Flush, 0),
        (Operation::Trim, 0),
        (Operation::Flush, 0),
    ];
    let mut asked = discarded.to_vec();
    asked.extend([(Operation::Read, 4096), (Operation::Read, 0)]);
    assert_eq!(counted(&asked), (2, 2));
}
