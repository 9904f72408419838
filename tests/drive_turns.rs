//! When the drive turns to what: nobody waits for ever, and cleaning begins when its style says.

#![allow(clippy::unwrap_used)] // a test asserts

use imbrex::drive::Drive;
use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::movement::{Purpose, RequestId, Step};
use imbrex::profile::{CleaningStyle, Profile, QueueOrder};
use imbrex::time::{Duration, Instant};

fn tiny() -> Profile {
    Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
}

fn prefilled(profile: &Profile) -> Drive {
    let mut drive = open::imagined(profile).unwrap();
    let capacity = profile.drive.capacity_bytes;
    for (i, at) in (0..capacity).step_by(64 << 10).enumerate() {
        let id = RequestId(u64::try_from(i).unwrap() + 1);
        let request = Request::new(id, Operation::Write { fua: true }, at, 64 << 10, capacity);
        drive.submit(Instant::default(), request.unwrap());
    }
    drive.advance(Instant(1_000_000_000_000));
    drive.drain_effects(&mut Vec::new());
    assert!(drive.idle());
    drive
}

#[test]
fn a_flush_is_answered_though_the_host_never_stops_reading() {
    let profile = tiny();
    let mut drive = prefilled(&profile);
    let start = Instant(1_000_000_000_000);
    let capacity = profile.drive.capacity_bytes;
    let ask = |id, operation, at, bytes| Request::new(id, operation, at, bytes, capacity).unwrap();
    drive.submit(
        start,
        ask(RequestId(900), Operation::Write { fua: false }, 0, 4096),
    );
    drive.submit(start, ask(RequestId(901), Operation::Flush, 0, 0));
    let mut at = 0;
    let took = answered_from(&mut drive, start, RequestId(901), 4, |id| {
        at = (at + 1_310_720) % capacity;
        ask(id, Operation::Read, at, 4096)
    });
    assert!(
        took.is_some_and(|took| took < Duration::from_ms(2000)),
        "{took:?}"
    );
}

#[test]
fn a_flush_is_answered_though_a_stream_of_writes_never_ends() {
    let mut profile = tiny();
    // More than many entries take.
    profile.write_cache.bytes = 1 << 20;
    let mut drive = open::imagined(&profile).unwrap();
    let capacity = profile.drive.capacity_bytes;
    let ask = |id, operation, at, bytes| Request::new(id, operation, at, bytes, capacity).unwrap();
    let start = Instant::default();
    let write = Operation::Write { fua: false };
    // The sweep of the cache is past the address that the flush is about.
    drive.submit(start, ask(RequestId(890), write, 1 << 20, 4096));
    drive.submit(start, ask(RequestId(891), Operation::Flush, 0, 0));
    let start = start + Duration::from_ms(500);
    drive.submit(start, ask(RequestId(900), write, 0, 4096));
    drive.submit(start, ask(RequestId(901), Operation::Flush, 0, 0));
    let mut at = 1 << 20;
    let took = answered_from(&mut drive, start, RequestId(901), 64, |id| {
        at = (at + 8192) % capacity;
        ask(id, write, at, 4096)
    });
    assert!(
        took.is_some_and(|took| took < Duration::from_ms(500)),
        "{took:?}"
    );
}

#[test]
fn a_far_read_is_answered_though_near_ones_keep_coming() {
    for watched in [Operation::Read, Operation::Write { fua: true }] {
        let mut profile = tiny();
        profile.drive.queue_order = QueueOrder::Nearest;
        profile.read_ahead_bytes = 0;
        let mut drive = prefilled(&profile);
        let start = Instant(1_000_000_000_000);
        let capacity = profile.drive.capacity_bytes;
        let ask = |id, operation, at| Request::new(id, operation, at, 4096, capacity).unwrap();
        // The arm is where the near ones are.
        drive.submit(start, ask(RequestId(890), Operation::Read, 0));
        let start = start + Duration::from_ms(100);
        drive.advance(start);
        for i in 1..4 {
            drive.submit(start, ask(RequestId(890 + i), Operation::Read, i * 4096));
        }
        drive.submit(start, ask(RequestId(900), Operation::Read, capacity - 4096));
        drive.submit(start, ask(RequestId(901), watched, capacity - 8192));
        let mut at = 12288;
        let took = answered_from(&mut drive, start, RequestId(901), 4, |id| {
            at = (at + 4096) % 65536;
            ask(id, Operation::Read, at)
        });
        assert!(
            took.is_some_and(|took| took < Duration::from_ms(3000)),
            "{took:?}"
        );
    }
}

