//! What a drive was asked and answered is recorded, and a replay of it gives the same answers at the
//! same moments; a recording that is none is refused with what is wrong.

#![allow(clippy::unwrap_used)] // a test asserts

mod served;

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use imbrex::drive::request::{Breakdown, Completion, Operation};
use imbrex::host::handle::{Answer, Ask};
use imbrex::host::recorder::{Answered, Recorder, Told};
use imbrex::image::open;
use imbrex::lab::agreement::Agreement;
use imbrex::lab::recording::{Recording, RecordingError, RecordingWriter};
use imbrex::lab::simulation::{self, Observers, SimulationError};
use imbrex::lab::workload::Workload;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::movement::RequestId;
use imbrex::profile::Profile;
use imbrex::time::{Duration, Instant};
use served::{Served, new_image};
use tempfile::TempDir;

fn tiny() -> Profile {
    let text = Profile::built_in("tiny").expect("a shipped profile");
    Profile::from_toml("tiny", text).expect("it is valid")
}

fn folder() -> (TempDir, PathBuf) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("requests.parquet");
    (folder, path)
}

fn write(path: &Path, answers: &[Answered], profile: &Profile) {
    let about = [("profile", profile.to_toml())];
    let file = File::create(path).expect("a new file");
    let mut writer = RecordingWriter::new(file, &about).expect("it begins");
    writer.take(answers).expect("it takes them");
    writer.finish().expect("it ends");
}

/// A replay, and all its answers by number.
fn replay(
    profile: &Profile,
    recording: &Recording,
) -> Result<BTreeMap<RequestId, Completion>, SimulationError> {
    let mut answers = BTreeMap::new();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: Some(&mut |batch| {
            let pairs = batch.iter().map(|a| (a.completion.request, a.completion));
            answers.extend(pairs);
            Ok(())
        }),
    };
    simulation::replay(
        open::imagined(profile).expect("it fits"),
        recording,
        observers,
    )?;
    Ok(answers)
}

/// All but the numbers, which a replay gives anew.
fn essence(completion: &Completion) -> (Operation, u64, u64, Instant, Instant, Breakdown) {
    (
        completion.operation,
        completion.offset,
        completion.bytes,
        completion.arrived,
        completion.due,
        completion.breakdown,
    )
}

fn assert_same(told: &[Answered], profile: &Profile) {
    let (_folder, path) = folder();
    write(&path, told, profile);
    let recording = Recording::read(&path).expect("it was just written");
    let own = recording.profile.as_deref().expect("it is inside");
    assert_eq!(&Profile::from_toml("own", own).expect("valid"), profile);
    let replayed = replay(profile, &recording).expect("it fits");
    let mut told: Vec<Completion> = told.iter().map(|answered| answered.completion).collect();
    told.sort_by_key(|completion| completion.request);
    assert_eq!(told.len(), replayed.len());
    for (was, is) in told.iter().zip(replayed.values()) {
        assert_eq!(essence(was), essence(is));
        assert_eq!(was.cause(), is.cause());
    }
    let again: Vec<Completion> = replayed.into_values().collect();
    let agreement = Agreement::of_replay(&recording.requests, &again);
    assert_eq!(agreement.same_moment, u64::try_from(told.len()).ok());
}

#[test]
fn the_replay_of_a_simulation_is_the_simulation() {
    let words = "uniform 20%read 65%write 10%trim 5%flush 12KiB 2000-requests 8-under-way \
                 bursts-of-300 pause-3s";
    let workload = Workload::from_words(words).expect("the words are known");
    let profile = tiny();
    let mut told = Vec::new();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: Some(&mut |batch| {
            told.extend_from_slice(batch);
            Ok(())
        }),
    };
    simulation::run(
        open::imagined(&profile).expect("it fits"),
        &workload,
        observers,
    )
    .expect("it runs");
    assert_eq!(told.len(), 2000);
    assert_same(&told, &profile);
}

/// The n-th of a mixture of everything, of any alignment.
fn ask(n: u64, capacity: u64) -> Ask {
    let bytes = 512 * (1 + n * 7 % 60);
    let offset = n * 7_919 * 512 % (capacity - bytes);
    let fua = n.is_multiple_of(5);
    match n % 11 {
        0 => Ask::Flush,
        1 => Ask::Trim { offset, bytes, fua },
        2 => Ask::WriteZeroes {
            offset,
            bytes,
            fua,
            may_deallocate: n.is_multiple_of(2),
        },
        3..6 => Ask::Read { offset, bytes },
        _ => Ask::Write {
            offset,
            data: vec![1; usize::try_from(bytes).expect("small")],
            fua,
        },
    }
}

