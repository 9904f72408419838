//! Owns the turns of the thread that owns a drive: calls in, time on, effects out, answers out.
//!
//! One turn never waits. An answer is given when its moment has come (with a pace) and the plan it
//! needs is done, never before. With the pace off, model time jumps to the next event while a host
//! request waits for one. The first failure stops the drive: whoever waits is told, and so is
//! whoever comes later, but questions about its state are still answered.
//!
//! States: running; failed (after a defect or a failed write); leaving (no new requests, what is
//! under way is finished); closing (the drive shuts down); over. A crash in any of them is a power
//! cut to the image.

use std::sync::Arc;

use crossbeam_channel::Receiver;

use super::account::Account;
use super::bay::Bay;
use super::carriers::Carriers;
use super::clock::Clock;
use super::deliveries::Deliveries;
use super::ending::words;
use super::front_desk::{Admitted, FrontDesk, answer};
use super::handle::{Answer, Ask, Call, DriveInfo, HostError};
use super::machine::Machine;
use super::recorder::Recorders;
use super::time_limits::TimeLimit;
use crate::drive::fault::PowerLoss;
use crate::drive::request::{Effect, Request, Status};
use crate::medium::buffers::Buffers;
use crate::medium::mover::{Finished, Mover, Tally};
use crate::time::Instant;

/// Calls taken in one turn, so that answers are not held up by a flood of asks.
const CALLS_MAX: usize = 256;
/// Deadlines met in one turn, so that calls are looked at now and then.
const DEADLINES_MAX: usize = 1024;
/// Bytes by which the mover may be behind the drive, which plans as fast as its cache acknowledges
/// while this machine may be making things durable for seconds.
const BEHIND_BYTES_MAX: u64 = 16 << 20;

/// See the module's description.
pub(super) struct EventLoop<M> {
    pub(super) machine: M,
    pub(super) mover: Mover,
    pub(super) buffers: Buffers,
    pub(super) clock: Clock,
    calls: Receiver<Call>,
    pub(super) desk: FrontDesk,
    pub(super) recorders: Recorders,
    pub(super) deliveries: Deliveries,
    pub(super) carriers: Carriers,
    pub(super) phase: Phase,
    pub(super) failure: Option<Arc<str>>,
    pub(super) read_only: bool,
    /// Places in the image are not told.
    pub(super) discreet: bool,
    /// Where the drive lies, if it can be opened again.
    pub(super) bay: Option<Box<dyn Bay<M>>>,
    /// The power was cut on request.
    pub(super) power_loss: Option<PowerLoss>,
    /// Limits at which commands fail.
    pub(super) enforced: Vec<TimeLimit>,
    /// The limit that took the drive out of service.
    pub(super) taken_out: Option<TimeLimit>,
    /// What movers did that are gone.
    pub(super) tally_before: Tally,
    /// Effects were carried out that the mover may not have told the kernel of.
    restless: bool,
    effects: Vec<Effect>,
    pub(super) finished: Vec<Finished>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    Running,
    Leaving,
    Closing,
    Over,
}

/// What to do after a turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// Another turn at once.
    Turn,
    /// Nothing to do until then (or, without a moment, until a call or the mover).
    Rest(Option<Instant>),
    /// The drive has shut down or failed while doing so.
    Over,
}

impl<M: Machine> EventLoop<M> {
    pub(super) fn new(
        machine: M,
        mover: Mover,
        clock: Clock,
        info: Arc<DriveInfo>,
        calls: Receiver<Call>,
    ) -> EventLoop<M> {
        EventLoop {
            machine,
            mover,
            buffers: Buffers::new(),
            clock,
            calls,
            read_only: info.read_only,
            discreet: info.discreet,
            desk: FrontDesk::new(info),
            recorders: Recorders::default(),
            deliveries: Deliveries::default(),
            carriers: Carriers::default(),
            phase: Phase::Running,
            failure: None,
            bay: None,
            power_loss: None,
            enforced: Vec::new(),
            taken_out: None,
            tally_before: Tally::default(),
            restless: false,
            effects: Vec::new(),
            finished: Vec::new(),
        }
    }

