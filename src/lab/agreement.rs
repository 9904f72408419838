//! Owns how far a served drive and a simulation agree: the differences between what each request took
//! in the one and in the other.
//!
//! Percentiles are exact. What the aims are is said here and nowhere else.

use std::fmt;

use serde::Serialize;

use super::recording::Recorded;
use crate::drive::request::{Completion, Operation};
use crate::host::account::{LAG_NOTICED, Lag, lag_words};
use crate::time::Duration;
use crate::units::{count, index};

/// Half of all requests differ by no more than this.
pub const AIM_P50: Duration = Duration::from_us(500);
/// 99 of 100 differ by no more than this.
pub const AIM_P99: Duration = Duration::from_ms(2);

/// What one request took here and there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// What was asked.
    pub operation: Operation,
    /// How long it took on the served drive.
    pub served: Duration,
    /// How long it took in the simulation.
    pub simulated: Duration,
}

/// How far they agree. Times are nanoseconds.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Agreement {
    /// By operation, then all of them; those that did not occur are left out.
    pub differences: Vec<Differences>,
    /// Whether both aims hold for all requests together.
    pub holds: bool,
    /// Requests whose answers were due at the very same moment; nothing where that is not known.
    pub same_moment: Option<u64>,
    /// Answers of the served drive that came late because its machine was too slow.
    pub late: u64,
    /// How late the latest was.
    pub lag_ns_max: u64,
    /// How late they were together.
    pub lag_ns_sum: u64,
}

/// Differences between the times of some requests.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Differences {
    /// Which.
    pub operation: &'static str,
    /// How many.
    pub count: u64,
    /// Median of what they took on the served drive.
    pub served_p50_ns: u64,
    /// Median of what they took in the simulation.
    pub simulated_p50_ns: u64,
    /// Median of the differences, whichever is larger.
    pub p50_ns: u64,
    /// 99 % of the differences are no larger.
    pub p99_ns: u64,
    /// The largest.
    pub max_ns: u64,
}

impl Agreement {
    /// How far these agree.
    pub fn of(pairs: &[Pair]) -> Agreement {
        let words = Operation::WORDS.into_iter();
        let by_operation = words.filter_map(|word| {
            let some: Vec<Pair> = pairs
                .iter()
                .filter(|pair| pair.operation.word() == word)
                .copied()
                .collect();
            differences(word, &some)
        });
        let mut all: Vec<Differences> = by_operation.collect();
        all.extend(differences("all", pairs));
        Agreement {
            holds: all.last().is_none_or(|all| holds(all) == (true, true)),
            differences: all,
            ..Agreement::default()
        }
    }

    /// How far the answers of a recording, as they were given, agree with those of its replay. Both
    /// in the order of the requests.
    pub fn of_replay(recorded: &[Recorded], replayed: &[Completion]) -> Agreement {
        let both = recorded.iter().zip(replayed);
        let pairs: Vec<Pair> = both
            .clone()
            .map(|(was, is)| Pair {
                operation: is.operation,
                served: was.due.since(was.arrived) + was.lag,
                simulated: is.due.since(is.arrived),
            })
            .collect();
        let same = both.filter(|(was, is)| was.due == is.due).count();
        let mut agreement = Agreement::of(&pairs);
        agreement.same_moment = Some(count(same));
        agreement.note_lag(recorded);
        agreement
    }

    /// Notes which answers of the served drive were late.
    pub fn note_lag(&mut self, recorded: &[Recorded]) {
        for lag in recorded.iter().map(|was| was.lag) {
            if lag > LAG_NOTICED {
                self.late += 1;
                self.lag_ns_max = self.lag_ns_max.max(lag.0);
                self.lag_ns_sum += lag.0;
            }
        }
    }
}

/// Whether the aims for median and 99th percentile hold.
fn holds(differences: &Differences) -> (bool, bool) {
    (
        differences.p50_ns <= AIM_P50.0,
        differences.p99_ns <= AIM_P99.0,
    )
}

