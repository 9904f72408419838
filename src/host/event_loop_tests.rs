//! Turns of the loop by hand: a stand-in drive, a stepped clock, a store in memory. Nobody sleeps.

use std::num::NonZeroU32;

use crossbeam_channel::Sender;

use super::*;
use crate::drive::request::{Refusal, Whereabouts};
use crate::host::account::LAG_NOTICED;
use crate::host::bell::Bell;
use crate::host::clock::{Pace, Stepping};
use crate::host::handle::{Handle, Reply};
use crate::host::stand_in::{Dials, StandIn, info};
use crate::medium::memory_store::{Fate, MemoryStore};
use crate::medium::store::Store;
use crate::time::Duration;

#[path = "behind_tests.rs"]
mod behind;
#[path = "caching_tests.rs"]
mod caching;
#[path = "discreet_tests.rs"]
mod discreet;
#[path = "obeying_tests.rs"]
mod obeying;
#[path = "recording_tests.rs"]
mod recording;

const CAPACITY: u64 = 1 << 20;
const TAKES: Duration = Duration::from_ms(10);

struct Rig {
    event_loop: EventLoop<StandIn>,
    time: Stepping,
    handle: Handle,
    store: MemoryStore,
    dials: Dials,
    told: Sender<(u64, Reply)>,
    replies: Receiver<(u64, Reply)>,
    asked: u64,
}

fn rig(pace: Pace, machine: StandIn, info: DriveInfo) -> Rig {
    let (time, store) = (Stepping::default(), MemoryStore::new(CAPACITY));
    let (sender, calls) = crossbeam_channel::bounded(64);
    let info = Arc::new(info);
    let bell = Arc::new(Bell::new().expect("an eventfd"));
    let handle = Handle::new(Arc::clone(&info), sender, bell);
    let dials = machine.dials.clone();
    let mover = Mover::plain(Box::new(store.clone()));
    let clock = Clock::stepping(time.clone(), pace);
    let (told, replies) = crossbeam_channel::unbounded();
    Rig {
        event_loop: EventLoop::new(machine, mover, clock, info, calls),
        time,
        handle,
        store,
        dials,
        told,
        replies,
        asked: 0,
    }
}

fn plain_rig(pace: Pace) -> Rig {
    rig(pace, StandIn::new(TAKES, false), info(CAPACITY))
}

impl Rig {
    /// Sends an ask; its reply will carry the number.
    fn ask(&mut self, ask: Ask) -> u64 {
        let (number, told) = (self.asked, self.told.clone());
        self.asked += 1;
        self.handle.send(
            ask,
            Box::new(move |reply| told.send((number, reply)).expect("the rig is there")),
        );
        number
    }

    /// Turns until there is nothing to do now.
    fn settle(&mut self) -> Next {
        for _ in 0..1000 {
            match self.event_loop.turn() {
                Next::Turn => {}
                rest => return rest,
            }
        }
        panic!("the loop does not come to rest");
    }

    fn replies(&self) -> Vec<(u64, Reply)> {
        self.replies.try_iter().collect()
    }

    /// Asks and settles, and expects the one reply.
    fn outcome(&mut self, ask: Ask) -> Result<Answer, HostError> {
        let number = self.ask(ask);
        self.settle();
        let mut replies = self.replies();
        assert_eq!(replies.len(), 1, "{replies:?}");
        let (of, reply) = replies.pop().expect("one");
        assert_eq!(of, number);
        reply.outcome
    }
}

fn read(offset: u64) -> Ask {
    Ask::Read {
        offset,
        bytes: 4096,
    }
}

fn write(offset: u64, value: u8) -> Ask {
    Ask::Write {
        offset,
        data: vec![value; 4096],
        fua: false,
    }
}

#[test]
fn an_answer_is_given_when_its_moment_has_come_and_not_before() {
    for late_plans in [false, true] {
        let mut rig = rig(Pace::Real, StandIn::new(TAKES, late_plans), info(CAPACITY));
        rig.time.step(Duration::from_ms(3));
        rig.ask(read(0));
        let due = Instant(0) + Duration::from_ms(13);
        assert_eq!(rig.settle(), Next::Rest(Some(due)));
        rig.time.step(Duration(TAKES.0 - 1));
        assert_eq!(rig.settle(), Next::Rest(Some(due)));
        assert!(rig.replies().is_empty());
        rig.time.step(Duration(1));
        assert_eq!(rig.settle(), Next::Rest(None));
        let replies = rig.replies();
        assert_eq!(replies.len(), 1);
        let completion = replies[0].1.completion.expect("timing of a read");
        assert_eq!(
            (completion.due, completion.breakdown.lag),
            (due, Duration(0))
        );
    }
}

