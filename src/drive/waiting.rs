//! Owns a host request while the drive works on it, and how its time adds up.
//!
//! Always holds: the parts of a finished breakdown sum to completion minus arrival.

use std::collections::VecDeque;

use smallvec::SmallVec;

use super::fault::Failing;
use super::meters::{Meters, Reading};
use super::request::{Breakdown, Completion, Request};
use crate::extent::{Extent, LbaExtent};
use crate::medium::movement::{BufferId, PlanId};
use crate::medium::timing::Timing;
use crate::time::{Duration, Instant};
use crate::translation::Piece;
use crate::units::{Lba, SECTOR_BYTES, Sectors};

/// A host request under way.
#[derive(Clone, Debug)]
pub struct Waiting {
    /// What was asked.
    pub request: Request,
    /// When.
    pub arrived: Instant,
    /// What the meters said then.
    meters: Reading,
    /// Parts known so far.
    parts: Breakdown,
    /// The longest that it waited for one sector to come round.
    longest_turn: Duration,
    /// What of a write is not on the medium yet.
    pub pieces: VecDeque<Piece>,
    /// Whether `pieces` was filled.
    pub prepared: bool,
    /// For a discard that covers sectors only in part: those were zeroed already.
    pub edges_done: bool,
    /// Sectors that it writes in part, read and merged already: nobody else may write them now.
    pub held: Vec<Lba>,
    /// Buffers to release when it is done.
    pub buffers: SmallVec<[BufferId; 1]>,
    /// Why it fails, if it does.
    pub failing: Option<Failing>,
}

impl Waiting {
    /// A request that arrived at `arrived`.
    pub fn new(request: Request, arrived: Instant, meters: Reading) -> Waiting {
        Waiting {
            request,
            arrived,
            meters,
            parts: Breakdown::default(),
            longest_turn: Duration::ZERO,
            pieces: VecDeque::new(),
            prepared: false,
            edges_done: false,
            held: Vec::new(),
            buffers: SmallVec::new(),
            failing: None,
        }
    }

    /// The sectors that the request touches, in whole or in part.
    ///
    /// # Panics
    /// For a flush, which touches none.
    pub fn touched(&self) -> LbaExtent {
        let end = (self.request.offset() + self.request.bytes()).div_ceil(SECTOR_BYTES);
        let start = Lba(self.request.offset() / SECTOR_BYTES);
        Extent::between(start, Lba(end)).expect("only a flush has no range")
    }

    /// The sectors that the request covers in whole.
    pub fn covered(&self) -> Option<LbaExtent> {
        let start = Lba(self.request.offset().div_ceil(SECTOR_BYTES));
        let end = Lba((self.request.offset() + self.request.bytes()) / SECTOR_BYTES);
        Extent::between(start, end)
    }

    /// Whether it covers every sector that it touches.
    pub fn is_whole(&self) -> bool {
        self.covered() == Some(self.touched())
    }

    /// Whether it must be durable before it is acknowledged, whatever the cache says.
    pub fn is_fua(&self) -> bool {
        self.request.operation().is_fua()
    }

    /// Adds the time of a job that worked on it.
    pub fn add(&mut self, timing: &Timing) {
        self.parts.seek += timing.seek;
        self.parts.rotation += timing.rotation;
        self.parts.transfer += timing.transfer;
        self.parts.out_of_band += timing.out_of_band;
        self.parts.slowed += timing.held_up;
        self.longest_turn = self.longest_turn.max(timing.longest_turn);
    }

    /// Adds a merge of the map that its own job had to make.
    pub fn add_merge(&mut self, duration: Duration) {
        self.parts.merge += duration;
    }

    /// The completion: mechanically done at `done`, after `interface` at the host.
    pub fn complete(&self, ending: &Ending, meters: &Meters) -> Completion {
        let due = ending.done + ending.interface;
        let reading = meters.read(ending.started);
        let waits = reading.since(self.meters);
        let mut breakdown = self.parts;
        breakdown.transfer += ending.interface;
        let total = due.since(self.arrived);
        let mut rest = total.saturating_sub(breakdown.modelled());
        // A write that joins an entry under way has part of its electronics' time inside it.
        breakdown.overhead = ending.overhead.min(rest);
        rest = rest - breakdown.overhead;
        // What the arm did before this request's own jobs; never more than what is left.
        for (part, wait) in [
            (&mut breakdown.stalled, waits.stalled),
            (&mut breakdown.room, waits.room),
            (&mut breakdown.cleaning, waits.cleaning),
            (&mut breakdown.merge, waits.merge),
            (&mut breakdown.destage, waits.destage),
        ] {
            let wait = wait.min(rest);
            *part += wait;
            rest = rest - wait;
        }
        breakdown.queue = rest;
        Completion {
            request: self.request.id(),
            operation: self.request.operation(),
            offset: self.request.offset(),
            bytes: self.request.bytes(),
            arrived: self.arrived,
            due,
            needs: ending.needs,
            breakdown,
            behind: meters.cleaned(self.meters, reading),
            room_by: meters.cleaned_for_room(self.meters, reading),
            missed_by: missed_by(self.longest_turn, ending.revolution),
            failing: self.failing,
        }
    }
}

/// By how much a wait of nearly a whole revolution missed the sector: one of the last eighth.
fn missed_by(turn: Duration, revolution: Duration) -> Option<Duration> {
    let missed = revolution.saturating_sub(turn);
    (missed > Duration::ZERO && missed.0 <= revolution.0 / 8).then_some(missed)
}

/// How a request ends.
#[derive(Clone, Copy, Debug)]
pub struct Ending {
    /// When the mechanism is done.
    pub done: Instant,
    /// Electronics, before the mechanism begins.
    pub overhead: Duration,
    /// Transfer to or from the host.
    pub interface: Duration,
    /// The plan that must have been carried out.
    pub needs: Option<PlanId>,
    /// When its last job began.
    pub started: Instant,
    /// How long a revolution takes.
    pub revolution: Duration,
}

/// Bytes of `sectors` that a request's buffer holds before sector `lba`.
pub fn buffer_offset(request: &Request, lba: Lba) -> u64 {
    (lba.0 * SECTOR_BYTES).saturating_sub(request.offset())
}

/// Net length in sectors of what is still to write.
pub fn left(pieces: &VecDeque<Piece>) -> Sectors {
    Sectors(pieces.iter().map(|piece| piece.extent.sectors.0).sum())
}
