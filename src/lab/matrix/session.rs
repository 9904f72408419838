//! Owns what is measured of a served session: the drive's own account, and what follows from when its
//! requests came and were answered.

use super::measured::{Beside, Measured};
use crate::host::owner::Stopped;
use crate::host::recorder::Answered;
use crate::lab::summary::{self, Unwritten};
use crate::medium::movement::Purpose;

/// Gathers when requests came and were answered.
#[derive(Debug, Default)]
pub struct Session {
    /// When each arrived and was answered, in nanoseconds, in the order of answers.
    spans: Vec<(u64, u64)>,
}

impl Session {
    /// Takes answers in the order in which they were given.
    pub fn take(&mut self, answers: &[Answered]) {
        self.spans.extend(answers.iter().map(|answered| {
            let completion = &answered.completion;
            (completion.arrived.0, completion.due.0 + answered.lag.0)
        }));
    }

    /// What was measured of the drive that has `stopped`, and of what ran `beside` it.
    pub fn finish(mut self, stopped: &Stopped, beside: Option<Beside>) -> Measured {
        let counters = &stopped.status.counters;
        let uses = Purpose::ALL.into_iter().zip(counters.medium_bytes);
        let written: u64 = uses
            .filter(|(purpose, _)| summary::writes(*purpose))
            .map(|(_, bytes)| bytes)
            .sum();
        let milli = u128::from(written) * 1000;
        let milli = milli.checked_div(u128::from(counters.host_written_bytes));
        let first = self.spans.iter().map(|(arrived, _)| *arrived).min();
        let last = self.spans.iter().map(|(_, answered)| *answered).max();
        Measured {
            answered: stopped.account.answered(),
            busy_ns: last.unwrap_or(0) - first.unwrap_or(0),
            operations: stopped.account.kinds.clone(),
            reads_unwritten: Unwritten::of(counters),
            read_bytes: counters.host_read_bytes,
            written_bytes: counters.host_written_bytes,
            write_amplification_milli: milli.and_then(|milli| u64::try_from(milli).ok()),
            longest_stall_ns: self.longest_stall(),
            host_limits: stopped.account.limits.clone(),
            drained_ns: None,
            emptied: Vec::new(),
            beside,
        }
    }

    /// The longest time without an answer while a request was under way.
    fn longest_stall(&mut self) -> Option<u64> {
        self.spans.sort_by_key(|(_, answered)| *answered);
        // Seen from the end: the earliest arrival of those that were not answered yet.
        let mut earliest = u64::MAX;
        let mut longest = None;
        for at in (0..self.spans.len()).rev() {
            let (arrived, answered) = self.spans[at];
            earliest = earliest.min(arrived);
            let before = match at {
                0 => 0,
                at => self.spans[at - 1].1,
            };
            let stall = answered - earliest.max(before);
            longest = longest.max(Some(stall));
        }
        longest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stall(spans: &[(u64, u64)]) -> Option<u64> {
        let spans = spans.to_vec();
        Session { spans }.longest_stall()
    }

    /// Counts moments one by one.
    fn plainly(spans: &[(u64, u64)]) -> Option<u64> {
        let end = spans.iter().map(|(_, answered)| *answered).max()?;
        let (mut longest, mut since) = (0, 0);
        for moment in 0..=end {
            let waits = spans
                .iter()
                .any(|(from, to)| *from < moment && moment <= *to);
            since = if waits { since + 1 } else { 0 };
            longest = longest.max(since);
            if spans.iter().any(|(_, to)| *to == moment) {
                since = 0;
            }
        }
        Some(longest)
    }

    proptest::proptest! {
        #[test]
        fn the_longest_stall_is_that_of_a_plain_count(
            pairs in proptest::collection::vec((0_u64..40, 0_u64..30), 0..8)
        ) {
            let spans: Vec<(u64, u64)> = pairs.iter().map(|(from, took)| (*from, from + took)).collect();
            proptest::prop_assert_eq!(stall(&spans), plainly(&spans), "{:?}", spans);
        }
    }
}