#[test]
fn a_pace_ten_times_as_fast_takes_a_tenth_of_the_time() {
    let [model, real] = [10, 1].map(|n| NonZeroU32::new(n).expect("not 0"));
    let mut rig = plain_rig(Pace::Factor { model, real });
    rig.ask(read(0));
    rig.settle();
    rig.time.step(Duration(999_999));
    rig.settle();
    assert!(rig.replies().is_empty());
    rig.time.step(Duration(1));
    rig.settle();
    assert_eq!(rig.replies().len(), 1);
}

#[test]
fn the_drive_sees_its_own_moments_exactly_and_before_what_arrives_later() {
    let mut rig = rig(Pace::Real, StandIn::new(TAKES, true), info(CAPACITY));
    rig.ask(read(0));
    rig.settle();
    rig.time.step(Duration::from_ms(15));
    rig.ask(read(0));
    rig.settle();
    rig.time.step(Duration::from_ms(99));
    rig.settle();
    let ms = |n| Instant(0) + Duration::from_ms(n);
    assert_eq!(
        *rig.dials.log.lock().expect("no panic"),
        [
            ("submit", ms(0)),
            ("advance", ms(10)),
            ("submit", ms(15)),
            ("advance", ms(25))
        ]
    );
}

#[test]
fn answers_come_in_the_order_of_their_moments() {
    let mut rig = plain_rig(Pace::Real);
    for n in 0..5 {
        rig.ask(read(n * 4096));
        rig.settle();
        rig.time.step(Duration::from_ms(1));
    }
    rig.time.step(Duration::from_s(1));
    rig.settle();
    let order: Vec<u64> = rig.replies().iter().map(|(number, _)| *number).collect();
    assert_eq!(order, [0, 1, 2, 3, 4]);
}

#[test]
fn with_the_pace_off_nobody_waits_and_the_model_still_says_how_long_it_took() {
    for late_plans in [false, true] {
        let mut rig = rig(Pace::Off, StandIn::new(TAKES, late_plans), info(CAPACITY));
        for n in 1..=100 {
            rig.ask(read(0));
            rig.settle();
            let replies = rig.replies();
            assert_eq!(replies.len(), 1);
            let completion = replies[0].1.completion.expect("timing of a read");
            assert_eq!(completion.due, Instant(TAKES.0 * n));
            assert_eq!(completion.breakdown.lag, Duration(0));
        }
    }
}

#[test]
fn with_the_pace_off_the_drives_own_work_waits_for_real_time_unless_a_request_waits_behind_it() {
    let mut machine = StandIn::new(TAKES, true);
    machine.background = Some(Instant(1_000));
    let mut idle = rig(Pace::Off, machine, info(CAPACITY));
    assert_eq!(idle.settle(), Next::Rest(Some(Instant(1_000))));
    assert_eq!(
        idle.dials
            .background_runs
            .load(std::sync::atomic::Ordering::SeqCst),
        0
    );
    idle.time.step(Duration(1_000));
    assert_eq!(idle.settle(), Next::Rest(None));
    assert_eq!(
        idle.dials
            .background_runs
            .load(std::sync::atomic::Ordering::SeqCst),
        1
    );

    let mut machine = StandIn::new(TAKES, true);
    machine.background = Some(Instant(1_000));
    let mut busy = rig(Pace::Off, machine, info(CAPACITY));
    busy.ask(read(0));
    busy.settle();
    assert_eq!(
        busy.dials
            .background_runs
            .load(std::sync::atomic::Ordering::SeqCst),
        1
    );
    assert_eq!(busy.replies().len(), 1);
}

