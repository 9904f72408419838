//! Owns the verdict on a window, and figures with their range.
//!
//! Plain functions of what the runs of the plan said. A value that is `None` lies beyond what was
//! looked at, and counts as larger than any other.

use serde::Serialize;

use super::window::Miss;

/// Whether a load fits its window.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "verdict", rename_all = "kebab-case")]
pub enum Verdict {
    /// In every run.
    Fits,
    /// As asked for, but not in every run.
    FitsUnless {
        /// The runs in which it does not.
        unless: Vec<Missed>,
    },
    /// Not as asked for.
    DoesNotFit {
        /// What is wrong as asked for.
        why: Miss,
        /// What the runs assume in which it does.
        does_with: Vec<String>,
    },
}

/// A run that does not fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Missed {
    /// What it assumes.
    pub assumes: String,
    /// What is wrong.
    #[serde(flatten)]
    pub why: Miss,
}

/// What each run assumes and what is wrong with it, if anything is; the centre first.
pub type Misses<'m> = [(&'m str, Option<Miss>)];

/// What each run assumes and a figure of it, the centre first; `None`: beyond what was looked at.
pub type Finishes<'f> = [(&'f str, Option<u64>)];

impl Verdict {
    /// The verdict.
    ///
    /// # Panics
    /// Without a run there is none.
    pub fn of(runs: &Misses<'_>) -> Verdict {
        let (_, centre) = runs.first().expect("there is a centre");
        if let Some(why) = *centre {
            let those = runs.iter().filter(|run| run.1.is_none());
            return Verdict::DoesNotFit {
                why,
                does_with: those.map(|run| run.0.to_owned()).collect(),
            };
        }
        let missed = runs.iter().filter_map(|(assumes, miss)| {
            Some(Missed {
                assumes: (*assumes).to_owned(),
                why: (*miss)?,
            })
        });
        let unless: Vec<Missed> = missed.collect();
        if unless.is_empty() {
            Verdict::Fits
        } else {
            Verdict::FitsUnless { unless }
        }
    }

    /// Whether it is [`Verdict::Fits`].
    pub fn fits(&self) -> bool {
        *self == Verdict::Fits
    }
}

/// A figure as the runs gave it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Ranged {
    /// As asked for.
    pub centre: Option<u64>,
    /// The lowest of all runs.
    pub lowest: Option<u64>,
    /// What the run assumes that gave it.
    pub lowest_with: String,
    /// The highest.
    pub highest: Option<u64>,
    /// What the run assumes that gave it.
    pub highest_with: String,
}

impl Ranged {
    /// The range of a figure of which each run, the centre first, gave one. Of equals the first is named.
    ///
    /// # Panics
    /// Without a run there is none.
    pub fn of(runs: &Finishes<'_>) -> Ranged {
        let size = |value: Option<u64>| value.map_or(u128::MAX, u128::from);
        let mut all = runs.iter();
        let first = all.next().expect("there is a centre");
        let (mut lowest, mut highest) = (first, first);
        for run in all {
            if size(run.1) < size(lowest.1) {
                lowest = run;
            }
            if size(run.1) > size(highest.1) {
                highest = run;
            }
        }
        Ranged {
            centre: first.1,
            lowest: lowest.1,
            lowest_with: lowest.0.to_owned(),
            highest: highest.1,
            highest_with: highest.0.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::host::time_limits::TimeLimit;
    use crate::lab::forecast::window::Dropped;

    /// Early, at the last moment, too late, not at all.
    const FINISHES: [Option<u64>; 4] = [Some(1), Some(10), Some(11), None];

    #[test]
    fn all_small_cases_give_the_verdict_that_the_definition_gives() {
        let late = Miss {
            late: true,
            dropped: None,
        };
        let dropped = Miss {
            late: false,
            dropped: Some(Dropped {
                limit: TimeLimit::ArrayRecovery,
                after_ns: 1,
            }),
        };
        let misses = [None, Some(late), Some(dropped)];
        for a in misses {
            for b in misses {
                for c in misses {
                    let runs = [("a", a), ("b", b), ("c", c)];
                    let expected = match (a, b, c) {
                        (None, None, None) => Verdict::Fits,
                        (None, ..) => {
                            let mut unless = Vec::new();
                            for (name, miss) in [("b", b), ("c", c)] {
                                if let Some(why) = miss {
                                    let assumes = name.to_owned();
                                    unless.push(Missed { assumes, why });
                                }
                            }
                            Verdict::FitsUnless { unless }
                        }
                        (Some(why), ..) => {
                            let those = [("b", b), ("c", c)].into_iter();
                            let those = those.filter(|run| run.1.is_none());
                            let does_with = those.map(|run| run.0.to_owned()).collect();
                            Verdict::DoesNotFit { why, does_with }
                        }
                    };
                    let verdict = Verdict::of(&runs);
                    assert_eq!(verdict, expected, "{runs:?}");
                    let all_fit = runs.iter().all(|run| run.1.is_none());
                    assert_eq!(verdict.fits(), all_fit);
                }
            }
        }
    }

    #[test]
    fn a_range_names_the_run_that_gave_each_end() {
        for a in FINISHES {
            for b in FINISHES {
                for c in FINISHES {
                    let runs = [("a", a), ("b", b), ("c", c)];
                    let range = Ranged::of(&runs);
                    let size = |value: Option<u64>| value.unwrap_or(u64::MAX);
                    let of = |name: &str| runs.iter().find(|run| run.0 == name).unwrap().1;
                    assert_eq!(range.centre, a);
                    assert_eq!(of(&range.lowest_with), range.lowest);
                    assert_eq!(of(&range.highest_with), range.highest);
                    for run in runs {
                        assert!(size(range.lowest) <= size(run.1));
                        assert!(size(range.highest) >= size(run.1));
                    }
                }
            }
        }
    }
}
