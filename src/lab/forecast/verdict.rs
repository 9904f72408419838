//! Owns the verdict on a deadline, and figures with their range.
//!
//! Plain functions of what the runs of the plan said. A value that is `None` lies beyond what was
//! looked at, and counts as larger than any other.

use serde::Serialize;

/// Whether a load is done by its deadline.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "verdict", rename_all = "kebab-case")]
pub enum Verdict {
    /// In every run.
    Fits,
    /// As asked for, but not in every run.
    FitsUnless {
        /// What the runs assume in which it is not.
        unless: Vec<String>,
    },
    /// Not as asked for.
    DoesNotFit {
        /// What the runs assume in which it is.
        does_with: Vec<String>,
    },
}

/// What each run assumes and when its load was done, the centre first; `None`: not before the run was
/// stopped.
pub type Finishes<'f> = [(&'f str, Option<u64>)];

impl Verdict {
    /// The verdict.
    ///
    /// # Panics
    /// Without a run there is none.
    pub fn of(runs: &Finishes<'_>, deadline_ns: u64) -> Verdict {
        let (_, centre) = runs.first().expect("there is a centre");
        let by_then = |finish: &Option<u64>| finish.is_some_and(|at| at <= deadline_ns);
        let named = |wanted: bool| {
            let those = runs.iter().filter(|run| by_then(&run.1) == wanted);
            those.map(|run| run.0.to_owned()).collect::<Vec<_>>()
        };
        if !by_then(centre) {
            return Verdict::DoesNotFit {
                does_with: named(true),
            };
        }
        let unless = named(false);
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

    /// Early, at the last moment, too late, not at all.
    const FINISHES: [Option<u64>; 4] = [Some(1), Some(10), Some(11), None];

    #[test]
    fn all_small_cases_give_the_verdict_that_the_definition_gives() {
        for a in FINISHES {
            for b in FINISHES {
                for c in FINISHES {
                    let runs = [("a", a), ("b", b), ("c", c)];
                    let early = |at: Option<u64>| matches!(at, Some(0..=10));
                    let names = |wanted| -> Vec<String> {
                        let all = runs.iter().filter(|run| early(run.1) == wanted);
                        all.map(|run| run.0.to_owned()).collect()
                    };
                    let expected = match (early(a), early(b), early(c)) {
                        (true, true, true) => Verdict::Fits,
                        (true, ..) => Verdict::FitsUnless {
                            unless: names(false),
                        },
                        (false, ..) => Verdict::DoesNotFit {
                            does_with: names(true),
                        },
                    };
                    let verdict = Verdict::of(&runs, 10);
                    assert_eq!(verdict, expected, "{runs:?}");
                    assert_eq!(verdict.fits(), names(false).is_empty());
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