#[test]
fn lateness_of_the_host_machine_is_told_beyond_the_threshold_only() {
    let mut rig = plain_rig(Pace::Real);
    let mut lag = |late: Duration| {
        rig.ask(read(0));
        rig.settle();
        rig.time.step(TAKES + late);
        rig.settle();
        rig.replies()[0].1.completion.expect("timing").breakdown.lag
    };
    assert_eq!(lag(LAG_NOTICED), Duration(0));
    let late = LAG_NOTICED + Duration(1);
    assert_eq!(lag(late), late);
    let Ok(Answer::Account(account)) = rig.outcome(Ask::Account) else {
        panic!("an account")
    };
    assert_eq!((account.late, account.lag_ns_max), (1, late.0));
    assert_eq!(account.kinds[0].count, 2);
    assert_eq!(account.slowest[0].took_ns, TAKES.0 + late.0);
}

#[test]
fn a_turn_in_which_nobody_could_be_heard_is_told() {
    let mut rig = plain_rig(Pace::Real);
    let time = rig.time.clone();
    let slow = move |_: Reply| time.step(Duration::from_ms(5));
    rig.handle.send(Ask::Status, Box::new(slow));
    rig.settle();
    assert_eq!(rig.event_loop.account().turn_ns_max, 5_000_000);
}

#[test]
fn every_ask_is_answered_and_no_flush_lies_whichever_operation_fails() {
    let fua_trim = Ask::Trim {
        offset: 4096,
        bytes: 4096,
        fua: true,
    };
    let script = [
        (write(0, 1), [1, 0]),
        (Ask::Flush, [1, 0]),
        (write(4096, 2), [1, 2]),
        (read(4096), [1, 2]),
        (Ask::Flush, [1, 2]),
        (fua_trim, [1, 0]),
        (Ask::Flush, [1, 0]),
    ];
    let operations = 10;
    let mut all_done = false;
    for n in 1..=operations {
        let mut rig = plain_rig(Pace::Off);
        rig.store.fail_nth(n);
        let mut durable = [0, 0];
        all_done = true;
        let asks = script.iter().map(|(ask, after)| (copy_of(ask), *after));
        for (ask, after) in asks {
            let syncs = matches!(ask, Ask::Flush | Ask::Trim { fua: true, .. });
            let outcome = rig.outcome(ask);
            all_done &= outcome.is_ok();
            if syncs && outcome.is_ok() {
                durable = after;
                let lost = rig.store.power_cut(&mut |_| Fate::Lost);
                let mut bytes = vec![9; 8192];
                lost.read_at(&mut bytes, 0).expect("read");
                assert_eq!([bytes[0], bytes[4096]], durable, "operation {n} failed");
            }
        }
        assert!(
            n > 1 || durable == [0, 0],
            "the first write failed, so nothing is durable"
        );
    }
    assert!(all_done, "the last n is past the end of the script");
}

/// Asks are used up by sending them.
fn copy_of(ask: &Ask) -> Ask {
    match ask {
        Ask::Write { offset, data, fua } => Ask::Write {
            offset: *offset,
            data: data.clone(),
            fua: *fua,
        },
        Ask::Read { offset, bytes } => Ask::Read {
            offset: *offset,
            bytes: *bytes,
        },
        Ask::Trim { offset, bytes, fua } => Ask::Trim {
            offset: *offset,
            bytes: *bytes,
            fua: *fua,
        },
        Ask::Flush => Ask::Flush,
        other => panic!("not in the script: {other:?}"),
    }
}

#[test]
fn bytes_written_are_read_back_and_buffers_are_not_kept() {
    let mut rig = plain_rig(Pace::Off);
    assert_eq!(rig.outcome(write(8192, 7)), Ok(Answer::Done));
    assert_eq!(rig.outcome(read(8192)), Ok(Answer::Data(vec![7; 4096])));
    assert_eq!(rig.outcome(read(4096)), Ok(Answer::Data(vec![0; 4096])));
    assert!(rig.event_loop.buffers.is_empty());
}

