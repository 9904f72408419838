//! Orders, by hand: what happens to those who wait when a drive is stalled, cut off, saved, put back,
//! or too slow for a limit that is enforced.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use super::{CAPACITY, Rig, TAKES, info, read, rig, write};
use crate::drive::fault::{Fault, FaultId, PowerCut, Stall};
use crate::host::bay::{Bay, BayError, DataAfter};
use crate::host::clock::Pace;
use crate::host::event_loop::Next;
use crate::host::handle::{Answer, Ask, HostError};
use crate::host::order::{Order, OrderError, Outcome};
use crate::host::stand_in::StandIn;
use crate::host::time_limits::TimeLimit;
use crate::image::copying::Copied;
use crate::medium::memory_store::MemoryStore;
use crate::medium::mover::Mover;
use crate::time::{Duration, Instant};

/// A bay of stand-ins over one store; what was asked of it.
#[derive(Clone)]
pub(super) struct MemoryBay {
    store: MemoryStore,
    asked: Arc<Mutex<Vec<&'static str>>>,
    /// Whether everything asked of it fails, and what has become of the data then.
    breaks: Option<DataAfter>,
}

impl MemoryBay {
    fn note(&self, what: &'static str) -> Result<(), BayError> {
        self.asked.lock().expect("no panic").push(what);
        let Some(data) = self.breaks else {
            return Ok(());
        };
        Err(BayError {
            doing: what.to_owned(),
            why: "the test says so".to_owned(),
            data,
        })
    }
}

impl Bay<StandIn> for MemoryBay {
    fn open(&mut self) -> Result<(StandIn, Mover), BayError> {
        self.note("open")?;
        let mover = Mover::plain(Box::new(self.store.clone()));
        Ok((StandIn::new(TAKES, true), mover))
    }

    fn save(&self, _to: &Path) -> Result<Copied, BayError> {
        self.note("save")?;
        Ok(Copied {
            image_bytes: CAPACITY,
            copied_bytes: 7,
            shared: false,
        })
    }

    fn replace(&mut self, _with: &Path) -> Result<(), BayError> {
        self.note("replace")
    }
}

pub(super) fn in_bay(pace: Pace, breaks: Option<DataAfter>) -> (Rig, MemoryBay) {
    let mut rig = rig(pace, StandIn::new(TAKES, true), info(CAPACITY));
    let bay = MemoryBay {
        store: rig.store.clone(),
        asked: Arc::default(),
        breaks,
    };
    rig.event_loop.bay = Some(Box::new(bay.clone()));
    (rig, bay)
}

pub(super) fn order(rig: &mut Rig, order: Order) -> Result<Outcome, OrderError> {
    let number = rig.ask(Ask::Order(order));
    rig.settle();
    let mut outcome = None;
    let replies: Vec<_> = rig.replies.try_iter().collect();
    for (of, reply) in replies {
        if of == number {
            outcome = Some(reply.outcome);
        } else {
            rig.told.send((of, reply)).expect("the rig is there");
        }
    }
    match outcome {
        Some(Ok(Answer::Order(outcome))) => outcome,
        other => panic!("an order was answered {other:?}"),
    }
}

pub(super) fn stall(ns: Option<u64>) -> Order {
    Order::Impose(Fault::Stall(Stall { duration_ns: ns }))
}

pub(super) fn cut(stay_off: bool) -> Order {
    Order::Impose(Fault::PowerCut(PowerCut {
        stay_off,
        ..PowerCut::default()
    }))
}

#[test]
fn an_answer_that_is_due_in_a_stall_comes_at_its_end_and_says_so() {
    for pace in [Pace::Real, Pace::Off] {
        let (mut rig, _) = in_bay(pace, None);
        let second = Duration::from_s(1);
        assert!(order(&mut rig, stall(Some(second.0))).is_ok());
        rig.ask(read(0));
        rig.settle();
        if pace == Pace::Real {
            rig.time.step(TAKES);
            assert_eq!(rig.settle(), Next::Rest(Some(Instant(0) + second)));
            assert!(rig.replies().is_empty());
            rig.time.step(second);
            rig.settle();
        }
        let (_, reply) = rig.replies().pop().expect("a reply came");
        let completion = reply.completion.expect("timing of a read");
        assert_eq!(completion.due, Instant(0) + second);
        assert_eq!(completion.breakdown.stalled, Duration(second.0 - TAKES.0));
        assert_eq!(rig.event_loop.account().late, u64::from(pace == Pace::Real));
    }
}

