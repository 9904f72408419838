//! Owns the judgement of a cell: which demands hold, with what was measured, and what that makes of it.
//!
//! Always holds: a demand about something that did not occur does not hold; a cell whose answers came
//! late because of this machine is invalid whatever else it shows.

use serde::{Deserialize, Serialize};

use super::demand::Demand;
use super::measured::{Beside, Measured, at_rank};
use super::spec::Served;
use crate::profile::quantity::Unit;
use crate::time::Duration;
use crate::units::counted;

/// What became of a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Everything that was demanded holds.
    Passed,
    /// Something that was demanded does not hold.
    Failed,
    /// It tells nothing of the drive: this machine was too slow for the pace, or the drive cannot be
    /// brought to the state that was to be its start.
    Invalid,
    /// The drive failed.
    DriveFailed,
    /// The machine got in the way.
    RigFault,
}

impl Outcome {
    /// All of them.
    pub const ALL: [Outcome; 5] = [
        Outcome::Passed,
        Outcome::Failed,
        Outcome::Invalid,
        Outcome::DriveFailed,
        Outcome::RigFault,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Outcome::Passed => "passed",
            Outcome::Failed => "failed",
            Outcome::Invalid => "invalid",
            Outcome::DriveFailed => "drive-failed",
            Outcome::RigFault => "rig-fault",
        }
    }

    /// Whether it tells something of the drive; a cell of which this is not so is run again.
    pub fn tells(self) -> bool {
        !matches!(self, Outcome::Invalid | Outcome::RigFault)
    }
}

/// A demand and what was measured.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Assertion {
    /// What was demanded.
    pub what: String,
    /// What was measured.
    pub measured: String,
    /// Whether it holds.
    pub holds: bool,
}

/// What is said of a cell that was run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// What became of it.
    pub outcome: Outcome,
    /// All demands.
    pub assertions: Vec<Assertion>,
    /// Why, where the assertions do not say it.
    pub why: Option<String>,
}

/// Judges what was measured; `served`: what ran beside a served drive.
pub fn judge(demands: &[Demand], served: Option<&Served>, measured: &Measured) -> Verdict {
    let mut assertions: Vec<Assertion> = demands
        .iter()
        .map(|demand| judged(demand, measured))
        .collect();
    let mut why = None;
    if let (Some(served), Some(beside)) = (served, &measured.beside) {
        assertions.extend(besides(served, beside));
        why = too_late(served, beside);
    }
    let outcome = if why.is_some() {
        Outcome::Invalid
    } else if assertions.iter().all(|one| one.holds) {
        Outcome::Passed
    } else {
        Outcome::Failed
    };
    Verdict {
        outcome,
        assertions,
        why,
    }
}

fn judged(demand: &Demand, measured: &Measured) -> Assertion {
    let (words, holds) = match demand {
        Demand::Latency {
            operation,
            rank,
            at_most,
        } => match measured.latencies(operation) {
            None => (format!("no {operation} was answered"), false),
            Some(kind) => time_at_most(at_rank(kind, *rank), *at_most),
        },
        Demand::Stall(at_most) => match measured.longest_stall_ns {
            None => nothing(),
            Some(ns) => time_at_most(ns, *at_most),
        },
        Demand::NoTrips(limits) => {
            let tripped = measured.host_limits.iter();
            let tripped = tripped.filter(|one| one.trips > 0 && limits.contains(&one.limit));
            let words: Vec<String> = tripped
                .map(|one| format!("{} tripped {}", one.limit, counted(one.trips, "time")))
                .collect();
            match words.as_slice() {
                [] if measured.answered == 0 => nothing(),
                [] => ("none tripped".to_owned(), true),
                _ => (words.join(", "), false),
            }
        }
        Demand::Written(least) => rate_at_least(measured, measured.written_bytes, *least),
        Demand::Read(least) => rate_at_least(measured, measured.read_bytes, *least),
        Demand::Amplification(most) => match measured.write_amplification_milli {
            None => ("the host wrote nothing".to_owned(), false),
            Some(milli) => (Unit::Thousandths.format(milli), milli <= *most),
        },
        Demand::Drained(within) => match measured.drained_ns {
            None => ("it was not left alone".to_owned(), false),
            Some(ns) => time_at_most(ns, *within),
        },
        Demand::StagingDown { percent, within } => {
            let reached = measured.emptied.iter().find(|one| one.percent <= *percent);
            match (reached, measured.emptied.last()) {
                (Some(one), _) => time_at_most(one.after_ns, *within),
                (None, Some(last)) => (format!("never below {}%", last.percent), false),
                (None, None) => ("it was not left alone".to_owned(), false),
            }
        }
    };
    Assertion {
        what: demand.to_string(),
        measured: words,
        holds,
    }
}

