//! Recordings, by hand: what is in one that begins and ends anywhere between answers.

use crossbeam_channel::Receiver;
use proptest::prelude::{Just, Strategy, prop, prop_assert_eq, prop_oneof, proptest};

use super::obeying::{cut, in_bay, order, stall};
use super::{CAPACITY, Rig, TAKES, info, plain_rig, read, rig};
use crate::host::clock::Pace;
use crate::host::event_loop::Next;
use crate::host::handle::{Answer, Ask, HostError};
use crate::host::order::{Order, Outcome};
use crate::host::recorder::{Answered, Held, Recorder, RecordingId, Told};
use crate::host::stand_in::StandIn;
use crate::host::time_limits::TimeLimit;
use crate::mechanics::rotation::Rotation;
use crate::time::{Duration, Instant};

/// Begins a recording; where it comes out.
fn begin(rig: &mut Rig, id: u64) -> Receiver<Told> {
    let (recorder, told) = Recorder::new();
    let recorder = recorder.numbered(RecordingId(id));
    give(rig, Ask::Record(Box::new(recorder)));
    told
}

fn end(rig: &mut Rig, id: u64) {
    give(rig, Ask::EndRecording(RecordingId(id)));
}

/// Asks what is answered at once, and leaves other replies where they are.
fn give(rig: &mut Rig, ask: Ask) {
    let number = rig.ask(ask);
    rig.settle();
    let mut answers = 0;
    for (of, reply) in rig.replies.try_iter().collect::<Vec<_>>() {
        if of == number {
            assert_eq!(reply.outcome, Ok(Answer::Done));
            answers += 1;
        } else {
            rig.told.send((of, reply)).expect("the rig is there");
        }
    }
    assert_eq!(answers, 1);
}

/// What has come out: the answers, and at the end what they amount to.
fn taken(told: &Receiver<Told>) -> (Vec<Answered>, Option<Held>) {
    let (mut answers, mut held) = (Vec::new(), None);
    for told in told.try_iter() {
        assert_eq!(held, None, "something comes after the end");
        match told {
            Told::Answers(more) => answers.extend(more),
            Told::Ended(all) => held = Some(all),
        }
    }
    (answers, held)
}

/// Number, arrival and due moment.
type Row = (u64, u64, u64);

fn rows(answers: &[Answered]) -> Vec<Row> {
    let row = |answered: &Answered| {
        let completion = &answered.completion;
        (completion.request.0, completion.arrived.0, completion.due.0)
    };
    answers.iter().map(row).collect()
}

#[derive(Clone, Copy, Debug)]
enum Step {
    Ask,
    Pass(u64),
    Begin(usize),
    End(usize),
}

/// Everything that happened so far, plainly.
#[derive(Default)]
struct Plain {
    now: u64,
    /// When each request arrived.
    arrived: Vec<u64>,
    /// For each of three recordings under way: requests before it, when it began, answers before it.
    under_way: [Option<(usize, u64)>; 3],
}

impl Plain {
    /// How many of the requests are answered: all take the same time.
    fn answered(&self) -> usize {
        let due = |at: &&u64| **at + TAKES.0 <= self.now;
        self.arrived.iter().filter(due).count()
    }

    /// What a recording holds that began after so many requests, and ends now.
    fn holds(&self, (before, began): (usize, u64)) -> (Vec<Row>, Held) {
        let number = |n: usize| u64::try_from(n).expect("a few dozen");
        let row = |n: usize| {
            let arrived = self.arrived[n] - began;
            (number(n), arrived, arrived + TAKES.0)
        };
        let rows: Vec<Row> = (before..self.answered().max(before)).map(row).collect();
        let held = Held {
            requests: number(rows.len()),
            left_out: number(self.arrived.len() - before - rows.len()),
            spanned_ns: self.now - began,
            is_first: before == 0,
            ..Held::default()
        };
        (rows, held)
    }
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        3 => Just(Step::Ask),
        3 => (1..15_000_000_u64).prop_map(Step::Pass),
        1 => (0..3_usize).prop_map(Step::Begin),
        1 => (0..3_usize).prop_map(Step::End),
    ]
}

