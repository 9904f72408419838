//! Owns what can be demanded of a cell, in words. What was measured is judged in `verdict`.

use std::fmt;

use crate::host::time_limits::TimeLimit;
use crate::profile::quantity::Unit;
use crate::time::Duration;

/// Something that must hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Demand {
    /// Latencies of a kind of request.
    Latency {
        /// Its word.
        operation: &'static str,
        /// Which of them.
        rank: Rank,
        /// How long at most.
        at_most: Duration,
    },
    /// The longest time without an answer while a request is under way.
    Stall(Duration),
    /// Limits of hosts that are not tripped; never empty.
    NoTrips(Vec<TimeLimit>),
    /// Bytes per second that the host writes at least.
    Written(u64),
    /// Bytes per second that the host reads at least.
    Read(u64),
    /// Thousandths of a byte written to the medium for each byte of the host, at most.
    Amplification(u64),
    /// Time after the last answer until the drive has nothing left to do.
    Drained(Duration),
    /// Time after the last answer until the staging area is down to a fill.
    StagingDown {
        /// Percent of it.
        percent: u64,
        /// How long at most.
        within: Duration,
    },
}

/// A place in the latencies of a kind of request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rank {
    /// Half took no longer.
    P50,
    /// 90 % took no longer.
    P90,
    /// 99 % took no longer.
    P99,
    /// 99.9 % took no longer.
    P999,
    /// The longest.
    Longest,
}

impl Rank {
    /// All of them.
    pub const ALL: [Rank; 5] = [Rank::P50, Rank::P90, Rank::P99, Rank::P999, Rank::Longest];

    /// Its word in keys, figures and sentences.
    pub fn word(self) -> &'static str {
        match self {
            Rank::P50 => "p50",
            Rank::P90 => "p90",
            Rank::P99 => "p99",
            Rank::P999 => "p999",
            Rank::Longest => "longest",
        }
    }
}

impl Demand {
    /// Whether it can only be told of a drive that was left alone until it had nothing left to do.
    pub fn needs_draining(&self) -> bool {
        matches!(self, Demand::Drained(_) | Demand::StagingDown { .. })
    }

    /// The keys of a matrix that say it, with their values as TOML writes them.
    pub fn keys(&self) -> Vec<(String, String)> {
        let quoted = |unit: Unit, value: u64| format!("{:?}", unit.format(value));
        let time = |time: &Duration| quoted(Unit::Nanoseconds, time.0);
        let one = |key: &str, value: String| vec![(key.to_owned(), value)];
        match self {
            Demand::Latency {
                operation,
                rank,
                at_most,
            } => vec![
                ("operation".to_owned(), format!("{operation:?}")),
                (format!("{}_at_most", rank.word()), time(at_most)),
            ],
            Demand::Stall(at_most) => one("stall_at_most", time(at_most)),
            Demand::NoTrips(limits) => {
                let words: Vec<&str> = limits.iter().map(|limit| limit.word()).collect();
                one("trips_none_of", format!("{words:?}"))
            }
            Demand::Written(rate) => one("written_at_least", quoted(Unit::BytesPerSecond, *rate)),
            Demand::Read(rate) => one("read_at_least", quoted(Unit::BytesPerSecond, *rate)),
            Demand::Amplification(milli) => {
                one("amplification_at_most", Unit::Thousandths.format(*milli))
            }
            Demand::Drained(within) => one("drained_within", time(within)),
            Demand::StagingDown { percent, within } => vec![
                (
                    "staging_down_to".to_owned(),
                    quoted(Unit::Percent, *percent),
                ),
                ("staging_down_within".to_owned(), time(within)),
            ],
        }
    }
}

/// As people say it.
impl fmt::Display for Demand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let time = |time: &Duration| Unit::Nanoseconds.format(time.0);
        let rate = |rate: &u64| Unit::BytesPerSecond.format(*rate);
        match self {
            Demand::Latency {
                operation,
                rank,
                at_most,
            } => write!(f, "{operation} {} at most {}", rank.word(), time(at_most)),
            Demand::Stall(at_most) => write!(f, "longest stall at most {}", time(at_most)),
            Demand::NoTrips(limits) if limits.len() == TimeLimit::ALL.len() => {
                f.write_str("no host limit tripped")
            }
            Demand::NoTrips(limits) => {
                let words: Vec<&str> = limits.iter().map(|limit| limit.word()).collect();
                write!(f, "host limits not tripped: {}", words.join(", "))
            }
            Demand::Written(at_least) => write!(f, "written at least {}", rate(at_least)),
            Demand::Read(at_least) => write!(f, "read at least {}", rate(at_least)),
            Demand::Amplification(milli) => {
                let factor = Unit::Thousandths.format(*milli);
                write!(f, "write amplification at most {factor}")
            }
            Demand::Drained(within) => write!(f, "drained within {}", time(within)),
            Demand::StagingDown { percent, within } => {
                write!(f, "staging area down to {percent}% within {}", time(within))
            }
        }
    }
}
