//! Owns what faults on request do to the commands that a drive works on.
//!
//! Always holds: a command that fails has changed nothing, and is answered like any other, with its time
//! accounted for. Where no fault is in force this costs a look at an empty list.

use super::engine::Drive;
use super::fault::Failing;
use super::faults::Hit;
use super::meters::Busy;
use super::request::Operation;
use super::waiting::Waiting;
use crate::extent::{Extent, LbaExtent};
use crate::medium::movement::{Movement, Place, Purpose, Step};
use crate::medium::timing::Timing;
use crate::time::{Duration, Instant};
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::{HomeBand, SECTOR_BYTES, Sectors};

impl Drive {
    /// Why a command that arrives is turned away, if it is.
    pub(super) fn turned_away(&mut self, now: Instant, operation: Operation) -> Option<Failing> {
        if self.faults.imposed().is_empty() {
            return None;
        }
        let changes = !matches!(operation, Operation::Read | Operation::Flush);
        let bands = self.counters.bands_cleaned_foreground;
        self.faults
            .turns_away(now, changes, bands, operation.word())
    }

    /// Answers that a command fails. It has changed nothing.
    pub(super) fn complete_failing(
        &mut self,
        mut waiting: Waiting,
        failing: Failing,
        (at, done): (Instant, Instant),
    ) {
        waiting.failing = Some(failing);
        if matches!(
            waiting.request.operation(),
            Operation::Read | Operation::Write { .. }
        ) && waiting.buffers.is_empty()
        {
            waiting.buffers.push(waiting.request.buffer());
        }
        self.complete(&waiting, done, None, at);
        self.say_notes();
    }

    /// The media error that reading `range` meets.
    pub(super) fn unreadable(&self, range: LbaExtent) -> Option<Hit> {
        if self.faults.imposed().is_empty() {
            return None;
        }
        let located = |part| self.back.locate(part).into_iter();
        self.cache
            .pieces(range)
            .into_iter()
            .filter(|(_, held)| held.is_none())
            .flat_map(|(part, _)| located(part))
            .find_map(|(part, source): (LbaExtent, Source)| self.faults.unreadable(part, source))
    }

    /// The media error that a write, zeroing or discard meets, unless it has begun already.
    pub(super) fn spoils(&self, waiting: &Waiting) -> Option<Hit> {
        if self.faults.imposed().is_empty() || waiting.prepared {
            return None;
        }
        let touched = waiting.touched();
        let discards = waiting.request.operation() == Operation::Trim;
        if !discards && let Some(hit) = self.faults.unwritable(touched) {
            return Some(hit);
        }
        let covered = waiting.covered();
        let (head, tail) = covered.map_or((touched.end(), touched.end()), |covered| {
            (covered.start, covered.end())
        });
        let edges = [(touched.start, head), (tail, touched.end())];
        edges
            .into_iter()
            .filter_map(|(from, upto)| Extent::between(from, upto))
            .find_map(|edge| self.unreadable(edge))
    }

    /// A queued command that is no read fails.
    pub(super) fn fail_queued(&mut self, chosen: usize, hit: Hit, at: Instant) {
        let Some(mut waiting) = self.queue.remove(chosen) else {
            return;
        };
        self.faults
            .struck(at, hit.failing, waiting.request.operation().word());
        waiting.add(&Timing {
            held_up: hit.tries,
            ..Timing::at(at)
        });
        let done = at + hit.tries;
        self.complete_failing(waiting, hit.failing, (at, done));
        self.occupy(Busy::Host, at, done);
    }

    /// A read that was served meets an error: the drive tries for a while longer and gives up.
    pub(super) fn fail_read(&mut self, waiting: &mut Waiting, at: Instant, timing: &mut Timing) {
        let Some(hit) = self.unreadable(waiting.touched()) else {
            return;
        };
        self.faults.struck(at, hit.failing, "read");
        waiting.failing = Some(hit.failing);
        timing.held_up += hit.tries;
        timing.end += hit.tries;
        self.say_notes();
    }

    /// The host's bytes of these sectors come to the medium, or are forgotten.
    pub(super) fn note_rewritten(&mut self, at: Instant, sectors: LbaExtent) {
        if !self.faults.imposed().is_empty() {
            self.faults.rewritten(at, sectors);
            self.say_notes();
        }
    }

    /// How long a step of cleaning tries to read what it cannot.
    pub(super) fn cleaning_tries(
        &mut self,
        at: Instant,
        band: HomeBand,
        draft: &Draft,
    ) -> Duration {
        if self.faults.imposed().is_empty() {
            return Duration::ZERO;
        }
        let start = self.back.layout().home_extent(band).start;
        let reads = draft.steps().iter().filter_map(|step| match step {
            Step::Move(Movement {
                to: Place::Scratch { offset },
                bytes,
                purpose: purpose @ (Purpose::CleanRead | Purpose::CleanGather),
                ..
            }) => {
                let first = start + Sectors(offset / SECTOR_BYTES);
                let part = LbaExtent::new(first, Sectors::holding(*bytes));
                Some((part, *purpose))
            }
            _ => None,
        });
        let parts: Vec<(LbaExtent, Purpose)> = reads.collect();
        let tries = self.faults.cleaning_reads(at, band, &parts);
        self.say_notes();
        tries
    }
}