/// Lets the host keep the drive busy with `depth` requests at a time that `next` makes, and tells
/// how long `watched` took; `None`: more than a minute.
fn answered_from(
    drive: &mut Drive,
    start: Instant,
    watched: RequestId,
    depth: usize,
    mut next: impl FnMut(RequestId) -> Request,
) -> Option<Duration> {
    let mut now = start;
    let mut asked = 1000;
    let mut under_way: Vec<RequestId> = Vec::new();
    let mut due: Vec<(Instant, RequestId)> = Vec::new();
    while now.since(start) < Duration::from_ms(60_000) {
        let mut effects = Vec::new();
        drive.drain_effects(&mut effects);
        for effect in effects {
            if let Effect::Complete(done) = effect {
                if done.request == watched {
                    return Some(done.due.since(done.arrived));
                }
                due.push((done.due, done.request));
            }
        }
        due.retain(|(at, id)| {
            if *at <= now {
                under_way.retain(|other| other != id);
            }
            *at > now
        });
        if under_way.len() < depth {
            asked += 1;
            under_way.push(RequestId(asked));
            drive.submit(now, next(RequestId(asked)));
            continue;
        }
        let deadline = drive.next_deadline().map(|deadline| deadline.at);
        let answer = due.iter().map(|(at, _)| *at).min();
        now = now.max([deadline, answer].into_iter().flatten().min().unwrap());
        drive.advance(now);
    }
    None
}

#[test]
fn cleaning_begins_when_its_style_says() {
    for style in [CleaningStyle::Aggressive, CleaningStyle::Lazy] {
        let mut profile = tiny();
        profile.cleaning.style = style;
        profile.write_cache.enabled = false;
        let mut drive = open::imagined(&profile).unwrap();
        let capacity = profile.drive.capacity_bytes;
        let slots = profile.staging.as_ref().unwrap().slots;
        let high = u64::from(profile.cleaning.high_mark_percent);
        let mut last = Instant::default();
        let mut begun = Vec::new();
        let mut effects = Vec::new();
        for i in 0..slots {
            let now = last + Duration::from_ms(10);
            let operation = Operation::Write { fua: true };
            let request = Request::new(RequestId(i + 1), operation, i * 40960, 4096, capacity);
            drive.submit(now, request.unwrap());
            // Alone until a moment before the delay is over, and until that moment.
            while drive.next_deadline().is_some_and(|d| d.host_waits) {
                drive.advance(drive.next_deadline().unwrap().at);
            }
            drive.drain_effects(&mut effects);
            for effect in effects.drain(..) {
                if let Effect::Complete(done) = effect {
                    last = done.due;
                }
            }
            let used = drive.status(now).staging_slots_used;
            let expected = match style {
                CleaningStyle::Aggressive => true,
                CleaningStyle::Lazy => used * 100 >= high * slots,
            };
            let due = last + profile.cleaning.idle_delay;
            let cleans = |drive: &mut Drive, at| {
                drive.advance(at);
                let mut effects = Vec::new();
                drive.drain_effects(&mut effects);
                effects.iter().any(|effect| match effect {
                    Effect::Move(plan) => plan.steps.iter().any(
                        |step| matches!(step, Step::Move(m) if m.purpose == Purpose::CleanGather),
                    ),
                    _ => false,
                })
            };
            assert!(
                !cleans(&mut drive, Instant(due.0 - 1)),
                "too early: {style:?}"
            );
            assert_eq!(cleans(&mut drive, due), expected, "{style:?} {used}");
            begun.push(expected);
            if expected {
                break;
            }
            last = due;
        }
        assert!(begun.contains(&true), "{style:?}");
        let lazy = style == CleaningStyle::Lazy;
        assert_eq!(begun.len() > 40, lazy, "{style:?}: {}", begun.len());
    }
}
