//! Owns how the event loop carries out orders: faults on request, enforced limits, power, saved states.
//!
//! Orders that need the place of the drive for themselves wait for the mover and stop model time
//! meanwhile: what this machine needs for them is not the drive's doing. When the power goes, what the
//! drive has written down is moved to its end, nothing later begins, and all that it only remembered is
//! gone.

use std::path::Path;

use super::bay::DataAfter;
use super::deliveries::Deliveries;
use super::event_loop::EventLoop;
use super::handle::HostError;
use super::machine::Machine;
use super::order::{Conditions, Order, OrderError, Outcome};
use super::time_limits::TimeLimit;
use crate::drive::fault::{Fault, Note};
use crate::image::copying::Copied;
use crate::medium::buffers::Buffers;
use crate::time::Instant;

impl<M: Machine> EventLoop<M> {
    /// Carries out an order.
    pub(super) fn obey(&mut self, order: Order) -> Result<Outcome, OrderError> {
        let now = self.clock.now();
        match order {
            Order::Impose(fault) => self.impose(now, fault),
            Order::Lift(which) => {
                self.needs_power()?;
                let lifted = self.machine.lift(now, which);
                self.carry_out();
                match which {
                    Some(id) if lifted == 0 => Err(OrderError::NoSuchFault(id)),
                    _ => Ok(Outcome::Lifted(lifted)),
                }
            }
            Order::Conditions => Ok(Outcome::Conditions(self.conditions(now))),
            Order::PowerOn => {
                let loss = self.power_loss.as_ref().ok_or(OrderError::HasPower)?;
                let fault = loss.fault;
                self.power_on()?;
                let what = "the power is back".to_owned();
                let at_ns = self.clock.now().0;
                self.desk.ledger.note(Note { at_ns, fault, what });
                Ok(Outcome::Done)
            }
            Order::Enforce(limits) => {
                self.enforced = limits;
                self.taken_out = None;
                Ok(Outcome::Done)
            }
            Order::Save { to } => Ok(Outcome::Saved(self.save(&to)?)),
            Order::Replace { with } => {
                self.replace(&with)?;
                Ok(Outcome::Done)
            }
        }
    }

    fn needs_power(&self) -> Result<(), OrderError> {
        match self.power_loss {
            Some(_) => Err(OrderError::NoPower),
            None => Ok(()),
        }
    }

    fn impose(&mut self, now: Instant, fault: Fault) -> Result<Outcome, OrderError> {
        self.needs_power()?;
        if matches!(fault, Fault::PowerCut(_)) && self.bay.is_none() {
            return Err(OrderError::NoBay);
        }
        let id = self.machine.impose(now, fault)?;
        self.carry_out();
        Ok(Outcome::Imposed(id))
    }

    fn conditions(&mut self, now: Instant) -> Conditions {
        let powered = self.power_loss.is_none();
        if powered && self.failure.is_none() {
            // What has ended by now is not in force any more.
            self.machine.advance(now);
            self.carry_out();
        }
        Conditions {
            powered,
            faults: self.machine.standing(),
            enforced: self.enforced.clone(),
            taken_out: self.taken_out.is_some(),
        }
    }

    /// The power is gone: whoever waits is told, and the drive comes back by recovery, at once or when
    /// told to.
    pub(super) fn lose_power(&mut self) {
        let Some(loss) = self.machine.power_lost().cloned() else {
            return;
        };
        self.settle_mover();
        if self.failure.is_some() {
            return;
        }
        self.forget_requests(&HostError::NoPower);
        let stay_off = loss.stay_off;
        self.power_loss = Some(loss);
        if !stay_off && let Err(error) = self.power_on() {
            self.stop(error.to_string().into());
        }
    }

    /// Opens what lies in the bay, in the place of the drive that was.
    fn power_on(&mut self) -> Result<(), OrderError> {
        let bay = self.bay.as_mut().ok_or(OrderError::NoBay)?;
        let paused = self.clock.pause();
        let opened = bay.open();
        self.clock.go_on(paused);
        let (mut machine, mut mover) = opened?;
        if !self.clock.is_paced() {
            mover.write_at_once();
        }
        machine.succeed(&mut self.machine, self.clock.now());
        self.tally_before = self.tally_before.plus(self.mover.tally());
        (self.machine, self.mover) = (machine, mover);
        self.power_loss = None;
        self.carry_out();
        Ok(())
    }

    fn save(&mut self, to: &Path) -> Result<Copied, OrderError> {
        let paused = self.clock.pause();
        self.settle_mover();
        let settled = self.check_mover();
        let saved = settled.and_then(|()| match &self.bay {
            Some(bay) => bay.save(to).map_err(OrderError::from),
            None => Err(OrderError::NoBay),
        });
        self.clock.go_on(paused);
        saved
    }

    fn replace(&mut self, with: &Path) -> Result<(), OrderError> {
        let paused = self.clock.pause();
        self.settle_mover();
        // Of a drive that has just failed, somebody may want to see the image.
        let settled = self.check_mover();
        let replaced = settled.and_then(|()| match &mut self.bay {
            Some(bay) => bay.replace(with).map_err(OrderError::from),
            None => Err(OrderError::NoBay),
        });
        self.clock.go_on(paused);
        if let Err(OrderError::Bay(error)) = &replaced
            && error.data == DataAfter::Gone
        {
            self.stop(error.to_string().into());
        }
        self.check_mover()?;
        replaced?;
        self.recorders.is_replaced = true;
        self.forget_requests(&HostError::Replaced);
        let opened = self.power_on();
        if let Err(error) = &opened {
            self.stop(error.to_string().into());
        }
        opened
    }

    /// Lets the mover come to the end of all that was planned.
    fn settle_mover(&mut self) {
        while self.mover.in_flight() > 0 {
            self.mover.wait(&mut self.buffers, &mut self.finished);
        }
        self.note_finished();
    }

    fn check_mover(&self) -> Result<(), OrderError> {
        match &self.failure {
            Some(why) => Err(OrderError::Failed(why.to_string())),
            None => Ok(()),
        }
    }

    fn forget_requests(&mut self, error: &HostError) {
        self.deliveries = Deliveries::default();
        self.desk.fail_all(error, &mut self.buffers);
        self.carriers.reply_put_down();
        self.buffers = Buffers::new();
    }

    /// Fails what has waited for longer than an enforced limit allows.
    pub(super) fn enforce(&mut self, now: Instant) {
        let monitor = &mut self.desk.ledger.monitor;
        for (request, limit, at) in monitor.look(now, &self.enforced) {
            let at = crate::time::Duration(at.0);
            log::info!("{request:?} is failed at the limit {limit}, {at} after the start");
            let error = HostError::TooSlow { limit };
            self.desk.fail(request, error, &mut self.buffers);
            self.carriers.reply_put_down();
        }
        let limit = TimeLimit::SlowCommands;
        let too_many = self.desk.ledger.monitor.take_too_many();
        if too_many && self.enforced.contains(&limit) {
            self.taken_out = Some(limit);
            let error = HostError::TakenOut { limit };
            self.desk.fail_all(&error, &mut self.buffers);
            self.carriers.reply_put_down();
        }
    }
}