proptest! {
    #[test]
    fn a_recording_holds_what_came_after_it_began_and_was_answered_before_it_ended(
        steps in prop::collection::vec(step(), 1..60)
    ) {
        let mut rig = plain_rig(Pace::Real);
        let mut plain = Plain::default();
        let mut outlets: [Option<Receiver<Told>>; 3] = [None, None, None];
        for step in steps {
            match step {
                Step::Ask => {
                    rig.ask(read(0));
                    rig.settle();
                    plain.arrived.push(plain.now);
                }
                Step::Pass(ns) => {
                    // To each answer on the way, so that this machine is never late.
                    let until = plain.now + ns;
                    let due = plain.arrived.iter().map(|at| at + TAKES.0);
                    let stops: Vec<u64> = due.filter(|at| (plain.now..until).contains(at)).collect();
                    for at in stops.into_iter().chain([until]) {
                        rig.time.step(Duration(at - plain.now));
                        rig.settle();
                        plain.now = at;
                    }
                }
                Step::Begin(which) if outlets[which].is_none() => {
                    let id = u64::try_from(which).expect("three at most") + 1;
                    outlets[which] = Some(begin(&mut rig, id));
                    plain.under_way[which] = Some((plain.arrived.len(), plain.now));
                }
                Step::End(which) => {
                    let id = u64::try_from(which).expect("three at most") + 1;
                    end(&mut rig, id);
                    if let (Some(told), Some(began)) = (outlets[which].take(), plain.under_way[which]) {
                        let (answers, held) = taken(&told);
                        let expected = plain.holds(began);
                        prop_assert_eq!((rows(&answers), held), (expected.0, Some(expected.1)));
                    }
                }
                Step::Begin(_) => {}
            }
        }
        // The drive ends, and whatever is under way with it.
        rig.event_loop.end_recordings(None, Instant(plain.now));
        for (told, began) in outlets.iter().zip(plain.under_way) {
            if let (Some(told), Some(began)) = (told, began) {
                let (answers, held) = taken(told);
                let expected = plain.holds(began);
                prop_assert_eq!((rows(&answers), held), (expected.0, Some(expected.1)));
            }
        }
    }
}

#[test]
fn no_answer_is_lost_between_two_batches_or_at_the_end() {
    let mut rig = plain_rig(Pace::Off);
    let told = begin(&mut rig, 1);
    let mut answers = Vec::new();
    for n in 0..3000 {
        rig.ask(read(0));
        rig.settle();
        if n % 700 == 0 {
            answers.extend(taken(&told).0);
        }
    }
    end(&mut rig, 1);
    let (last, held) = taken(&told);
    answers.extend(last);
    let numbers: Vec<u64> = rows(&answers).iter().map(|(number, ..)| *number).collect();
    assert_eq!(numbers, (0..3000).collect::<Vec<_>>());
    assert_eq!(held.expect("it has ended").requests, 3000);
}

#[test]
fn late_answers_are_counted_by_the_recordings_that_hold_them() {
    let mut rig = plain_rig(Pace::Real);
    let all = begin(&mut rig, 1);
    let late = |rig: &mut Rig, by: u64| {
        rig.ask(read(0));
        rig.settle();
        rig.time.step(TAKES + Duration::from_ms(by));
        rig.settle();
    };
    late(&mut rig, 5);
    late(&mut rig, 0);
    let some = begin(&mut rig, 2);
    late(&mut rig, 3);
    end(&mut rig, 1);
    end(&mut rig, 2);
    let lag = |told: &Receiver<Told>| {
        let held = taken(told).1.expect("it has ended");
        (held.late, held.lag_ns_max, held.lag_ns_sum)
    };
    assert_eq!(lag(&all), (2, 5_000_000, 8_000_000));
    assert_eq!(lag(&some), (1, 3_000_000, 3_000_000));
}

#[test]
fn what_is_refused_at_the_door_is_no_request_of_the_drive() {
    let mut rig = plain_rig(Pace::Off);
    assert!(rig.outcome(read(CAPACITY)).is_err());
    let nothing = Ask::Read {
        offset: 0,
        bytes: 0,
    };
    assert!(rig.outcome(nothing).is_err());
    let told = begin(&mut rig, 1);
    assert!(rig.outcome(read(CAPACITY)).is_err());
    assert!(rig.outcome(read(0)).is_ok());
    end(&mut rig, 1);
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!(rows(&answers).len(), 1);
    assert_eq!((held.requests, held.failed, held.left_out), (1, 0, 0));
    assert!(held.is_first, "nothing was asked before");
}

#[test]
fn a_durable_discard_that_is_cut_in_two_is_one_row_and_one_left_out() {
    let mut rig = plain_rig(Pace::Real);
    let trim = Ask::Trim {
        offset: 0,
        bytes: 4096,
        fua: true,
    };
    let told = begin(&mut rig, 1);
    rig.ask(trim);
    rig.settle();
    rig.time.step(TAKES);
    rig.settle();
    assert!(rig.replies().is_empty(), "the flush is under way");
    end(&mut rig, 1);
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!(answers[0].completion.operation.word(), "trim");
    assert_eq!((held.requests, held.left_out, held.failed), (1, 1, 0));
}

#[test]
fn moments_count_from_one_at_which_the_platters_stood_as_at_the_start() {
    let mut rig = plain_rig(Pace::Real);
    // Ten turns and a quarter, at a hundred turns in a second.
    rig.time.step(Duration(102_500_000));
    let (recorder, told) = Recorder::new();
    let recorder = recorder.turning(Rotation::new(6_000_000));
    give(&mut rig, Ask::Record(Box::new(recorder)));
    rig.time.step(Duration(1));
    rig.ask(read(0));
    rig.settle();
    rig.time.step(TAKES);
    rig.settle();
    rig.event_loop.end_recordings(None, Instant(112_500_001));
    let (answers, held) = taken(&told);
    assert_eq!(rows(&answers), [(0, 2_500_001, 2_500_001 + TAKES.0)]);
    assert_eq!(held.expect("it has ended").spanned_ns, TAKES.0 + 1);
}