    /// One turn: everything that can be done now.
    pub(super) fn turn(&mut self) -> Next {
        let next = self.take_turn();
        self.carriers
            .turn_over(next == Next::Turn, self.clock.is_paced());
        next
    }

    fn take_turn(&mut self) -> Next {
        let now = self.clock.now();
        self.advance(now);
        let taken = self.take_calls(now);
        self.move_on();
        self.restless = false;
        self.enforce(now);
        self.deliver(now);
        self.desk.clear_away(&mut self.buffers);
        self.leave_if_done(now);
        if self.clock.is_paced() {
            self.desk.ledger.turn_took(self.clock.now().since(now));
        }
        if self.phase == Phase::Over {
            return Next::Over;
        }
        if taken || self.restless {
            return Next::Turn;
        }
        self.next()
    }

    /// Why the drive has failed, if it has.
    pub(super) fn failure(&self) -> Option<&Arc<str>> {
        self.failure.as_ref()
    }

    pub(super) fn status(&self) -> Status {
        self.machine.status(self.clock.now())
    }

    pub(super) fn account(&self) -> Account {
        self.desk.ledger.snapshot()
    }

    pub(super) fn mover(&self) -> &Mover {
        &self.mover
    }

    /// What was done to the backing store.
    pub(super) fn tally(&self) -> Tally {
        self.tally_before.plus(self.mover.tally())
    }

    /// Whether there is something to take in.
    pub(super) fn is_called(&self) -> bool {
        !self.calls.is_empty() && !self.is_held_up()
    }

    /// Whether the drive must wait for the mover (a lag of this machine).
    fn is_held_up(&self) -> bool {
        self.buffers.lingering_bytes() > BEHIND_BYTES_MAX && self.failure.is_none()
    }

    fn take_calls(&mut self, now: Instant) -> bool {
        for taken in 0..CALLS_MAX {
            let free = !self.is_held_up();
            let Some(call) = free.then(|| self.calls.try_recv().ok()).flatten() else {
                return taken > 0;
            };
            if let Some(carrier) = &call.carrier {
                self.carriers.meet(carrier);
            }
            if let Some(error) = self.refusal(&call.ask) {
                answer(call.reply, Err(error), None);
                self.carriers.reply_put_down();
                continue;
            }
            match self.desk.admit(call, &mut self.buffers) {
                Admitted::Request(request) => self.submit(now, request),
                Admitted::Question(ask, reply) => {
                    let answered = self.answer_to(ask, now);
                    answer(reply, Ok(answered), None);
                    self.carriers.reply_put_down();
                }
                Admitted::Answered => self.carriers.reply_put_down(),
            }
        }
        true
    }

    /// Why no request is taken, if so.
    fn refusal(&self, ask: &Ask) -> Option<HostError> {
        if matches!(
            ask,
            Ask::Status | Ask::Account | Ask::Whereabouts { .. } | Ask::EndRecording(_)
        ) {
            return None;
        }
        if let Some(why) = &self.failure {
            return Some(HostError::Failed(Arc::clone(why)));
        }
        let is_order = matches!(ask, Ask::Order(_) | Ask::Record(_));
        if self.power_loss.is_some() && !is_order {
            return Some(HostError::NoPower);
        }
        if let Some(limit) = self.taken_out.filter(|_| !is_order) {
            return Some(HostError::TakenOut { limit });
        }
        (self.phase != Phase::Running).then_some(HostError::Gone)
    }

    fn answer_to(&mut self, ask: Ask, now: Instant) -> Answer {
        match ask {
            Ask::Whereabouts { offset, bytes } => {
                Answer::Whereabouts(self.machine.whereabouts(offset, bytes))
            }
            Ask::Order(order) => Answer::Order(self.obey(order)),
            Ask::Status => Answer::Status(Box::new(self.machine.status(now))),
            Ask::Account => Answer::Account(Box::new(self.desk.ledger.snapshot())),
            Ask::Record(recorder) => {
                let next = self.desk.next_request();
                self.recorders.begin(*recorder, now, next);
                Answer::Done
            }
            Ask::EndRecording(id) => {
                self.end_recordings(Some(id), now);
                Answer::Done
            }
            _ => unreachable!("the desk makes requests of all others"),
        }
    }

