//! Who waits for whom: requests that others are preferred to, and requests that meet a cleaning.

use imbrex::drive::job_record::JobRecord;
use imbrex::drive::request::Completion;
use imbrex::medium::movement::Purpose;
use imbrex::profile::QueueOrder;
use imbrex::time::{Duration, Instant};

use crate::stopwatch::{READ, Stopwatch, WRITE, Wanted};
use crate::{KIB, MIB, PAGE, SECOND_NS, in_use};

const TIB: u64 = 1 << 40;
const ELECTRONICS: Duration = Duration::from_us(100);

/// The place in the order of service of a request at `far` that comes first, of the arm at `near` and
/// 40 requests behind that.
fn place(order: QueueOrder, far: u64, near: u64) -> usize {
    let mut control = Stopwatch::of("control-5tb", |profile| {
        profile.drive.queue_depth = 64;
        profile.drive.queue_order = order;
        profile.read_ahead_bytes = 0;
    });
    control.closed_loop(1, [(READ, near, PAGE)]);
    let others = (1..=40).map(|i| (READ, near + i * 64 * MIB, PAGE));
    let wanted: Vec<Wanted> = [(READ, far, PAGE)].into_iter().chain(others).collect();
    let done = control.closed_loop(wanted.len(), wanted);
    done.iter().position(|answer| answer.offset == far).unwrap()
}

/// Most of the requests lie nearer, and ahead of an elevator.
#[test]
fn the_oldest_request_lets_32_others_go_first_and_no_more() {
    assert_eq!(place(QueueOrder::Nearest, 4 * TIB, 0), 32);
    assert_eq!(place(QueueOrder::Elevator, 0, TIB), 32);
    assert_eq!(place(QueueOrder::Arrival, 0, TIB), 0);
}

/// The cleaning jobs that begin while a read waits that the arm could serve.
fn begun_before(read: &Completion, jobs: &[JobRecord]) -> usize {
    let ready = read.arrived + ELECTRONICS;
    let later = || jobs.iter().filter(|job| job.start > ready);
    let served = later()
        .find(|job| job.purpose == Purpose::HostRead)
        .unwrap();
    let cleaning = later().filter(|job| job.cleaning.is_some());
    cleaning.filter(|job| job.start < served.start).count()
}

fn jobs_of(drive: &mut Stopwatch) -> Vec<JobRecord> {
    let mut jobs = Vec::new();
    drive.drive.drain_jobs(&mut jobs);
    jobs
}

/// A band of the desktop takes 1.1 s to clean. A read that comes meanwhile waits for the step under way, and
/// then the idle delay begins anew.
#[test]
fn a_read_waits_for_a_step_of_idle_cleaning_and_then_the_drive_is_left_alone() {
    let mut clean = Stopwatch::of("desktop-5tb", in_use);
    clean.closed_loop(1, [(WRITE, 0, PAGE)]);
    clean.drive.record_jobs(true);
    clean.pause(SECOND_NS);
    let mut met = 0;
    for into_ms in (5..1_000).step_by(23) {
        let mut drive = clean.clone();
        drive.pause(into_ms * 1_000_000);
        assert_eq!(drive.drive.status(drive.now).cleaning_band, Some(0));
        let done = drive.closed_loop(1, [(READ, TIB, PAGE)]);
        met += usize::from(done[0].behind.is_some());
        assert_eq!(begun_before(&done[0], &jobs_of(&mut drive)), 0, "{done:?}");
        let quiet = done[0].due + Duration(SECOND_NS);
        drive.pause(quiet.0 - drive.now.0 - 1);
        assert!(jobs_of(&mut drive).iter().all(|job| job.cleaning.is_none()));
        drive.pause(1);
        let begun = jobs_of(&mut drive);
        assert!(!begun.is_empty() && begun.iter().all(|job| job.start == quiet));
    }
    assert!(met > 30, "{met} reads waited");
}

/// 64 slots, 8 to a staging band: the last write has eight bands cleaned. Reads that come meanwhile wait for
/// a step each.
#[test]
fn a_read_waits_for_a_step_of_the_cleaning_that_a_write_needs() {
    let band = 256 * KIB;
    let mut full = Stopwatch::of("tiny", in_use);
    full.closed_loop(
        1,
        (0..64).map(|i| (WRITE, i % 8 * band + i / 8 * 4 * PAGE, PAGE)),
    );
    full.drive.record_jobs(true);
    let now = full.now;
    let late = |after_ms: u64| Instant(now.0 + after_ms * 1_000_000);
    for after_ms in (5..400).step_by(29) {
        let mut drive = full.clone();
        let write = (now, (WRITE, 9 * band, PAGE));
        let read = (late(after_ms), (READ, 12 * band, PAGE));
        let done = drive.open_loop([write, read]);
        let [first, last] = &done[..] else {
            panic!("two answers: {done:?}");
        };
        assert_eq!((first.operation, last.operation), (READ, WRITE));
        assert!(
            first.room_by.is_some() && last.room_by.is_some(),
            "{done:?}"
        );
        assert_eq!(begun_before(first, &jobs_of(&mut drive)), 0, "{done:?}");
    }
}