#[test]
fn a_trim_that_must_be_durable_is_durable_before_the_reply() {
    for (fua, survives) in [(true, 0), (false, 5)] {
        let mut rig = plain_rig(Pace::Off);
        rig.outcome(write(0, 5)).expect("write");
        rig.outcome(Ask::Flush).expect("flush");
        let trim = Ask::Trim {
            offset: 0,
            bytes: 4096,
            fua,
        };
        let number = rig.ask(trim);
        rig.settle();
        let replies = rig.replies();
        assert_eq!(replies.len(), 1);
        assert_eq!(replies[0].0, number);
        let completion = replies[0].1.completion.expect("timing");
        assert_eq!(completion.operation, crate::drive::request::Operation::Trim);
        let took = completion.due.since(completion.arrived);
        assert_eq!(took, Duration(TAKES.0 * (1 + u64::from(fua))));
        assert_eq!(completion.breakdown.modelled(), took);
        let mut bytes = vec![9; 4096];
        let after = rig.store.power_cut(&mut |_| Fate::Lost);
        after.read_at(&mut bytes, 0).expect("read");
        assert!(bytes.iter().all(|byte| *byte == survives));
    }
}

#[test]
fn asks_beyond_the_drive_are_refused() {
    let mut rig = plain_rig(Pace::Off);
    let beyond = |offset, bytes| {
        Err(HostError::Refused(Refusal::OutOfBounds {
            offset,
            bytes,
            capacity: CAPACITY,
        }))
    };
    let (offset, bytes, fua) = (CAPACITY - 1, 2, false);
    assert_eq!(
        rig.outcome(Ask::Read { offset, bytes }),
        beyond(offset, bytes)
    );
    assert_eq!(
        rig.outcome(Ask::Trim { offset, bytes, fua }),
        beyond(offset, bytes)
    );
    assert_eq!(
        rig.outcome(Ask::Whereabouts { offset, bytes }),
        beyond(offset, bytes)
    );
    let huge = u64::MAX;
    assert_eq!(
        rig.outcome(Ask::Read {
            offset: 1,
            bytes: huge
        }),
        beyond(1, huge)
    );
    assert_eq!(rig.outcome(write(CAPACITY, 1)), beyond(CAPACITY, 4096));
    let empty = Err(HostError::Refused(Refusal::Empty { offset: 5 }));
    assert_eq!(
        rig.outcome(Ask::Read {
            offset: 5,
            bytes: 0
        }),
        empty
    );
    assert!(rig.event_loop.buffers.is_empty());
}

#[test]
fn a_read_only_drive_takes_no_change_and_one_without_trim_no_trim() {
    let trim = || Ask::Trim {
        offset: 0,
        bytes: 4096,
        fua: false,
    };
    let zeroes = Ask::WriteZeroes {
        offset: 0,
        bytes: 4096,
        fua: false,
        may_deallocate: true,
    };
    let read_only = DriveInfo {
        read_only: true,
        ..info(CAPACITY)
    };
    let mut rig_read_only = rig(Pace::Off, StandIn::new(TAKES, false), read_only);
    for ask in [write(0, 1), trim(), zeroes] {
        assert_eq!(rig_read_only.outcome(ask), Err(HostError::ReadOnly));
    }
    assert_eq!(rig_read_only.outcome(Ask::Flush), Ok(Answer::Done));
    assert!(rig_read_only.outcome(read(0)).is_ok());
    assert_eq!(rig_read_only.store.sectors_at_stake(), 0);

    let no_trim = DriveInfo {
        trim: false,
        ..info(CAPACITY)
    };
    let mut rig_no_trim = rig(Pace::Off, StandIn::new(TAKES, false), no_trim);
    assert_eq!(rig_no_trim.outcome(trim()), Err(HostError::Unsupported));
}

#[test]
fn questions_are_answered_at_once_whatever_the_pace() {
    let mut rig = plain_rig(Pace::Real);
    rig.ask(read(0));
    rig.settle();
    rig.time.step(Duration(42));
    let Ok(Answer::Status(status)) = rig.outcome(Ask::Status) else {
        panic!("a status")
    };
    assert_eq!(status.at_ns, 42);
    let home = Answer::Whereabouts(vec![(512, Whereabouts::Home)]);
    let ask = Ask::Whereabouts {
        offset: 0,
        bytes: 512,
    };
    assert_eq!(rig.outcome(ask), Ok(home));
}

#[test]
fn a_failed_write_stops_the_drive_for_those_who_wait_and_those_who_come() {
    let mut rig = plain_rig(Pace::Real);
    let waits = rig.ask(read(0));
    rig.settle();
    rig.store.fail_nth(1);
    let fails = rig.ask(write(0, 1));
    rig.settle();
    let told: Vec<u64> = rig
        .replies()
        .into_iter()
        .map(|(number, reply)| {
            let Err(HostError::Failed(why)) = reply.outcome else {
                panic!("{reply:?}")
            };
            assert!(why.contains("writing 4096 bytes at byte 0"), "{why}");
            number
        })
        .collect();
    assert_eq!(told, [waits, fails]);
    assert!(matches!(rig.outcome(read(0)), Err(HostError::Failed(_))));
    assert!(rig.outcome(Ask::Status).is_ok());
}

