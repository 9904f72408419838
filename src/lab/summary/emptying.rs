//! Owns how the staging area empties once nobody asks for anything any more: which fill is reached when.

use serde::Serialize;

use crate::time::Instant;

/// The moment at which the staging area was down to a fill.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Emptied {
    /// Share of the slots in use, rounded up to whole percents.
    pub percent: u64,
    /// Nanoseconds from the last answer until no more was in use.
    pub after_ns: u64,
}

/// Notes fills that were not reached before.
#[derive(Clone, Debug)]
pub(super) struct Emptying {
    since: Instant,
    slots: u64,
    reached: Vec<Emptied>,
}

impl Emptying {
    /// Nothing was seen yet of an area of `slots` slots; the last answer was given at `since`.
    pub(super) fn new(since: Instant, slots: u64) -> Emptying {
        Emptying {
            since,
            slots,
            reached: Vec::new(),
        }
    }

    /// At `at`, so many slots are in use. A drive without a staging area has none.
    pub(super) fn level(&mut self, at: Instant, used: u64) {
        let percent = match self.slots {
            0 => 0,
            slots => (used * 100).div_ceil(slots),
        };
        if self
            .reached
            .last()
            .is_none_or(|last| last.percent > percent)
        {
            self.reached.push(Emptied {
                percent,
                after_ns: at.since(self.since).0,
            });
        }
    }

    /// What was reached, descending by percent.
    pub(super) fn finish(self) -> Vec<Emptied> {
        self.reached
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_fill_is_noted_when_it_is_reached_first() {
        let mut emptying = Emptying::new(Instant(1_000), 200);
        for (at, used) in [
            (1_000, 200),
            (2_000, 199),
            (3_000, 150),
            (4_000, 180),
            (9_000, 0),
        ] {
            emptying.level(Instant(at), used);
        }
        let seen: Vec<(u64, u64)> = emptying
            .finish()
            .iter()
            .map(|one| (one.percent, one.after_ns))
            .collect();
        assert_eq!(seen, [(100, 0), (75, 2_000), (0, 8_000)]);
    }
}
