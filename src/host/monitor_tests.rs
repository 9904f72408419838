//! Every limit trips above its time and not at it, for requests that are answered and for those that
//! wait, and each request once.

use proptest::prelude::*;

use super::*;
use crate::drive::request::Breakdown;

fn request(id: u64, operation: Operation) -> Request {
    let bytes = if operation == Operation::Flush {
        0
    } else {
        4096
    };
    Request::new(RequestId(id), operation, 0, bytes, 1 << 20).expect("it is in bounds")
}

fn completion(id: u64, operation: Operation, arrived: Instant, took: Duration) -> Completion {
    Completion {
        request: RequestId(id),
        operation,
        offset: 0,
        bytes: 4096,
        arrived,
        due: arrived + took,
        needs: None,
        breakdown: Breakdown {
            seek: took,
            ..Breakdown::default()
        },
        behind: None,
        room_by: None,
        missed_by: None,
        failing: None,
    }
}

fn trips(monitor: &Monitor) -> Vec<(TimeLimit, u64)> {
    let all = monitor.snapshot().into_iter();
    all.filter(|tripped| tripped.trips > 0)
        .map(|tripped| (tripped.limit, tripped.trips))
        .collect()
}

/// What a single command that took so many seconds trips, by the list of limits in `docs/control.md`.
fn expected(operation: Operation, seconds: u64) -> Vec<(TimeLimit, u64)> {
    let flush = operation == Operation::Flush;
    let rows = [
        (
            TimeLimit::ArrayRecovery,
            7,
            !flush && operation != Operation::Trim,
        ),
        (TimeLimit::ClusterHeartbeat, 20, true),
        (TimeLimit::DiskCommand, 30, !flush),
        (TimeLimit::Flush, 60, flush),
        (TimeLimit::HungTask, 120, true),
        (TimeLimit::PoolDeadman, 300, true),
    ];
    rows.into_iter()
        .filter(|(_, above, holds)| *holds && seconds > *above)
        .map(|(limit, ..)| (limit, 1))
        .collect()
}

const OPERATIONS: [Operation; 4] = [
    Operation::Read,
    Operation::Write { fua: false },
    Operation::Flush,
    Operation::Trim,
];

#[test]
fn an_answered_command_trips_the_limits_that_it_is_above_of() {
    for operation in OPERATIONS {
        for seconds in [0, 7, 8, 20, 21, 30, 31, 60, 61, 120, 121, 300, 301] {
            let mut monitor = Monitor::new();
            let arrived = Instant(5);
            monitor.arrived(&request(1, operation), arrived);
            monitor.answered(&completion(
                1,
                operation,
                arrived,
                Duration::from_s(seconds),
            ));
            assert_eq!(
                trips(&monitor),
                expected(operation, seconds),
                "{operation:?} {seconds}"
            );
        }
    }
}

#[test]
fn a_waiting_command_trips_them_too_and_only_once() {
    for operation in OPERATIONS {
        let mut monitor = Monitor::new();
        monitor.arrived(&request(1, operation), Instant(0));
        for seconds in 0..400 {
            let now = Instant(0) + Duration::from_s(seconds);
            assert!(monitor.look(now, &[]).is_empty());
            assert_eq!(
                trips(&monitor),
                expected(operation, seconds),
                "{operation:?} {seconds}"
            );
        }
        let told = monitor.snapshot();
        assert!(
            told.iter()
                .flat_map(|limit| &limit.first)
                .all(|trip| trip.took_ns.is_none())
        );
        let took = Duration::from_s(400);
        monitor.answered(&completion(1, operation, Instant(0), took));
        assert_eq!(trips(&monitor), expected(operation, 400));
        let told = monitor.snapshot();
        let mut each = told.iter().flat_map(|limit| &limit.first);
        assert!(each.all(|trip| trip.took_ns == Some(took.0) && trip.cause == "seek 400 s"));
    }
}

#[test]
fn a_late_delivery_by_this_machine_trips_nothing() {
    let mut monitor = Monitor::new();
    monitor.arrived(&request(1, Operation::Read), Instant(0));
    monitor.due(RequestId(1), Instant(0) + Duration::from_s(1));
    monitor.look(Instant(0) + Duration::from_s(1000), &TimeLimit::ALL);
    monitor.answered(&completion(
        1,
        Operation::Read,
        Instant(0),
        Duration::from_s(1),
    ));
    assert_eq!(trips(&monitor), []);
}

#[test]
fn enforced_limits_name_the_commands_to_fail_at_their_moment() {
    let mut monitor = Monitor::new();
    let enforced = [TimeLimit::Flush, TimeLimit::DiskCommand];
    monitor.arrived(&request(1, Operation::Read), Instant(0));
    monitor.arrived(&request(2, Operation::Flush), Instant(3));
    let limit = |seconds| Instant(0) + Duration::from_s(seconds);
    assert_eq!(
        monitor.next_moment(&enforced),
        Some(limit(30) + Duration(1))
    );
    assert_eq!(monitor.look(limit(30), &enforced), []);
    let failed = (RequestId(1), TimeLimit::DiskCommand, limit(30));
    assert_eq!(monitor.look(limit(31), &enforced), [failed]);
    monitor.given_up(RequestId(1), "failed at the limit");
    assert_eq!(monitor.look(limit(60), &enforced), []);
    let failed = (RequestId(2), TimeLimit::Flush, limit(60) + Duration(3));
    assert_eq!(monitor.look(limit(61), &enforced), [failed]);
    monitor.given_up(RequestId(2), "failed at the limit");
    assert_eq!(monitor.next_moment(&enforced), None);
}

