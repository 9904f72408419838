//! Owns reads: from the cache, from the drive's read-ahead buffer, from wherever the map says.

use super::engine::Drive;
use super::meters::Busy;
use super::request::Operation;
use super::waiting::Waiting;
use crate::extent::LbaExtent;
use crate::medium::movement::{Place, Purpose};
use crate::time::Instant;
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::SECTOR_BYTES;

impl Drive {
    /// A read arrives: what needs no arm is answered whatever the arm is doing.
    pub(super) fn take_read(&mut self, now: Instant, mut waiting: Waiting) {
        waiting.buffers.push(waiting.request.buffer());
        let touched = waiting.touched();
        let needs_no_arm = self.needs_no_arm(touched);
        let ready = if self.unreadable(touched).is_some() {
            None
        } else if needs_no_arm {
            Some(now)
        } else {
            self.ahead.ready_at(touched, now)
        };
        let Some(ready) = ready else {
            if !self.ahead.continues(touched) {
                self.interrupt_read_ahead(now);
            }
            self.queue.push_back(waiting);
            return;
        };
        if needs_no_arm && self.is_unwritten(touched) {
            self.counters.host_reads_unwritten += 1;
        }
        self.answer_read(waiting, now, ready);
    }

    /// Answers a read that needs no movement of its own: all of it is at hand at `ready`.
    fn answer_read(&mut self, mut waiting: Waiting, now: Instant, ready: Instant) {
        let touched = waiting.touched();
        let mut draft = Draft::default();
        self.plan_read(&waiting, touched, &mut draft);
        let (plan, mut timing) = self.issue(draft, now);
        let ready = ready.max(self.ready(waiting.arrived));
        let passing = ready.since(self.ready(waiting.arrived).max(now));
        timing.held_up = self.faults.slowed_in(passing);
        timing.transfer = passing - timing.held_up;
        waiting.add(&timing);
        // What the arm has no part in says nothing of what it passes over meanwhile.
        if !self.needs_no_arm(touched) || self.ahead.continues(touched) {
            self.ahead.host_read(touched);
        }
        self.complete(&waiting, ready, plan, now);
    }

    /// Answers the queued reads that lie in the part of the medium that begins to pass now.
    pub(super) fn answer_streaming_reads(&mut self, now: Instant) {
        while let Some(front) = self.queue.front()
            && front.request.operation() == Operation::Read
            && self.unreadable(front.touched()).is_none()
            && let Some(ready) = self.ahead.ready_at(front.touched(), now)
            && let Some(waiting) = self.queue.pop_front()
        {
            self.answer_read(waiting, now, ready);
        }
    }

    /// Whether the drive reads ahead and everything that waits goes on there.
    pub(super) fn streams_on(&self) -> bool {
        let goes_on = |waiting: &Waiting| {
            waiting.request.operation() == Operation::Read
                && self.ahead.continues(waiting.touched())
        };
        self.ahead.wanted() && self.flushes.is_empty() && self.queue.iter().all(goes_on)
    }

    fn needs_no_arm(&self, range: LbaExtent) -> bool {
        let mut pieces = self.cache.pieces(range).into_iter();
        pieces.all(|(part, held)| held.is_some() || self.lies_nowhere(part))
    }

    /// Whether nothing was ever written there, or all of it was discarded.
    fn is_unwritten(&self, range: LbaExtent) -> bool {
        let mut pieces = self.cache.pieces(range).into_iter();
        pieces.all(|(part, held)| held.is_none() && self.lies_nowhere(part))
    }

    fn lies_nowhere(&self, part: LbaExtent) -> bool {
        let mut located = self.back.locate(part).into_iter();
        located.all(|(_, source)| source == Source::Nowhere)
    }

    /// Serves the queued read `chosen` at `at`.
    pub(super) fn serve_read(&mut self, chosen: usize, at: Instant) {
        let Some(mut waiting) = self.queue.remove(chosen) else {
            return;
        };
        let touched = waiting.touched();
        let mut draft = Draft::default();
        self.plan_read(&waiting, touched, &mut draft);
        let (plan, mut timing) = self.issue(draft, at);
        self.fail_read(&mut waiting, at, &mut timing);
        waiting.add(&timing);
        self.ahead.host_read(touched);
        self.complete(&waiting, timing.end, plan, at);
        self.occupy(Busy::Host, at, timing.end);
    }

    fn plan_read(&self, waiting: &Waiting, touched: LbaExtent, draft: &mut Draft) {
        let mut reply = Reply { waiting, draft };
        for (part, held) in self.cache.pieces(touched) {
            if let Some(cached) = held {
                reply.take(part, cached.place(), false);
                continue;
            }
            for (part, source) in self.back.locate(part) {
                match source {
                    Source::Home(pba) | Source::Mapped(pba) => {
                        for (cut, buffered) in self.ahead.split(part) {
                            let pba = pba + (cut.start - part.start);
                            reply.take(cut, Place::sector(pba), buffered);
                        }
                    }
                    Source::Nowhere => reply.take(part, Place::Zeroes, false),
                }
            }
        }
    }
}

/// The reply of a read while its parts are planned.
struct Reply<'a> {
    waiting: &'a Waiting,
    draft: &'a mut Draft,
}

impl Reply<'_> {
    /// Takes the bytes of `part` that were asked for from `from`, where the part begins.
    fn take(&mut self, part: LbaExtent, from: Place, buffered: bool) {
        let request = &self.waiting.request;
        let first = part.start.0 * SECTOR_BYTES;
        let begin = request.offset().max(first);
        let end = (request.offset() + request.bytes()).min(first + part.sectors.bytes());
        let skip = begin - first;
        let from = match from {
            Place::Buffer { id, offset } => Place::Buffer {
                id,
                offset: offset + skip,
            },
            Place::Medium { pba, .. } => Place::Medium { pba, skip },
            other => other,
        };
        let to = Place::Buffer {
            id: request.buffer(),
            offset: begin - request.offset(),
        };
        if buffered {
            self.draft
                .transfer_buffered(from, to, end - begin, Purpose::HostRead);
        } else {
            self.draft
                .transfer(from, to, end - begin, Purpose::HostRead);
        }
    }
}
