//! Owns the choice of the arm's next job.
//!
//! Order: host requests (in turn with a flush that is older), cleaning for a write that lacks room
//! (in turn with other requests), the cache, then what the drive does on its own account when the
//! host leaves it alone. Whoever waits gets a turn after a bounded number of others.

use super::engine::{Closing, Drive};
use super::meters::Busy;
use super::request::Operation;
use crate::profile::{CleaningStep, QueueOrder};
use crate::time::{Duration, Instant};
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::index;

/// How often the oldest request lets another one go first that the order of the queue prefers.
const PASSED_OVER_MAX: u32 = 32;

impl Drive {
    /// Starts the next job at `at`, if there is any; tells whether it did.
    pub(super) fn pick(&mut self, at: Instant) -> bool {
        if self.profile.cleaning.step == CleaningStep::Band
            && self
                .back
                .translation()
                .is_some_and(|t| t.cleaning_band().is_some())
            && self.clean(at)
        {
            return true;
        }
        if self.need.is_some() && !self.yielded {
            return self.clean_for_room(at);
        }
        self.yielded = false;
        let chosen = self.next_request(at);
        if self.flush_has_its_turn(chosen) && self.serve_flushes(at) {
            self.flush_yields = true;
            return true;
        }
        self.flush_yields = false;
        if let Some(chosen) = chosen {
            self.serve(chosen, at);
            return true;
        }
        if self.need.is_some() {
            return self.clean_for_room(at);
        }
        if self.serve_flushes(at) || self.close(at) {
            return true;
        }
        if self.host_waits() {
            // A request whose electronics are about to be through finds the arm free, unless it
            // goes on where the arm is reading: a pause would cost a revolution.
            return self.streams_on() && self.read_ahead(at);
        }
        self.on_own_account(at)
    }

    /// A flush that came before the request chosen takes turns with the host's requests: neither
    /// waits for the other for ever.
    fn flush_has_its_turn(&self, chosen: Option<usize>) -> bool {
        let (Some((flush, _)), Some(chosen)) = (self.flushes.front(), chosen) else {
            return false;
        };
        self.need.is_none() && !self.flush_yields && flush.arrived <= self.queue[chosen].arrived
    }

    /// Index of the queued request to serve next: while writes lack room, only others.
    fn next_request(&mut self, at: Instant) -> Option<usize> {
        let (first, preferred) = self.candidates(at)?;
        if first == preferred || self.passed_over >= PASSED_OVER_MAX {
            self.passed_over = 0;
            return Some(first);
        }
        self.passed_over += 1;
        Some(preferred)
    }

    /// The oldest queued request that can be served, and the one that the order of the queue prefers.
    fn candidates(&mut self, at: Instant) -> Option<(usize, usize)> {
        let depth = index(u64::from(self.profile.drive.queue_depth));
        let blocked = self.need.is_some();
        let mut candidates = self
            .queue
            .iter()
            .take(depth)
            .enumerate()
            .filter(|(_, waiting)| {
                self.ready(waiting.arrived) <= at
                    && (!blocked || waiting.request.operation() == Operation::Read)
            });
        let (first, _) = candidates.clone().next()?;
        match self.profile.drive.queue_order {
            QueueOrder::Arrival => Some((first, first)),
            QueueOrder::Nearest | QueueOrder::Elevator
                if self.queue[first].request.operation() != Operation::Read =>
            {
                Some((first, first))
            }
            QueueOrder::Nearest => candidates
                .by_ref()
                .filter(|(_, waiting)| waiting.request.operation() == Operation::Read)
                .min_by_key(|(i, _)| (self.distance(*i, at), *i))
                .map(|(nearest, _)| (first, nearest)),
            QueueOrder::Elevator => {
                let stops: Vec<(usize, Option<u32>)> = candidates
                    .filter(|(_, waiting)| waiting.request.operation() == Operation::Read)
                    .map(|(i, _)| (i, self.cylinder(i)))
                    .collect();
                let next = self.elevator.choose(self.arm.spot().0, &stops)?;
                Some((first, next))
            }
        }
    }

    /// The cylinder where a queued read begins, if it needs the arm.
    fn cylinder(&self, queued: usize) -> Option<u32> {
        match self.back.source_at(self.queue[queued].touched().start) {
            Source::Home(pba) | Source::Mapped(pba) => {
                self.back.layout().spot(pba).map(|spot| spot.cylinder)
            }
            Source::Nowhere => None,
        }
    }

    fn distance(&self, queued: usize, at: Instant) -> Duration {
        match self.back.source_at(self.queue[queued].touched().start) {
            Source::Home(pba) | Source::Mapped(pba) => {
                self.arm.positioning(self.back.layout(), at, pba, false)
            }
            Source::Nowhere => Duration::ZERO,
        }
    }