#[test]
fn the_replay_of_a_served_drive_gives_its_answers_to_the_nanosecond() {
    for cached in [true, false] {
        let mut profile = tiny();
        profile.write_cache.enabled = cached;
        let store: MemoryStore = new_image(&profile);
        let (recorder, answers) = Recorder::new();
        let served = Served::start_recorded(&store, recorder);
        let capacity = profile.drive.capacity_bytes;
        let (sender, receiver) = crossbeam_channel::bounded(8);
        for n in 0..1500 {
            let sender = sender.clone();
            let reply = move |reply: imbrex::host::handle::Reply| {
                sender.send(reply.outcome).expect("it is waited for");
            };
            served.handle.send(ask(n, capacity), Box::new(reply));
            // Eight at a time at most, and now and then none.
            if n % 8 == 7 {
                for _ in 0..8 {
                    let outcome = receiver.recv().expect("answered");
                    assert!(matches!(outcome, Ok(Answer::Done | Answer::Data(_))));
                }
            }
        }
        served.stop().expect("it shuts down");
        let told: Vec<Answered> = answers.iter().flat_map(Told::answers).collect();
        assert!(told.len() >= 1500, "{}", told.len());
        assert_same(&told, &profile);
    }
}

fn answered(request: u64, arrived: u64, due: u64) -> Answered {
    Answered {
        completion: Completion {
            request: RequestId(request),
            operation: Operation::Read,
            offset: 0,
            bytes: 4096,
            arrived: Instant(arrived),
            due: Instant(due),
            needs: None,
            breakdown: Breakdown::default(),
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        },
        lag: Duration(17),
    }
}

fn refused(answers: &[Answered]) -> String {
    let (_folder, path) = folder();
    write(&path, answers, &tiny());
    let error = Recording::read(&path).expect_err("it makes no sense");
    assert!(matches!(error, RecordingError::Row { .. }), "{error}");
    error.to_string()
}

#[test]
fn rows_that_make_no_sense_are_refused_by_number() {
    for (answers, what) in [
        (vec![answered(3, 20, 10)], "request 3 of"),
        (
            vec![answered(1, 5, 10), answered(1, 5, 10)],
            "its number occurs twice",
        ),
        (
            vec![answered(2, 5, 10), answered(1, 6, 10)],
            "it arrives before request 1",
        ),
        (vec![answered(1, u64::MAX, u64::MAX)], "beyond all bounds"),
    ] {
        let told = refused(&answers);
        assert!(told.contains(what), "{told}");
    }
}

#[test]
fn a_recording_of_a_larger_drive_is_refused_with_the_request() {
    let (_folder, path) = folder();
    let mut far = answered(7, 1, 2);
    far.completion.offset = 1 << 40;
    write(&path, &[far], &tiny());
    let recording = Recording::read(&path).expect("nothing wrong with it");
    assert_eq!(recording.requests[0].lag, Duration(17));
    let error = replay(&tiny(), &recording).expect_err("it is too small");
    let told = error.to_string();
    assert!(
        told.contains("request 7 ") && told.contains("past the end"),
        "{told}"
    );
}

#[test]
fn a_file_of_something_else_is_told_apart() {
    let (_folder, path) = folder();
    std::fs::write(&path, b"no columns at all").expect("a file");
    let error = Recording::read(&path).expect_err("it is no recording");
    assert!(matches!(error, RecordingError::NotOne { .. }), "{error}");
    let missing = path.with_extension("missing");
    let error = Recording::read(&missing).expect_err("it is not there");
    assert!(matches!(error, RecordingError::Open { .. }), "{error}");
}

#[test]
fn requests_are_handed_on_in_their_order_however_late_their_answers_stand_in_the_file() {
    use imbrex::lab::playback::Playback;

    // Every thousandth request is answered after all others: the file holds several stretches of rows.
    let count = 40_000;
    let late = |n: u64| n % 1000 == 1;
    let all = || 1..=count;
    let rows: Vec<Answered> = all()
        .filter(|n| !late(*n))
        .chain(all().filter(|n| late(*n)))
        .map(|n| answered(n, n, 100_000 + n))
        .collect();
    let (_folder, path) = folder();
    write(&path, &rows, &tiny());
    let playback = Playback::open(&path).expect("nothing wrong with it");
    assert_eq!((playback.requests, playback.end_bytes), (count, 4096));
    let numbers: Vec<u64> = playback
        .read()
        .expect("it is still there")
        .map(|request| request.expect("it was looked through").number)
        .collect();
    assert_eq!(numbers, all().collect::<Vec<_>>());
}

#[test]
fn a_replay_that_reads_as_it_goes_is_the_replay() {
    use imbrex::lab::playback::Playback;
    use imbrex::lab::replay::How;

    let rows: Vec<Answered> = (1..=20_000)
        .map(|n| {
            let mut row = answered(n, n * 3_000_000, n * 3_000_000);
            row.completion.offset = n * 7 % 2000 * 4096;
            row.completion.operation = Operation::Write { fua: n % 9 == 0 };
            row
        })
        .collect();
    let (_folder, path) = folder();
    write(&path, &rows, &tiny());
    let recording = Recording::read(&path).expect("nothing wrong with it");
    let whole = replay(&tiny(), &recording).expect("it fits");
    let playback = Playback::open(&path).expect("nothing wrong with it");
    let mut read = BTreeMap::new();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: Some(&mut |batch| {
            read.extend(batch.iter().map(|a| (a.completion.request, a.completion)));
            Ok(())
        }),
    };
    simulation::play_back(
        open::imagined(&tiny()).unwrap(),
        &playback,
        How::default(),
        observers,
    )
    .expect("it fits");
    assert_eq!(read, whole);
}
