//! Owns the read-ahead buffer: which run of addresses the drive has passed over, and when the rest
//! of the part under way will have passed.
//!
//! Never holds more than its size of what the host has read, and as much ahead of it.
//! Only times are kept here. The bytes of a buffered sector are read from where they live, so a
//! write can never make them stale.

use super::engine::{Drive, Job};
use super::meters::Busy;
use crate::extent::{Extent, LbaExtent};
use crate::medium::movement::{Place, Purpose};
use crate::time::{Duration, Instant};
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::{Lba, Sectors};

/// The read-ahead buffer.
#[derive(Clone, Debug)]
pub struct ReadAhead {
    limit: Sectors,
    /// Passed over already.
    window: Option<LbaExtent>,
    /// Under way.
    part: Option<Part>,
    /// The host reads in sequence.
    sequential: bool,
    /// How far the drive reads on.
    until: Lba,
}

#[derive(Clone, Copy, Debug)]
struct Part {
    extent: LbaExtent,
    begins: Instant,
    ends: Instant,
}

impl Part {
    /// When the sectors before `end` have passed.
    fn passed(&self, end: Lba) -> Instant {
        let share = u128::from((end - self.extent.start).0);
        let whole = u128::from(self.extent.sectors.0);
        let time = u128::from(self.ends.since(self.begins).0);
        self.begins
            + Duration(u64::try_from((time * share).div_ceil(whole)).unwrap_or(u64::MAX / 4))
    }

    /// Sectors that have passed by `now`.
    fn filled(&self, now: Instant) -> Sectors {
        let time = u128::from(self.ends.since(self.begins).0).max(1);
        let gone = u128::from(now.since(self.begins).0).min(time);
        let sectors = u128::from(self.extent.sectors.0) * gone / time;
        Sectors(u64::try_from(sectors).unwrap_or(0))
    }
}

impl ReadAhead {
    /// A buffer for `bytes` bytes behind the host and as many ahead of it; 0: there is none.
    pub fn new(bytes: u64) -> ReadAhead {
        ReadAhead {
            limit: Sectors::holding(bytes),
            window: None,
            part: None,
            sequential: false,
            until: Lba(0),
        }
    }

    /// The host read `range`.
    pub fn host_read(&mut self, range: LbaExtent) {
        self.sequential = self.limit.0 > 0 && self.continues(range);
        let end = match self.window {
            Some(window) if self.sequential => window.end().max(range.end()),
            _ => range.end(),
        };
        let newest = Lba(range.end().0.saturating_sub(self.limit.0));
        self.window = Extent::between(range.start.max(newest), end);
        self.until = range.end() + self.limit;
    }

    /// Whether `range` begins in the buffer or right behind it.
    pub fn continues(&self, range: LbaExtent) -> bool {
        let Some(window) = self.window else {
            return false;
        };
        let end = self.part.map_or(window.end(), |part| part.extent.end());
        window.start <= range.start && range.start <= end
    }

    /// When all of `range` is in the buffer, if it is or will be without a new decision.
    pub fn ready_at(&self, range: LbaExtent, now: Instant) -> Option<Instant> {
        let window = self.window.filter(|window| window.start <= range.start)?;
        if range.end() <= window.end() {
            return Some(now);
        }
        let part = self.part.filter(|part| range.end() <= part.extent.end())?;
        Some(part.passed(range.end()).max(now))
    }

    /// Cuts a run into what is in the buffer and what is not.
    pub fn split(&self, run: LbaExtent) -> Vec<(LbaExtent, bool)> {
        let held = self.window.and_then(|window| {
            let end = self.part.map_or(window.end(), |part| part.extent.end());
            Extent::between(window.start, end)?.intersect(&run)
        });
        let Some(held) = held else {
            return vec![(run, false)];
        };
        let before = Extent::between(run.start, held.start).map(|part| (part, false));
        let after = Extent::between(held.end(), run.end()).map(|part| (part, false));
        before
            .into_iter()
            .chain([(held, true)])
            .chain(after)
            .collect()
    }

    /// Whether the drive would read on if nobody wants anything.
    pub fn wanted(&self) -> bool {
        self.sequential
            && self.part.is_none()
            && self.window.is_some_and(|window| window.end() < self.until)
    }

    /// The part under way has passed as far as `filled` tells.
    fn finish(&mut self, filled: Option<Instant>) {
        let Some(part) = self.part.take() else { return };
        let sectors = filled.map_or(part.extent.sectors, |now| part.filled(now));
        if let Some(window) = self.window {
            self.window = Extent::between(window.start, part.extent.start + sectors);
        }
    }
}

impl Drive {
    /// Begins to read the next part ahead, about a track; tells whether there is one.
    pub(super) fn read_ahead(&mut self, at: Instant) -> bool {
        let next = self.ahead.window.map_or(Lba(0), |window| window.end());
        let end = self.ahead.until.min(Lba(self.back.layout().capacity().0));
        let located = Extent::between(next, end).map(|range| self.back.locate(range));
        let first = located.and_then(|parts| parts.first().copied());
        let Some((part, Source::Home(pba) | Source::Mapped(pba))) = first else {
            self.ahead.sequential = false;
            return false;
        };
        let track = self
            .back
            .layout()
            .track_place(pba)
            .map_or(Sectors(256), |place| place.left);
        let sectors = part.sectors.min(track.max(Sectors(1)));
        let mut draft = Draft::default();
        draft.transfer(
            Place::sector(pba),
            Place::Discard,
            sectors.bytes(),
            Purpose::ReadAhead,
        );
        let (_, timing) = self.issue(draft, at);
        let begins = at + timing.seek + timing.rotation;
        self.ahead.part = Some(Part {
            extent: Extent::new(part.start, sectors),
            begins,
            ends: timing.end,
        });
        self.meters.begin(Busy::Host, at);
        self.job = Some(Job {
            ends: timing.end,
            ahead: true,
        });
        self.answer_streaming_reads(at);
        true
    }

    /// The host wants something else: the arm is free at once.
    pub(super) fn interrupt_read_ahead(&mut self, now: Instant) {
        if self.job.is_some_and(|job| job.ahead) {
            self.ahead.finish(Some(now));
            self.ahead.sequential = false;
            self.meters.end(now);
            self.job = None;
            self.free_at = now;
        }
    }

    /// A part was read in full.
    pub(super) fn end_read_ahead(&mut self) {
        self.ahead.finish(None);
    }
}
