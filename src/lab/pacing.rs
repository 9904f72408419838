//! Owns when the next request of a stream may be submitted: at a rate that may follow the day, or in
//! a closed loop; in bursts or without.
//!
//! It knows how many requests of its stream are under way and nothing of what they ask.

use super::dice::Dice;
use super::workload::{Arrivals, Bursts, Day, Spacing, Stream};
use crate::time::{Duration, Instant};
use crate::units::{count, index};

/// Decides when the next request comes.
#[derive(Clone, Debug)]
pub(super) struct Pacing {
    arrivals: Arrivals,
    day: Option<Day>,
    bursts: Option<Bursts>,
    /// Requests of a phase.
    count: Option<u64>,
    dice: Dice,
    /// In this phase.
    submitted: u64,
    under_way: u64,
    /// Requests of the burst so far.
    in_burst: u64,
    /// When the next request comes at a rate; when the loop may go on.
    next: Instant,
    last_answer: Instant,
}

impl Pacing {
    /// A stream that has not begun.
    pub(super) fn new(stream: &Stream, dice: Dice) -> Pacing {
        Pacing {
            arrivals: stream.arrivals,
            day: stream.day.clone(),
            bursts: stream.bursts,
            count: stream.count,
            dice,
            submitted: 0,
            under_way: 0,
            in_burst: 0,
            next: Instant::default(),
            last_answer: Instant::default(),
        }
    }

    /// A phase begins in which it runs. Nothing of it is under way.
    pub(super) fn begin(&mut self, at: Instant) {
        assert_eq!(self.under_way, 0, "phases follow one another");
        self.submitted = 0;
        self.in_burst = 0;
        self.next = at;
        self.last_answer = at;
        self.next = self.after(at);
    }

    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never in this phase.
    pub(super) fn next(&self) -> Option<Instant> {
        if self.is_through() || self.between_bursts() {
            return None;
        }
        match self.arrivals {
            Arrivals::Open { .. } => Some(self.next),
            Arrivals::Closed { under_way } if self.under_way < u64::from(under_way) => {
                Some(self.next.max(self.last_answer))
            }
            Arrivals::Closed { .. } => None,
        }
    }

    /// Whether it has a count for a phase, and has made so many.
    pub(super) fn is_through(&self) -> bool {
        self.count.is_some_and(|count| self.submitted >= count)
    }

    /// Whether it has a count for a phase.
    pub(super) fn is_counted(&self) -> bool {
        self.count.is_some()
    }

    /// A request was submitted.
    pub(super) fn note_submitted(&mut self) {
        self.submitted += 1;
        self.under_way += 1;
        self.in_burst += 1;
        self.next = self.after(self.next);
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

    /// When the request comes that follows one at `at`, where they come at a rate.
    fn after(&mut self, at: Instant) -> Instant {
        let Arrivals::Open {
            per_s_milli,
            spacing,
        } = self.arrivals
        else {
            return at;
        };
        let share = match spacing {
            Spacing::Even => 1 << 64,
            Spacing::Poisson => self.dice.exponential(),
        };
        let rate = Rate {
            per_s_milli: u128::from(per_s_milli),
            day: self.day.as_ref(),
        };
        // Far enough to never come, and not too far to add to.
        let gap = u64::try_from(rate.wait(at, share)).unwrap_or(u64::MAX);
        at + Duration(gap.min(u64::MAX >> 2))
    }
}

/// A rate, and how it changes over the day.
struct Rate<'d> {
    per_s_milli: u128,
    day: Option<&'d Day>,
}

impl Rate<'_> {
    /// Nanoseconds from `at` on in which `share` requests come on average (in units of 2^-64).
    fn wait(&self, at: Instant, share: u128) -> u128 {
        /// One request is so many thousandths times percents times nanoseconds of a second.
        const REQUEST: u128 = 1_000 * 100 * 1_000_000_000;
        let mut wanted = (share * REQUEST) >> 64;
        let Some(day) = self.day else {
            return wanted / (self.per_s_milli * 100);
        };
        let parts = count(day.parts.len());
        let ends = |part: u64| -> u128 {
            u128::from(day.length.0) * u128::from(part + 1) / u128::from(parts)
        };
        let mut now = u128::from(at.0 % day.length.0);
        let mut passed = 0;
        let whole: u128 = (0..parts)
            .map(|part| {
                let begins = part.checked_sub(1).map_or(0, ends);
                (ends(part) - begins) * self.in_part(day, part)
            })
            .sum();
        // Not to the end of a day in which nothing more is wanted.
        if let Some(days) = wanted.saturating_sub(1).checked_div(whole) {
            wanted -= days * whole;
            passed += days * u128::from(day.length.0);
        }
        loop {
            let part = (0..parts).find(|part| now < ends(*part)).unwrap_or(0);
            let (rate, left) = (self.in_part(day, part), ends(part).saturating_sub(now));
            if rate > 0 && rate * left >= wanted {
                return passed + wanted / rate;
            }
            wanted -= rate * left;
            passed += left;
            now = if part + 1 == parts { 0 } else { ends(part) };
        }
    }

    fn in_part(&self, day: &Day, part: u64) -> u128 {
        self.per_s_milli * u128::from(day.parts[index(part)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: u64 = 1_000_000_000;

    fn day(parts: &[u32], seconds: u64) -> Day {
        Day {
            parts: parts.to_vec(),
            length: Duration::from_s(seconds),
        }
    }

    /// Arrivals at 10 a second, evenly, as multiples of 100 ms of full rate.
    fn arrivals(day: &Day, count: usize) -> Vec<u64> {
        let rate = Rate {
            per_s_milli: 10_000,
            day: Some(day),
        };
        let mut at = Instant::default();
        (0..count)
            .map(|_| {
                at += Duration(u64::try_from(rate.wait(at, 1 << 64)).expect("soon"));
                at.0 / (SECOND / 1000)
            })
            .collect()
    }

    #[test]
    fn arrivals_follow_the_parts_of_the_day() {
        // Two seconds at the full rate, two at a tenth, again and again.
        let slow = arrivals(&day(&[100, 10], 4), 24);
        let first: Vec<u64> = (1..=20).map(|n| n * 100).collect();
        assert_eq!(slow[..20], first);
        // 2 s at a tenth are two requests, one of them where the next day begins.
        assert_eq!(slow[20..], [3000, 4000, 4100, 4200]);
        // Nothing in the first half: the first comes 100 ms into the second.
        assert_eq!(arrivals(&day(&[0, 100], 4), 2), [2100, 2200]);
        assert_eq!(arrivals(&day(&[200, 100], 4), 2), [50, 100]);
    }

    #[test]
    fn a_wait_over_many_days_ends_where_their_sum_says() {
        // A day of 3 s at 0.1 a second has 0.2 requests in it, none of them in its last second.
        let rate = Rate {
            per_s_milli: 100,
            day: Some(&day(&[50, 150, 0], 3)),
        };
        let five = rate.wait(Instant::default(), 1 << 64);
        assert_eq!(five, u128::from(4 * 3 * SECOND + 2 * SECOND));
    }
}
