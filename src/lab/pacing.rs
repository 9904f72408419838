//! Owns when the next request may be submitted: at a rate or in a closed loop, in bursts or without.
//!
//! It knows how many requests are under way and nothing of what they ask.

use super::dice::Dice;
use super::workload::{Arrivals, Bursts, Limits, Spacing};
use crate::time::{Duration, Instant};

/// Decides when the next request comes.
#[derive(Clone, Debug)]
pub(super) struct Pacing {
    arrivals: Arrivals,
    bursts: Option<Bursts>,
    limits: Limits,
    dice: Dice,
    submitted: u64,
    under_way: u64,
    /// Requests of the burst so far.
    in_burst: u64,
    /// When the next request comes at a rate; when the loop may go on.
    next: Instant,
    last_answer: Instant,
}

impl Pacing {
    pub(super) fn new(
        arrivals: Arrivals,
        bursts: Option<Bursts>,
        limits: Limits,
        dice: Dice,
    ) -> Pacing {
        let mut pacing = Pacing {
            arrivals,
            bursts,
            limits,
            dice,
            submitted: 0,
            under_way: 0,
            in_burst: 0,
            next: Instant::default(),
            last_answer: Instant::default(),
        };
        let gap = pacing.gap();
        pacing.next += gap;
        pacing
    }

    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never.
    pub(super) fn next(&self) -> Option<Instant> {
        if self
            .limits
            .count
            .is_some_and(|count| self.submitted >= count)
        {
            return None;
        }
        let at = match self.arrivals {
            _ if self.between_bursts() => return None,
            Arrivals::Open { .. } => self.next,
            Arrivals::Closed { under_way } if self.under_way < u64::from(under_way) => {
                self.next.max(self.last_answer)
            }
            Arrivals::Closed { .. } => return None,
        };
        let end = self
            .limits
            .duration
            .map(|duration| Instant::default() + duration);
        Some(at).filter(|at| end.is_none_or(|end| *at < end))
    }

    pub(super) fn under_way(&self) -> u64 {
        self.under_way
    }

    pub(super) fn submitted(&self) -> u64 {
        self.submitted
    }

    /// A request was submitted.
    pub(super) fn note_submitted(&mut self) {
        self.submitted += 1;
        self.under_way += 1;
        self.in_burst += 1;
        let gap = self.gap();
        self.next += gap;
    }

    /// A request was answered at `at`.
    pub(super) fn note_answered(&mut self, at: Instant) {
        self.under_way -= 1;
        self.last_answer = self.last_answer.max(at);
        if let Some(bursts) = self.bursts
            && self.between_bursts()
            && self.under_way == 0
        {
            self.in_burst = 0;
            self.next = self.last_answer + bursts.pause;
        }
    }

    fn between_bursts(&self) -> bool {
        self.bursts
            .is_some_and(|bursts| self.in_burst >= bursts.count)
    }

    /// Time to the next request, where they come at a rate.
    fn gap(&mut self) -> Duration {
        const THOUSAND_SECONDS_NS: u128 = 1_000_000_000_000;
        let Arrivals::Open {
            per_s_milli,
            spacing,
        } = self.arrivals
        else {
            return Duration::ZERO;
        };
        let share = match spacing {
            Spacing::Even => 1 << 64,
            Spacing::Poisson => self.dice.exponential(),
        };
        let ns = (share * THOUSAND_SECONDS_NS / u128::from(per_s_milli)) >> 64;
        Duration(u64::try_from(ns).unwrap_or(u64::MAX >> 2))
    }
}