fn nothing() -> (String, bool) {
    ("nothing was answered".to_owned(), false)
}

fn time_at_most(ns: u64, most: Duration) -> (String, bool) {
    (Unit::Nanoseconds.format(rounded(ns)), ns <= most.0)
}

fn rate_at_least(measured: &Measured, bytes: u64, least: u64) -> (String, bool) {
    if bytes == 0 {
        return ("nothing".to_owned(), false);
    }
    let rate = measured.rate(bytes);
    (Unit::BytesPerSecond.format(rounded(rate)), rate >= least)
}

/// As many leading digits as people read.
fn rounded(value: u64) -> u64 {
    let mut unit = 1;
    while value / unit >= 10_000 {
        unit *= 10;
    }
    value / unit * unit
}

/// What is always demanded of what runs beside a drive.
fn besides(served: &Served, beside: &Beside) -> Vec<Assertion> {
    let within = Unit::Nanoseconds.format(served.ends_within.0);
    let exit = match beside.exit {
        _ if !beside.in_time => format!("it was still running after {within}"),
        Some(code) => code.to_string(),
        None => "a signal ended it".to_owned(),
    };
    let mut all = vec![Assertion {
        what: format!("exit code {} within {within}", served.exit),
        measured: exit,
        holds: beside.in_time && beside.exit == Some(served.exit),
    }];
    if let Some(verified) = &beside.verified {
        all.push(Assertion {
            what: "data verified".to_owned(),
            measured: verified.words.clone(),
            holds: verified.clean,
        });
    }
    all
}

