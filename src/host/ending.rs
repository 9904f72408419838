//! Owns the ends of the event loop. In good order: no new requests, what is under way is finished, the
//! drive shuts down, everything is durable. And by a failure: nobody waits any longer.
//!
//! Faults on request end first, since an orderly end is none with a stalled drive. A drive
//! without power has nothing to bring to an end.

use std::sync::Arc;

use super::event_loop::{EventLoop, Phase};
use super::handle::HostError;
use super::machine::Machine;
use crate::image::discreet;
use crate::medium::movement::{Plan, PlanId};
use crate::medium::mover::MoverError;
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
                self.machine.leave_faults(now);
                self.carry_out();
            }
        }
    }

    pub(super) fn leave_if_done(&mut self, now: Instant) {
        let moving = self.mover.in_flight() > 0;
        if self.phase == Phase::Leaving && self.desk.waiting() == 0 {
            // What the drive does by itself from here on, nobody asked for.
            self.end_recordings(None, now);
        }
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
        self.heed_mover();
    }

    /// Stops if the mover has failed.
    pub(super) fn heed_mover(&mut self) {
        if let Some(error) = self.mover.failure() {
            let why = words(self.discreet, error);
            self.stop(why);
        }
    }

    /// The drive has failed: nobody waits any longer.
    pub(super) fn stop(&mut self, why: Arc<str>) {
        if self.failure.is_some() {
            return;
        }
        log::error!("the drive has failed: {why}");
        let error = HostError::Failed(Arc::clone(&why));
        self.failure = Some(why);
        self.deliveries.forget_all();
        self.desk.fail_all(&error, &mut self.buffers);
        self.carriers.reply_put_down();
    }
}

/// What the mover could not do; of a drive that is sealed without the place.
pub(super) fn words(is_discreet: bool, error: &MoverError) -> Arc<str> {
    if is_discreet {
        discreet::words(error).into()
    } else {
        error.to_string().into()
    }
}