#[test]
fn a_failed_read_fails_that_request_and_no_other() {
    let mut rig = plain_rig(Pace::Off);
    rig.store.fail_nth(1);
    let Err(HostError::Failed(why)) = rig.outcome(read(4096)) else {
        panic!("the read fails")
    };
    assert!(why.contains("reading 4096 bytes at byte 4096"), "{why}");
    assert_eq!(rig.outcome(read(4096)), Ok(Answer::Data(vec![0; 4096])));
    assert_eq!(rig.outcome(write(0, 1)), Ok(Answer::Done));
    assert!(rig.event_loop.buffers.is_empty());
}

#[test]
fn a_defect_of_the_drive_stops_it_with_its_account() {
    let mut rig = plain_rig(Pace::Off);
    rig.dials
        .defect
        .store(true, std::sync::atomic::Ordering::SeqCst);
    let why = HostError::Failed("a track was written twice".into());
    assert_eq!(rig.outcome(write(0, 1)), Err(why.clone()));
    assert_eq!(rig.outcome(Ask::Flush), Err(why));
}

#[test]
fn leaving_finishes_what_is_under_way_shuts_down_and_syncs() {
    for late_plans in [false, true] {
        let mut rig = rig(Pace::Real, StandIn::new(TAKES, late_plans), info(CAPACITY));
        let under_way = rig.ask(write(0, 3));
        rig.settle();
        rig.event_loop.leave();
        let too_late = rig.ask(write(4096, 3));
        assert_eq!(rig.settle(), Next::Over);
        let mut replies = rig.replies();
        replies.sort_by_key(|(number, _)| *number);
        assert_eq!(replies[0].0, under_way);
        assert_eq!(replies[0].1.outcome, Ok(Answer::Done));
        assert_eq!(replies[1].0, too_late);
        assert_eq!(replies[1].1.outcome, Err(HostError::Gone));
        assert_eq!(
            rig.dials
                .shut_downs
                .load(std::sync::atomic::Ordering::SeqCst),
            1
        );
        assert_eq!(rig.store.sectors_at_stake(), 0, "everything is durable");
        assert_eq!(rig.event_loop.failure(), None);
    }
}

#[test]
fn leaving_ends_even_if_the_drive_does_not_come_to_rest_or_has_failed() {
    let mut restless = plain_rig(Pace::Real);
    restless
        .dials
        .never_rests
        .store(true, std::sync::atomic::Ordering::SeqCst);
    restless.event_loop.leave();
    assert_eq!(restless.settle(), Next::Over);
    let why = restless.event_loop.failure().expect("it says so");
    assert!(why.contains("does not come to rest"), "{why}");

    let mut machine = StandIn::new(TAKES, false);
    machine.background = Some(Instant(1_000));
    let mut busy = rig(Pace::Off, machine, info(CAPACITY));
    let of_dials = busy.dials.clone();
    let order = std::sync::atomic::Ordering::SeqCst;
    of_dials.never_rests.store(true, order);
    busy.event_loop.leave();
    assert_eq!(busy.settle(), Next::Over);
    assert_eq!(
        of_dials.background_runs.load(order),
        0,
        "nobody waits for the drive's own work"
    );

    let mut failed = plain_rig(Pace::Real);
    failed.store.fail_nth(1);
    assert!(failed.outcome(write(0, 1)).is_err());
    failed.event_loop.leave();
    assert_eq!(failed.settle(), Next::Over);
    assert!(failed.event_loop.failure().is_some());
}

#[test]
fn a_failed_last_sync_is_a_failure() {
    let mut rig = plain_rig(Pace::Off);
    rig.outcome(write(0, 1)).expect("write");
    rig.store.fail_nth(1);
    rig.event_loop.leave();
    assert_eq!(rig.settle(), Next::Over);
    let why = rig.event_loop.failure().expect("it says so");
    assert!(why.contains("syncing"), "{why}");
}
