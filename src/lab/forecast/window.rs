//! Owns what a load has to hold to fit its window: it is done by a deadline, and no host drops the drive
//! meanwhile.
//!
//! A plain question to the figures of a run. Always holds: with no limit to judge by, the time alone
//! decides.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use super::trial::Figures;
use crate::host::time_limits::TimeLimit;
use crate::time::Duration;

/// What a load has to hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Window {
    /// By when it is to be done.
    pub deadline: Duration,
    /// Limits of hosts by none of which the drive may be dropped.
    pub limits: HostLimits,
}

/// Limits at which a host drops a drive, shortest first; none: nobody drops it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct HostLimits(Vec<TimeLimit>);

/// A host drops the drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Dropped {
    /// By which limit.
    pub limit: TimeLimit,
    /// How long after the beginning.
    pub after_ns: u64,
}

/// What is wrong with a run that does not fit; at least one of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Miss {
    /// It was not done by the deadline.
    pub late: bool,
    /// A host drops the drive before it is done.
    pub dropped: Option<Dropped>,
}

impl HostLimits {
    /// All at which a host drops a drive.
    pub fn all() -> HostLimits {
        let all = TimeLimit::ALL.into_iter();
        HostLimits::of(all.filter(|limit| limit.drops_the_drive()).collect())
    }

    fn of(mut limits: Vec<TimeLimit>) -> HostLimits {
        limits.sort_unstable_by_key(|limit| (limit.duration(), *limit));
        limits.dedup();
        HostLimits(limits)
    }

    /// No limit: the time alone is judged.
    pub fn none() -> HostLimits {
        HostLimits(Vec::new())
    }

    /// Each, shortest first.
    pub fn iter(&self) -> impl Iterator<Item = TimeLimit> {
        self.0.iter().copied()
    }

    /// Those that drop a drive and are not among these.
    #[must_use]
    pub fn others(&self) -> HostLimits {
        let all = HostLimits::all().0.into_iter();
        HostLimits(all.filter(|limit| !self.0.contains(limit)).collect())
    }

    /// The first drop of the drive by any of these.
    pub fn dropped(&self, figures: &Figures) -> Option<Dropped> {
        let limits = figures.limits.iter();
        let judged = limits.filter(|each| self.0.contains(&each.limit));
        let drops = judged.filter_map(|each| Some((each.dropped_ns?, each.limit)));
        let first = drops.min()?;
        Some(Dropped {
            limit: first.1,
            after_ns: first.0,
        })
    }
}

impl fmt::Display for HostLimits {
    /// The words that are read.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return f.write_str("none");
        }
        let words: Vec<&str> = self.iter().map(TimeLimit::word).collect();
        f.write_str(&words.join(","))
    }
}

impl FromStr for HostLimits {
    type Err = String;

    /// Reads words between commas, or `none`.
    fn from_str(text: &str) -> Result<HostLimits, String> {
        if text.trim() == "none" {
            return Ok(HostLimits::none());
        }
        let mut all = Vec::new();
        for word in text.split(',') {
            let limit: Option<TimeLimit> = word.trim().parse().ok();
            let Some(limit) = limit.filter(|limit| limit.drops_the_drive()) else {
                let known: Vec<&str> = HostLimits::all().0.iter().map(|l| l.word()).collect();
                return Err(format!(
                    "at {:?} no host drops a drive; there are {}, and none",
                    word.trim(),
                    known.join(", ")
                ));
            };
            all.push(limit);
        }
        Ok(HostLimits::of(all))
    }
}

impl Window {
    /// The same by the time alone.
    #[must_use]
    pub fn of_time(&self) -> Window {
        Window {
            limits: HostLimits::none(),
            ..*self
        }
    }

    /// What is wrong with a run of which these are the figures; nothing: it fits.
    pub fn miss(&self, figures: &Figures) -> Option<Miss> {
        self.miss_at(figures.finish_ns, figures)
    }

    /// The same for a load that was done at another moment than what was seen of it.
    pub fn miss_at(&self, finish_ns: Option<u64>, figures: &Figures) -> Option<Miss> {
        let miss = Miss {
            late: finish_ns.is_none_or(|at| at > self.deadline.0),
            dropped: self.limits.dropped(figures),
        };
        (miss.late || miss.dropped.is_some()).then_some(miss)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::forecast::trial::Limit;

    fn figures(finish_ns: Option<u64>, drops: &[(TimeLimit, u64)]) -> Figures {
        let limits = TimeLimit::ALL.map(|limit| {
            let drop = drops.iter().find(|drop| drop.0 == limit);
            Limit {
                limit,
                // What only aborts or reports has trips, too.
                trips: 3,
                dropped_ns: drop.map(|drop| drop.1),
            }
        });
        Figures {
            finish_ns,
            limits: limits.to_vec(),
            ..Figures::nothing()
        }
    }

    fn window(limits: &str) -> Window {
        Window {
            deadline: Duration(10),
            limits: limits.parse().expect("limits"),
        }
    }

    #[test]
    fn limits_read_back_as_they_are_told() {
        for limits in [HostLimits::all(), HostLimits::none()] {
            assert_eq!(limits.to_string().parse(), Ok(limits));
        }
    }

    #[test]
    fn a_run_that_is_done_in_time_does_not_fit_where_a_host_drops_the_drive() {
        let drops = [(TimeLimit::PoolDeadman, 3), (TimeLimit::ArrayRecovery, 5)];
        let seen = figures(Some(9), &drops);
        let dropped = |limit, after_ns| {
            Some(Miss {
                late: false,
                dropped: Some(Dropped { limit, after_ns }),
            })
        };
        let all = Window {
            limits: HostLimits::all(),
            ..window("none")
        };
        assert_eq!(all.miss(&seen), dropped(TimeLimit::PoolDeadman, 3));
        let array = window("slow-commands, array-recovery");
        assert_eq!(array.miss(&seen), dropped(TimeLimit::ArrayRecovery, 5));
        assert_eq!(window("slow-commands").miss(&seen), None);
        assert_eq!(window("none").miss(&seen), None);
        let others = window("slow-commands").limits.others();
        assert_eq!(
            others.dropped(&seen),
            dropped(TimeLimit::PoolDeadman, 3).and_then(|m| m.dropped)
        );
    }

    #[test]
    fn a_run_is_late_after_the_deadline_or_without_an_end() {
        for (finish_ns, late) in [(Some(10), false), (Some(11), true), (None, true)] {
            let miss = window("none").miss(&figures(finish_ns, &[]));
            assert_eq!(
                miss.map(|miss| (miss.late, miss.dropped)),
                late.then_some((true, None))
            );
        }
    }

    #[test]
    fn limits_that_drop_no_drive_cannot_be_judged_by() {
        for word in ["disk-command", "flush", "moon", "", "none,array-recovery"] {
            let told = word.parse::<HostLimits>().expect_err("it drops nothing");
            assert!(
                told.contains("array-recovery") && told.contains("none"),
                "{told}"
            );
        }
        let read: HostLimits = "pool-deadman,array-recovery,pool-deadman".parse().unwrap();
        let expected = [TimeLimit::ArrayRecovery, TimeLimit::PoolDeadman];
        assert!(read.iter().eq(expected));
    }
}