    fn serve(&mut self, chosen: usize, at: Instant) {
        if self.queue[chosen].request.operation() != Operation::Read
            && let Some(hit) = self.spoils(&self.queue[chosen])
        {
            return self.fail_queued(chosen, hit, at);
        }
        match self.queue[chosen].request.operation() {
            Operation::Read => self.serve_read(chosen, at),
            Operation::Trim => self.serve_trim(chosen, at),
            _ => self.serve_write(chosen, at),
        }
    }

    /// Flushes whose share of the cache is on the medium are answered; otherwise some of it goes.
    fn serve_flushes(&mut self, at: Instant) -> bool {
        let Some((first, mark)) = self.flushes.front() else {
            return false;
        };
        if self.ready(first.arrived) > at {
            return false;
        }
        if !self.cache.is_clean_before(*mark) {
            let mark = Some(*mark);
            return self.destage(at, mark);
        }
        let mut draft = Draft::default();
        self.back.flush(&mut draft);
        let (_, timing) = self.issue(draft, at);
        while let Some((waiting, mark)) = self.flushes.pop_front() {
            if !self.cache.is_clean_before(mark) {
                self.flushes.push_front((waiting, mark));
                break;
            }
            self.complete(&waiting, timing.end, self.last_barrier, at);
        }
        self.occupy(Busy::Host, at, timing.end);
        true
    }

    fn close(&mut self, at: Instant) -> bool {
        let Closing::Destaging(mark) = self.closing else {
            return false;
        };
        if !self.cache.is_clean_before(mark) {
            return self.destage(at, Some(mark));
        }
        if self.still {
            self.closing = Closing::Done;
            return false;
        }
        let mut draft = Draft::default();
        self.back.merge(&mut draft);
        self.back.flush_always(&mut draft);
        let (_, timing) = self.issue(draft, at);
        self.closing = Closing::Done;
        self.occupy(Busy::Host, at, timing.end);
        true
    }

    fn on_own_account(&mut self, at: Instant) -> bool {
        let delay = self.profile.write_cache.destage_delay;
        let waited = self.cached_since.is_some_and(|since| since + delay <= at);
        let clean = self
            .overdue
            .is_none_or(|mark| self.cache.is_clean_before(mark));
        if clean {
            self.overdue = waited.then(|| self.cache.mark());
            if waited {
                self.cached_since = None;
            }
        }
        if self.overdue.is_some() && self.destage(at, self.overdue) {
            return true;
        }
        let at_once = self.cache.is_half_full() || !self.cache_enabled;
        if at_once && self.destage(at, None) {
            return true;
        }
        if self.ahead.wanted() && self.read_ahead(at) {
            return true;
        }
        let idle_from = self.last_host + self.profile.cleaning.idle_delay;
        at >= idle_from && self.wants_cleaning() && self.clean(at)
    }

    /// A step of cleaning on the drive's own account.
    fn clean(&mut self, at: Instant) -> bool {
        let mut draft = Draft::default();
        let before = self.bands_cleaned();
        let Some(band) = self.back.clean_step(&mut draft, None) else {
            self.clean_in_vain = true;
            return false;
        };
        let tries = self.cleaning_tries(at, band, &draft);
        let (_, timing) = self.issue(draft, at);
        if self.bands_cleaned() > before {
            self.need = None;
        }
        let low = u64::from(self.profile.cleaning.low_mark_percent);
        self.draining = self
            .back
            .translation()
            .is_some_and(|t| t.fill_percent() > low);
        self.occupy(Busy::Cleaning(band), at, timing.end + tries);
        true
    }

    fn bands_cleaned(&self) -> u64 {
        self.back
            .translation()
            .map_or(0, |translation| translation.counts().bands_cleaned)
    }

    /// A step of cleaning because a write lacks room.
    fn clean_for_room(&mut self, at: Instant) -> bool {
        let mut draft = Draft::default();
        let before = self.bands_cleaned();
        let Some(band) = self.back.clean_step(&mut draft, self.need) else {
            self.fail(format!(
                "the staging area is full ({:?}) and there is no band to clean: a defect of imbrex",
                self.need
            ));
            return false;
        };
        let tries = self.cleaning_tries(at, band, &draft);
        let (_, timing) = self.issue(draft, at);
        let after = self.bands_cleaned();
        self.counters.bands_cleaned_foreground += after - before;
        self.yielded = true;
        if after > before {
            // The writes find out for themselves whether there is room now.
            self.need = None;
        }
        self.occupy(Busy::Room(band), at, timing.end + tries);
        true
    }
}