fn differences(operation: &'static str, pairs: &[Pair]) -> Option<Differences> {
    let sorted = |of: fn(&Pair) -> u64| {
        let mut values: Vec<u64> = pairs.iter().map(of).collect();
        values.sort_unstable();
        values
    };
    let apart = sorted(|pair| pair.served.0.abs_diff(pair.simulated.0));
    Some(Differences {
        operation,
        count: count(apart.len()),
        served_p50_ns: percentile(&sorted(|pair| pair.served.0), 50)?,
        simulated_p50_ns: percentile(&sorted(|pair| pair.simulated.0), 50)?,
        p50_ns: percentile(&apart, 50)?,
        p99_ns: percentile(&apart, 99)?,
        max_ns: *apart.last()?,
    })
}

/// The smallest value that `percent` percent of them do not exceed.
fn percentile(ascending: &[u64], percent: u64) -> Option<u64> {
    let rank = (count(ascending.len()) * percent).div_ceil(100);
    ascending.get(index(rank.saturating_sub(1))).copied()
}

impl fmt::Display for Agreement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<14}{:>10}{:>11}{:>11}{:>13}{:>11}{:>11}",
            "agreement", "requests", "served", "simulated", "apart: 50%", "99%", "most"
        )?;
        for row in &self.differences {
            write!(f, "{:<14}{:>10}", row.operation, row.count)?;
            for (ns, width) in [
                (row.served_p50_ns, 11),
                (row.simulated_p50_ns, 11),
                (row.p50_ns, 13),
                (row.p99_ns, 11),
                (row.max_ns, 11),
            ] {
                write!(f, "{:>width$}", Duration(ns).to_string())?;
            }
            writeln!(f)?;
        }
        let all = self.differences.last().cloned().unwrap_or_default();
        let (half, most) = holds(&all);
        let word = |holds| if holds { "holds" } else { "DOES NOT HOLD" };
        writeln!(
            f,
            "half within {AIM_P50}: {}; 99% within {AIM_P99}: {}",
            word(half),
            word(most)
        )?;
        if let Some(same) = self.same_moment {
            writeln!(
                f,
                "{same} of {} answers were due at the very same nanosecond",
                all.count
            )?;
        }
        let lag = Lag {
            answered: all.count,
            late: self.late,
            longest: Duration(self.lag_ns_max),
            sum: Duration(self.lag_ns_sum),
        };
        writeln!(f, "lag of the served drive: {}", lag_words(&lag))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(apart_us: impl Iterator<Item = u64>) -> Vec<Pair> {
        let pair = |us: u64| Pair {
            operation: Operation::Read,
            // Earlier and later in turn.
            served: Duration::from_us(if us.is_multiple_of(2) {
                10_000 + us
            } else {
                10_000
            }),
            simulated: Duration::from_us(if us.is_multiple_of(2) {
                10_000
            } else {
                10_000 + us
            }),
        };
        apart_us.map(pair).collect()
    }

    #[test]
    fn percentiles_are_those_of_the_sorted_differences() {
        // 1 to 200 µs apart: by nearest rank the 100th and the 198th.
        let agreement = Agreement::of(&pairs((1..=200).rev()));
        let all = agreement.differences.last().expect("there are some");
        assert_eq!((all.operation, all.count), ("all", 200));
        let told = (all.p50_ns, all.p99_ns, all.max_ns);
        assert_eq!(told, (100_000, 198_000, 200_000));
        assert_eq!(agreement.differences[0].operation, "read");
    }

    #[test]
    fn each_aim_can_fail_alone() {
        let of = |apart: Vec<u64>| Agreement::of(&pairs(apart.into_iter()));
        let within = of([vec![500; 50], vec![2_000; 50]].concat());
        assert!(within.holds, "{within}");
        let half = of([vec![500; 49], vec![501; 51]].concat());
        assert!(!half.holds);
        assert!(half.to_string().contains("half within 500 µs: DOES NOT"));
        let most = of([vec![0; 98], vec![2_001; 2]].concat());
        assert!(!most.holds);
        assert!(most.to_string().contains("99% within 2 ms: DOES NOT"));
    }
}
