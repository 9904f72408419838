//! Owns what the event loop needs of a drive: the sans-IO interface of `drive`, as a trait so that
//! the loop is tested with a stand-in whose moments are known.
//!
//! Nothing here may sleep, block or ask for the time.

use crate::drive::Drive;
use crate::drive::fault::{Fault, FaultError, FaultId, PowerLoss, Standing};
use crate::drive::request::{Deadline, Effect, Request, Status, Whereabouts};
use crate::time::Instant;

/// A drive that decides and writes down what is to be done.
pub trait Machine: Send {
    /// Takes a request that arrives now.
    fn submit(&mut self, now: Instant, request: Request);
    /// Lets model time pass until `now`.
    fn advance(&mut self, now: Instant);
    /// When it wants to be called next, if at all.
    fn next_deadline(&self) -> Option<Deadline>;
    /// Appends what it wants done, in order, and forgets it.
    fn drain_effects(&mut self, into: &mut Vec<Effect>);
    /// Where each part of a range lives, in order, without gaps; may stop early after at least one
    /// part. Bytes and place.
    fn whereabouts(&self, offset: u64, bytes: u64) -> Vec<(u64, Whereabouts)>;
    /// A snapshot.
    fn status(&self, now: Instant) -> Status;
    /// The defect that stopped it.
    fn failure(&self) -> Option<&str>;
    /// Nothing queued, nothing cached.
    fn idle(&self) -> bool;
    /// Brings everything to the medium and merges the map, then stays idle.
    fn shut_down(&mut self, now: Instant);
    /// Imposes a fault on request.
    fn impose(&mut self, now: Instant, fault: Fault) -> Result<FaultId, FaultError>;
    /// Lifts a fault, or all of them; how many were in force.
    fn lift(&mut self, now: Instant, which: Option<FaultId>) -> usize;
    /// Ends all faults, because the session ends.
    fn leave_faults(&mut self, now: Instant);
    /// The faults in force.
    fn standing(&self) -> Vec<Standing>;
    /// Whether the power is gone on request.
    fn power_lost(&self) -> Option<&PowerLoss>;
    /// Goes on where `former`, which was switched off, has ended.
    fn succeed(&mut self, former: &mut Self, now: Instant);
}

impl Machine for Drive {
    fn submit(&mut self, now: Instant, request: Request) {
        Drive::submit(self, now, request);
    }

    fn advance(&mut self, now: Instant) {
        Drive::advance(self, now);
    }

    fn next_deadline(&self) -> Option<Deadline> {
        Drive::next_deadline(self)
    }

    fn drain_effects(&mut self, into: &mut Vec<Effect>) {
        Drive::drain_effects(self, into);
    }

    fn whereabouts(&self, offset: u64, bytes: u64) -> Vec<(u64, Whereabouts)> {
        Drive::whereabouts(self, offset, bytes)
    }

    fn status(&self, now: Instant) -> Status {
        Drive::status(self, now)
    }

    fn failure(&self) -> Option<&str> {
        Drive::failure(self)
    }

    fn idle(&self) -> bool {
        Drive::idle(self)
    }

    fn shut_down(&mut self, now: Instant) {
        Drive::shut_down(self, now);
    }

    fn impose(&mut self, now: Instant, fault: Fault) -> Result<FaultId, FaultError> {
        Drive::impose(self, now, fault)
    }

    fn lift(&mut self, now: Instant, which: Option<FaultId>) -> usize {
        Drive::lift(self, now, which)
    }

    fn leave_faults(&mut self, now: Instant) {
        Drive::leave_faults(self, now);
    }

    fn standing(&self) -> Vec<Standing> {
        Drive::standing(self)
    }

    fn power_lost(&self) -> Option<&PowerLoss> {
        Drive::power_lost(self)
    }

    fn succeed(&mut self, former: &mut Drive, now: Instant) {
        Drive::succeed(self, former, now);
    }
}