#[test]
fn a_stall_without_an_end_holds_everything_until_it_is_lifted() {
    let (mut rig, _) = in_bay(Pace::Off, None);
    assert!(order(&mut rig, stall(None)).is_ok());
    rig.ask(read(0));
    assert_eq!(rig.settle(), Next::Rest(None));
    rig.time.step(Duration::from_s(100));
    rig.settle();
    assert!(rig.replies().is_empty());
    assert_eq!(order(&mut rig, Order::Lift(None)), Ok(Outcome::Lifted(1)));
    let (_, reply) = rig.replies().pop().expect("a reply came");
    let completion = reply.completion.expect("timing of a read");
    assert!(completion.breakdown.stalled >= Duration::from_s(99));
    let missing = order(&mut rig, Order::Lift(Some(FaultId(9))));
    assert_eq!(missing, Err(OrderError::NoSuchFault(FaultId(9))));
}

#[test]
fn an_orderly_end_lifts_a_stall_and_answers_those_who_wait() {
    let (mut rig, _) = in_bay(Pace::Off, None);
    assert!(order(&mut rig, stall(None)).is_ok());
    rig.ask(write(0, 1));
    rig.settle();
    rig.event_loop.leave();
    assert_eq!(rig.settle(), Next::Over);
    assert_eq!(rig.replies().len(), 1);
    assert_eq!(rig.event_loop.failure(), None);
}

#[test]
fn a_power_cut_fails_those_who_wait_and_the_drive_goes_on_at_once() {
    let (mut rig, bay) = in_bay(Pace::Real, None);
    rig.ask(read(0));
    rig.settle();
    assert!(order(&mut rig, cut(false)).is_ok());
    let (_, reply) = rig.replies().pop().expect("a reply came");
    assert_eq!(reply.outcome, Err(HostError::NoPower));
    assert_eq!(*bay.asked.lock().expect("no panic"), ["open"]);
    rig.ask(read(0));
    rig.settle();
    rig.time.step(TAKES);
    rig.settle();
    let (_, reply) = rig.replies().pop().expect("a reply came");
    assert!(reply.outcome.is_ok());
}

#[test]
fn a_drive_without_power_refuses_requests_and_its_end_is_no_failure() {
    let (mut rig, bay) = in_bay(Pace::Off, None);
    assert_eq!(order(&mut rig, Order::PowerOn), Err(OrderError::HasPower));
    assert!(order(&mut rig, cut(true)).is_ok());
    assert_eq!(rig.outcome(read(0)), Err(HostError::NoPower));
    assert!(rig.outcome(Ask::Status).is_ok());
    assert_eq!(order(&mut rig, stall(None)), Err(OrderError::NoPower));
    assert!(bay.asked.lock().expect("no panic").is_empty());
    assert_eq!(order(&mut rig, Order::PowerOn), Ok(Outcome::Done));
    assert!(rig.outcome(read(0)).is_ok());
    assert!(order(&mut rig, cut(true)).is_ok());
    rig.event_loop.leave();
    assert_eq!(rig.settle(), Next::Over);
    assert_eq!(rig.event_loop.failure(), None);
}

#[test]
fn an_image_that_cannot_be_opened_again_is_the_end_of_the_drive() {
    let (mut rig, _) = in_bay(Pace::Off, Some(DataAfter::Unchanged));
    assert!(order(&mut rig, cut(false)).is_ok());
    assert!(matches!(rig.outcome(read(0)), Err(HostError::Failed(_))));
}

#[test]
fn copying_takes_no_model_time_and_what_fails_changes_nothing() {
    let (mut rig, _) = in_bay(Pace::Real, None);
    let to = PathBuf::from("anywhere");
    let saved = order(&mut rig, Order::Save { to: to.clone() });
    assert!(matches!(
        saved,
        Ok(Outcome::Saved(Copied {
            copied_bytes: 7,
            ..
        }))
    ));
    let (mut rig, _) = in_bay(Pace::Real, Some(DataAfter::Unchanged));
    rig.ask(read(0));
    rig.settle();
    assert!(matches!(
        order(&mut rig, Order::Save { to: to.clone() }),
        Err(OrderError::Bay(_))
    ));
    assert!(matches!(
        order(&mut rig, Order::Replace { with: to }),
        Err(OrderError::Bay(_))
    ));
    rig.time.step(TAKES);
    rig.settle();
    let (_, reply) = rig.replies().pop().expect("a reply came");
    assert!(
        reply.outcome.is_ok(),
        "the request still waits for its answer"
    );
}