#[test]
fn the_end_of_the_server_ends_it_with_the_last_answer_and_not_when_the_drive_has_shut_down() {
    let mut machine = StandIn::new(TAKES, false);
    machine.closing_takes = Duration(60_000_000_000);
    let mut rig = rig(Pace::Real, machine, info(CAPACITY));
    let told = begin(&mut rig, 1);
    rig.ask(read(0));
    rig.settle();
    rig.event_loop.leave();
    assert_eq!(rig.settle(), Next::Over);
    let now = rig.event_loop.clock.now();
    assert!(
        now >= Instant(60_000_000_000),
        "it has shut down at {now:?}"
    );
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!((answers.len(), held.requests, held.left_out), (1, 1, 0));
    assert_eq!(held.spanned_ns, TAKES.0);
}

#[test]
fn nobody_is_disturbed_by_one_that_nobody_listens_to() {
    let mut rig = plain_rig(Pace::Off);
    drop(begin(&mut rig, 1));
    let other = begin(&mut rig, 2);
    for _ in 0..70_000 {
        rig.ask(read(0));
        rig.settle();
        taken(&other);
    }
    assert_eq!(rig.replies().len(), 70_000);
    end(&mut rig, 1);
    end(&mut rig, 2);
    assert_eq!(taken(&other).1.expect("it has ended").requests, 70_000);
}

#[test]
fn a_drive_that_has_failed_begins_none_and_ends_those_under_way() {
    let mut rig = rig(Pace::Off, StandIn::new(TAKES, false), info(CAPACITY));
    let told = begin(&mut rig, 1);
    assert!(rig.outcome(read(0)).is_ok());
    rig.dials
        .defect
        .store(true, std::sync::atomic::Ordering::SeqCst);
    assert!(rig.outcome(read(0)).is_err());
    let (recorder, _told) = Recorder::new();
    let refused = rig.outcome(Ask::Record(Box::new(recorder)));
    assert!(matches!(refused, Err(HostError::Failed(_))), "{refused:?}");
    end(&mut rig, 1);
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!(answers.len(), 1);
    assert_eq!((held.requests, held.failed, held.left_out), (1, 1, 0));
}

#[test]
fn a_recording_goes_on_over_power_cuts_and_other_states_and_counts_what_fails() {
    let (mut rig, _bay) = in_bay(Pace::Off, None);
    let told = begin(&mut rig, 1);
    // With a stall, so that they are still under way.
    assert!(order(&mut rig, stall(None)).is_ok());
    rig.ask(read(0));
    rig.ask(read(0));
    rig.settle();
    assert!(order(&mut rig, cut(false)).is_ok());
    assert!(
        rig.replies()
            .iter()
            .all(|(_, reply)| reply.outcome.is_err())
    );
    assert!(rig.outcome(read(0)).is_ok());
    let with = std::path::PathBuf::from("anywhere");
    assert_eq!(order(&mut rig, Order::Replace { with }), Ok(Outcome::Done));
    assert!(rig.outcome(read(4096)).is_ok());
    end(&mut rig, 1);
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!(answers.len(), 2);
    assert_eq!((held.requests, held.failed, held.left_out), (2, 2, 0));
    assert!(held.is_first);
}

#[test]
fn a_drive_in_whose_place_another_state_was_put_is_not_taken_for_the_one_at_the_start() {
    let (mut rig, _bay) = in_bay(Pace::Off, None);
    assert!(order(&mut rig, cut(false)).is_ok());
    let before = begin(&mut rig, 1);
    let with = std::path::PathBuf::from("anywhere");
    assert_eq!(order(&mut rig, Order::Replace { with }), Ok(Outcome::Done));
    let after = begin(&mut rig, 2);
    rig.event_loop.end_recordings(None, Instant(0));
    let is_first = |told: &Receiver<Told>| taken(told).1.expect("it has ended").is_first;
    assert!(
        is_first(&before),
        "a power cut takes nothing from a drive that holds nothing"
    );
    assert!(!is_first(&after));
}

#[test]
fn a_request_that_failed_at_a_limit_has_failed_although_the_drive_answers_it_later() {
    let (mut rig, _bay) = in_bay(Pace::Off, None);
    let limits = vec![TimeLimit::ArrayRecovery];
    assert!(order(&mut rig, Order::Enforce(limits)).is_ok());
    let told = begin(&mut rig, 1);
    assert!(order(&mut rig, stall(Some(Duration::from_s(60).0))).is_ok());
    assert!(rig.outcome(read(0)).is_err());
    rig.time.step(Duration::from_s(70));
    rig.settle();
    end(&mut rig, 1);
    let (answers, held) = taken(&told);
    let held = held.expect("it has ended");
    assert_eq!(answers, []);
    assert_eq!((held.requests, held.failed, held.left_out), (0, 1, 0));
}