/// Why a cell tells nothing of the drive, if this machine was too slow.
fn too_late(served: &Served, beside: &Beside) -> Option<String> {
    let lag = beside.lag?;
    let most = served.late_percent_max;
    let affected = u128::from(lag.late) * 100 > u128::from(lag.answered) * u128::from(most);
    affected.then(|| {
        format!(
            "{} of {} answers came late, the latest by {}, and {most}% may: this machine is too slow for \
             the pace, the drive is not to blame",
            lag.late, lag.answered, lag.longest
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::account::{Lag, Latencies};
    use crate::host::clock::Pace;
    use crate::host::time_limits::{TimeLimit, Tripped};
    use crate::lab::matrix::demand::Rank;
    use crate::lab::matrix::measured::Verified;
    use crate::lab::matrix::spec::Task;
    use crate::lab::summary::Emptied;

    fn measured() -> Measured {
        Measured {
            answered: 100,
            busy_ns: 2_000_000_000,
            operations: vec![Latencies {
                operation: "write",
                count: 100,
                p50_ns: 1_000_000,
                p90_ns: 2_000_000,
                p99_ns: 52_345_678,
                p999_ns: 60_000_000,
                max_ns: 70_000_000,
                buckets: Vec::new(),
            }],
            written_bytes: 4_000_000,
            write_amplification_milli: Some(2_500),
            longest_stall_ns: Some(70_000_000),
            host_limits: vec![Tripped {
                limit: TimeLimit::Flush,
                limit_ns: 1,
                trips: 3,
                dropped_ns: None,
                first: Vec::new(),
            }],
            drained_ns: Some(9_000_000_000),
            emptied: vec![
                Emptied {
                    percent: 80,
                    after_ns: 0,
                },
                Emptied {
                    percent: 45,
                    after_ns: 7_000_000_000,
                },
            ],
            ..Measured::default()
        }
    }

    fn check(demand: Demand, measured: &Measured, expected: (&str, bool)) {
        let verdict = judge(&[demand], None, measured);
        let one = &verdict.assertions[0];
        assert_eq!((one.measured.as_str(), one.holds), expected, "{}", one.what);
        let passed = verdict.outcome == Outcome::Passed;
        assert_eq!(passed, expected.1, "{verdict:?}");
    }

    #[test]
    fn each_demand_holds_up_to_its_bound_and_not_beyond() {
        let all = measured();
        let latency = |rank, ns| Demand::Latency {
            operation: "write",
            rank,
            at_most: Duration(ns),
        };
        check(latency(Rank::P99, 52_345_678), &all, ("52.34 ms", true));
        check(latency(Rank::P99, 52_345_677), &all, ("52.34 ms", false));
        check(latency(Rank::Longest, 70_000_000), &all, ("70 ms", true));
        check(Demand::Stall(Duration(69_999_999)), &all, ("70 ms", false));
        check(Demand::Written(2_000_000), &all, ("2 MB/s", true));
        check(Demand::Written(2_000_001), &all, ("2 MB/s", false));
        check(Demand::Amplification(2_500), &all, ("2.5", true));
        check(Demand::Amplification(2_499), &all, ("2.5", false));
        check(Demand::Drained(Duration::from_s(9)), &all, ("9 s", true));
        let down = |percent, s| Demand::StagingDown {
            percent,
            within: Duration::from_s(s),
        };
        check(down(50, 7), &all, ("7 s", true));
        check(down(50, 6), &all, ("7 s", false));
        check(down(90, 0), &all, ("0 ns", true));
        check(down(44, 100), &all, ("never below 45%", false));
        check(
            Demand::NoTrips(vec![TimeLimit::DiskCommand]),
            &all,
            ("none tripped", true),
        );
        check(
            Demand::NoTrips(TimeLimit::ALL.to_vec()),
            &all,
            ("flush tripped 3 times", false),
        );
    }

    #[test]
    fn what_did_not_occur_does_not_hold() {
        let quiet = Measured::default();
        let latency = Demand::Latency {
            operation: "flush",
            rank: Rank::P50,
            at_most: Duration::from_s(1000),
        };
        check(latency, &measured(), ("no flush was answered", false));
        let all = TimeLimit::ALL.to_vec();
        check(
            Demand::NoTrips(all),
            &quiet,
            ("nothing was answered", false),
        );
        check(Demand::Read(1), &measured(), ("nothing", false));
        check(
            Demand::Amplification(1_000_000),
            &quiet,
            ("the host wrote nothing", false),
        );
    }

    fn served() -> Served {
        Served {
            task: Task::Command("true".to_owned()),
            pace: Pace::Real,
            late_percent_max: 1,
            exit: 0,
            verify: true,
            ends_within: Duration::from_s(60),
        }
    }

    fn beside(exit: Option<i32>, late: u64, clean: bool) -> Measured {
        let lag = Lag {
            answered: 1000,
            late,
            ..Lag::default()
        };
        Measured {
            beside: Some(Beside {
                exit,
                in_time: true,
                verified: Some(Verified {
                    clean,
                    words: "looked at".to_owned(),
                }),
                lag: Some(lag),
            }),
            ..Measured::default()
        }
    }

    #[test]
    fn a_slow_machine_makes_a_cell_invalid_and_nothing_else_does() {
        let outcome = |measured: &Measured| judge(&[], Some(&served()), measured).outcome;
        assert_eq!(outcome(&beside(Some(0), 10, true)), Outcome::Passed);
        assert_eq!(outcome(&beside(Some(0), 11, true)), Outcome::Invalid);
        assert_eq!(outcome(&beside(Some(1), 11, false)), Outcome::Invalid);
        assert_eq!(outcome(&beside(Some(1), 10, true)), Outcome::Failed);
        assert_eq!(outcome(&beside(None, 0, true)), Outcome::Failed);
        assert_eq!(outcome(&beside(Some(0), 0, false)), Outcome::Failed);
    }
}
