//! Owns the end of the event loop: no new requests, what is under way is finished, the drive shuts
//! down, everything is durable.
//!
//! Faults on request are lifted first, since an orderly end is none with a stalled drive. A drive
//! without power has nothing to bring to an end.

use super::event_loop::{EventLoop, Phase};
use super::machine::Machine;
use crate::medium::movement::{Plan, PlanId};
use crate::time::Instant;

impl<M: Machine> EventLoop<M> {
    /// No more requests from now on; what is under way is finished, then the drive shuts down.
    /// Nobody waits for the model any more.
    pub(super) fn leave(&mut self) {
        if self.phase == Phase::Running {
            self.phase = Phase::Leaving;
            self.clock.hurry();
            if self.power_loss.is_none() && self.failure.is_none() {
                let now = self.clock.now();
                self.machine.lift(now, None);
                self.carry_out();
            }
        }
    }

    pub(super) fn leave_if_done(&mut self, now: Instant) {
        let moving = self.mover.in_flight() > 0;
        match self.phase {
            Phase::Leaving | Phase::Closing if self.power_loss.is_some() => {
                self.phase = Phase::Over;
            }
            Phase::Leaving if self.failure.is_some() && !moving => self.phase = Phase::Over,
            Phase::Leaving if self.failure.is_none() && self.desk.waiting() == 0 => {
                self.phase = Phase::Closing;
                if !self.read_only {
                    self.machine.shut_down(now);
                    self.carry_out();
                }
            }
            Phase::Closing if !moving && (self.failure.is_some() || self.at_rest()) => {
                self.sync();
                self.phase = Phase::Over;
            }
            _ => {}
        }
    }

    pub(super) fn at_rest(&self) -> bool {
        self.read_only || self.machine.idle()
    }

    /// A last barrier, in case the drive's own was not the last thing it planned.
    fn sync(&mut self) {
        if self.read_only || self.failure.is_some() {
            return;
        }
        self.mover
            .submit(Plan::barrier(PlanId(u64::MAX)), &mut self.buffers);
        while self.mover.in_flight() > 0 {
            self.mover.wait(&mut self.buffers, &mut self.finished);
        }
        self.finished.clear();
        if let Some(error) = self.mover.failure() {
            let why = error.to_string().into();
            self.stop(why);
        }
    }
}