#[test]
fn the_page_has_a_row_for_every_limit() {
    let page = include_str!("../../docs/control.md");
    for limit in TimeLimit::ALL {
        let row = format!("\n| `{limit}` | {} | ", limit.duration());
        assert!(page.contains(&row), "{row}");
    }
}

#[test]
fn one_that_waits_for_long_does_not_hide_one_that_came_later() {
    let mut monitor = Monitor::new();
    let enforced = [TimeLimit::ArrayRecovery];
    let at = |seconds| Instant(0) + Duration::from_s(seconds);
    monitor.arrived(&request(1, Operation::Flush), at(0));
    assert_eq!(monitor.look(at(61), &enforced), []);
    monitor.arrived(&request(2, Operation::Read), at(62));
    assert_eq!(monitor.next_moment(&enforced), Some(at(69) + Duration(1)));
    let failed = (RequestId(2), TimeLimit::ArrayRecovery, at(69));
    assert_eq!(monitor.look(at(70), &enforced), [failed]);
}

#[test]
fn nothing_happens_at_the_limit_of_one_whose_answer_is_due_before() {
    let mut monitor = Monitor::new();
    monitor.arrived(&request(1, Operation::Read), Instant(0));
    monitor.due(RequestId(1), Instant(9));
    assert_eq!(monitor.next_moment(&TimeLimit::ALL), None);
    monitor.held();
    assert!(monitor.next_moment(&TimeLimit::ALL).is_some());
}

#[test]
fn eight_slow_commands_within_a_minute_take_the_drive_out_and_seven_do_not() {
    let slow = Duration::from_s(31);
    let run = |every: Duration, commands: u64| {
        let mut monitor = Monitor::new();
        for id in 0..commands {
            let arrived = Instant(id * every.0);
            monitor.answered(&completion(id, Operation::Read, arrived, slow));
        }
        let out = monitor.take_too_many();
        assert!(!monitor.take_too_many(), "it is told once");
        let dropped = monitor.snapshot()[TimeLimit::SlowCommands.place()].dropped_ns;
        assert_eq!(out, dropped.is_some());
        dropped
    };
    assert_eq!(run(Duration::from_s(8), 7), None);
    // The eighth comes 56 s after the first, and is above the limit 30 s later.
    assert_eq!(run(Duration::from_s(8), 8), Some(Duration::from_s(86).0));
    assert_eq!(run(Duration::from_s(9), 100), None, "7 in any minute");
}

proptest! {
    #[test]
    fn looking_often_or_never_finds_the_same_trips(
        waits in prop::collection::vec((0..100_u64, 1..400_u64), 1..20), every in 1..60_u64,
    ) {
        let mut requests: Vec<(Instant, Duration)> = Vec::new();
        let mut at = 0;
        for (after, took) in waits {
            at += after;
            requests.push((Instant(0) + Duration::from_s(at), Duration::from_s(took)));
        }
        let (mut often, mut never) = (Monitor::new(), Monitor::new());
        for (id, (arrived, took)) in (0..).zip(&requests) {
            never.answered(&completion(id, Operation::Read, *arrived, *took));
        }
        let end = requests.iter().map(|(arrived, took)| (*arrived + *took).0).max();
        let end = end.unwrap_or(0) / 1_000_000_000 + every + 1;
        let mut answered = vec![false; requests.len()];
        let mut arrived_too = vec![false; requests.len()];
        for second in (0..=end).filter(|second| second % every == 0) {
            let now = Instant(0) + Duration::from_s(second);
            for (id, (arrived, took)) in (0..).zip(&requests) {
                let place = usize::try_from(id).expect("few");
                if *arrived <= now && !arrived_too[place] {
                    arrived_too[place] = true;
                    often.arrived(&request(id, Operation::Read), *arrived);
                    often.due(RequestId(id), *arrived + *took);
                }
            }
            often.look(now, &[]);
            for (id, (arrived, took)) in (0..).zip(&requests) {
                let place = usize::try_from(id).expect("few");
                if arrived_too[place] && *arrived + *took <= now && !answered[place] {
                    answered[place] = true;
                    often.answered(&completion(id, Operation::Read, *arrived, *took));
                }
            }
        }
        let plain = |monitor: &Monitor| {
            let all = monitor.snapshot().into_iter();
            let plain = all.filter(|tripped| tripped.limit != TimeLimit::SlowCommands);
            plain.map(|tripped| (tripped.limit, tripped.trips, tripped.dropped_ns)).collect::<Vec<_>>()
        };
        for ((limit, trips, dropped), (_, expected, first)) in plain(&often).into_iter().zip(plain(&never)) {
            prop_assert_eq!(trips, expected, "{}", limit);
            prop_assert_eq!(dropped.is_some(), first.is_some(), "{}", limit);
        }
    }
}