#[test]
fn another_state_in_its_place_fails_those_who_wait_and_opens_it() {
    let (mut rig, bay) = in_bay(Pace::Real, None);
    rig.ask(read(0));
    rig.settle();
    let with = PathBuf::from("anywhere");
    assert_eq!(order(&mut rig, Order::Replace { with }), Ok(Outcome::Done));
    let (_, reply) = rig.replies().pop().expect("a reply came");
    assert_eq!(reply.outcome, Err(HostError::Replaced));
    assert_eq!(*bay.asked.lock().expect("no panic"), ["replace", "open"]);
}

#[test]
fn a_drive_whose_image_is_gone_after_a_failed_replacement_answers_nothing_more() {
    let (mut rig, bay) = in_bay(Pace::Real, Some(DataAfter::Gone));
    rig.ask(write(0, 1));
    rig.settle();
    let with = PathBuf::from("anywhere");
    let told = order(&mut rig, Order::Replace { with });
    assert!(matches!(told, Err(OrderError::Failed(_))), "{told:?}");
    let (_, reply) = rig.replies().pop().expect("a reply came");
    assert!(matches!(reply.outcome, Err(HostError::Failed(_))));
    assert!(matches!(rig.outcome(read(0)), Err(HostError::Failed(_))));
    assert_eq!(*bay.asked.lock().expect("no panic"), ["replace"]);
}

#[test]
fn a_drive_in_no_bay_has_no_power_cuts_and_no_saved_states() {
    let mut rig = rig(Pace::Off, StandIn::new(TAKES, true), info(CAPACITY));
    let to = PathBuf::from("anywhere");
    for refused in [
        cut(false),
        Order::Save { to: to.clone() },
        Order::Replace { with: to },
    ] {
        assert_eq!(order(&mut rig, refused), Err(OrderError::NoBay));
    }
    assert!(rig.outcome(read(0)).is_ok());
}

#[test]
fn an_enforced_limit_fails_a_command_at_its_moment_at_any_pace() {
    let limit = TimeLimit::ArrayRecovery;
    for pace in [Pace::Real, Pace::Off] {
        let (mut rig, _) = in_bay(pace, None);
        assert!(order(&mut rig, Order::Enforce(vec![limit])).is_ok());
        assert!(order(&mut rig, stall(Some(Duration::from_s(60).0))).is_ok());
        rig.ask(read(0));
        rig.ask(Ask::Flush);
        rig.settle();
        if pace == Pace::Real {
            rig.time.step(limit.duration());
            rig.settle();
            assert!(rig.replies().is_empty(), "it is not above the limit yet");
            rig.time.step(Duration(1));
            rig.settle();
        }
        let outcome = |rig: &Rig, number| {
            let replies: Vec<_> = rig.replies.try_iter().collect();
            let of = replies.into_iter().find(|(of, _)| *of == number);
            of.map(|(_, reply)| reply.outcome)
        };
        assert_eq!(outcome(&rig, 2), Some(Err(HostError::TooSlow { limit })));
        rig.time.step(Duration::from_s(60));
        rig.settle();
        let account = rig.event_loop.account();
        assert_eq!(account.limits[0].trips, 1);
        assert_eq!(account.limits[0].dropped_ns, Some(limit.duration().0));
        assert_eq!(account.kinds[0].count, 0, "a failed read has no latency");
        assert_eq!(account.failed_at_limits, 1);
        assert_eq!(account.kinds[2].count, 1, "the flush was answered");
    }
}

#[test]
fn the_eighth_slow_command_takes_the_drive_out_until_limits_are_set_anew() {
    let limit = TimeLimit::SlowCommands;
    let (mut rig, _) = in_bay(Pace::Off, None);
    assert!(order(&mut rig, Order::Enforce(vec![limit])).is_ok());
    assert!(order(&mut rig, stall(None)).is_ok());
    let asked: Vec<u64> = (0..8).map(|_| rig.ask(read(0))).collect();
    rig.settle();
    let replies = rig.replies();
    assert_eq!(replies.len(), asked.len());
    for (_, reply) in replies {
        assert_eq!(reply.outcome, Err(HostError::TakenOut { limit }));
    }
    assert_eq!(order(&mut rig, Order::Lift(None)), Ok(Outcome::Lifted(1)));
    assert_eq!(rig.outcome(read(0)), Err(HostError::TakenOut { limit }));
    assert!(order(&mut rig, Order::Enforce(vec![limit])).is_ok());
    assert!(rig.outcome(read(0)).is_ok());
}