    pub(super) fn submit(&mut self, now: Instant, request: Request) {
        self.desk.ledger.monitor.arrived(&request, now);
        self.machine.submit(now, request);
        // At once, so that the payload of the next request meets the buffers as they are.
        self.carry_out();
    }

    /// Lets the drive see each of its deadlines up to `now` at that very moment, however late this
    /// machine is, and before whatever arrives now.
    fn advance(&mut self, now: Instant) {
        for _ in 0..DEADLINES_MAX {
            let deadline = self.machine.next_deadline();
            let Some(at) = deadline.map(|d| d.at).filter(|at| *at <= now) else {
                return;
            };
            if self.failure.is_some() || self.is_held_up() {
                return;
            }
            self.machine.advance(at);
            self.carry_out();
        }
    }

    pub(super) fn carry_out(&mut self) {
        self.machine.drain_effects(&mut self.effects);
        self.restless |= !self.effects.is_empty();
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Move(plan) => {
                    self.deliveries.plan_began(plan.id);
                    self.mover.submit(plan, &mut self.buffers);
                }
                Effect::Complete(completion) => {
                    let monitor = &mut self.desk.ledger.monitor;
                    if self.deliveries.is_held() {
                        monitor.held();
                    } else {
                        monitor.due(completion.request, completion.due);
                    }
                    self.deliveries.add(completion);
                }
                Effect::Release(id) => self.buffers.release(id),
                Effect::Hold { until } => {
                    self.desk.ledger.monitor.held();
                    self.deliveries.hold(until);
                }
                Effect::Resume { at } => self.deliveries.resume(at),
                Effect::Note(note) => self.desk.ledger.note(note),
            }
        }
        if self.power_loss.is_none() && self.machine.power_lost().is_some() {
            self.lose_power();
        }
        if let Some(why) = self.machine.failure() {
            let why = why.into();
            self.stop(why);
        }
    }

    /// Lets the mover get on and learns what is done.
    fn move_on(&mut self) {
        if self.mover.in_flight() == 0 {
            return;
        }
        self.mover.poll(&mut self.buffers, &mut self.finished);
        self.note_finished();
    }

    /// Learns what the mover has come to the end of, and whether it has failed.
    pub(super) fn note_finished(&mut self) {
        for (plan, outcome) in self.finished.drain(..) {
            let failure = outcome.err().map(|error| words(self.discreet, &error));
            self.deliveries.plan_over(plan, failure);
        }
        self.heed_mover();
    }

    /// What comes next when all is done that can be done now.
    fn next(&mut self) -> Next {
        if self.phase == Phase::Closing && self.mover.in_flight() == 0 && self.at_rest() {
            return Next::Turn;
        }
        let goes_on = self.failure.is_none() && !self.is_held_up();
        let deadline = self.machine.next_deadline().filter(|_| goes_on);
        let due = self.deliveries.next_due();
        let limit = self.desk.ledger.monitor.next_moment(&self.enforced);
        let due = [due, limit.filter(|_| goes_on)].into_iter().flatten().min();
        let at = [deadline.map(|d| d.at), due].into_iter().flatten().min();
        let Some(at) = at else {
            return self.nothing_to_come();
        };
        let host_waits = due.is_some() || deadline.is_some_and(|d| d.host_waits);
        if self.phase != Phase::Running && !host_waits {
            // The drive's own work can be done after the next opening as well.
            return self.nothing_to_come();
        }
        if !self.clock.is_paced() && host_waits {
            self.clock.jump_to(at);
            return Next::Turn;
        }
        if at <= self.clock.now() {
            return Next::Turn;
        }
        Next::Rest(Some(at))
    }

    fn nothing_to_come(&mut self) -> Next {
        let stuck = self.phase != Phase::Running && self.mover.in_flight() == 0;
        if stuck && self.failure.is_none() {
            let waiting = self.desk.waiting();
            let why = format!(
                "it does not come to rest: {waiting} requests wait, nothing is under way and nothing \
                 is to come (a defect of imbrex; what was flushed is safe)"
            );
            self.stop(why.into());
            return Next::Turn;
        }
        Next::Rest(None)
    }
}

#[cfg(test)]
#[path = "event_loop_tests.rs"]
mod tests;
