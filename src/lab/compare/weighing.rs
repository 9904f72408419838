//! Owns the way from two sides to what is said of them.
//!
//! Always holds: what can be added up is added up over all runs of a side; what cannot (quantiles, rates)
//! is the mean over its runs.

use super::answer::PARTS;
use super::blocks::{Blocks, Figure};
use super::bootstrap::{self, CONFIDENCE_PERCENT, DRAWS};
use super::difference::{
    Alike, By, Comparison, Difference, Method, OfOperation, OfPart, OfRange, RUNS_MIN, Settings,
    Side, Units, Verdict,
};
use super::mix::{self, Group, Shares};
use super::tally::{Point, Spent, Tally};
use crate::drive::request::Operation;
use crate::host::account::{Lag, lag_words};
use crate::lab::dice::Dice;
use crate::lab::ranges::{Owner, Ranges};
use crate::lab::summary::Unwritten;
use crate::units::count;

impl Comparison {
    /// Compares two sides of named runs; those at the same place belong together.
    ///
    /// # Panics
    /// If the sides have no runs, or not the same number.
    pub fn of(a: (&str, &[Tally]), b: (&str, &[Tally]), settings: Settings<'_>) -> Comparison {
        assert!(!a.1.is_empty() && a.1.len() == b.1.len(), "runs in pairs");
        let sides = Sides { a: a.1, b: b.1 };
        let method = sides.method(settings.seed);
        let kinds = (0..Operation::WORDS.len()).map(Counted::Only);
        let operations: Vec<OfOperation> = std::iter::once(Counted::All)
            .chain(kinds)
            .map(|counted| sides.operation(counted, method, settings.by))
            .filter(|told| {
                told.operation == ALL || told.count.a != Some(0) || told.count.b != Some(0)
            })
            .collect();
        let spent = [sides.a, sides.b].map(|runs| sum(runs.iter().map(|run| run.spent)));
        let parts = PARTS.into_iter().enumerate().map(|(i, part)| OfPart {
            part,
            total_ns: plain(spent[0].parts[i], spent[1].parts[i]),
        });
        let alike = sides.alike(method, settings.by);
        let told = Comparison {
            a: side(a),
            b: side(b),
            verdict: alike
                .as_ref()
                .map_or(operations[0].verdict, |alike| alike.verdict),
            alike,
            by: settings.by,
            method,
            parts: parts.collect(),
            ranges: sides.by_owner(settings.division.ranges, |run| &run.by_range),
            structures: settings.division.structures.map_or_else(Vec::new, |list| {
                sides.by_owner(list, |run| &run.by_structure)
            }),
            operations,
        };
        told.known_only()
    }
}

const ALL: &str = "all";

/// Which requests count, and how much each.
#[derive(Clone, Copy)]
enum Counted {
    /// All, each the same.
    All,
    /// Those of one operation.
    Only(usize),
    /// All, as if both sides had the same mix of operations.
    Alike(Shares),
}

impl Counted {
    /// Those of a run.
    fn of(self, run: &Tally) -> Vec<Group> {
        match self {
            Counted::All => Group::alone(run.of(None)),
            Counted::Only(kind) => Group::alone(run.of(Some(kind))),
            Counted::Alike(shares) => shares.groups(run),
        }
    }
}

struct Sides<'t> {
    a: &'t [Tally],
    b: &'t [Tally],
}

impl Sides<'_> {
    fn method(&self, seed: u64) -> Method {
        let runs = self.a.len();
        let fewest = self.a.iter().chain(self.b).map(Tally::answered).min();
        let (units, number) = if runs >= RUNS_MIN {
            (Units::Runs, runs)
        } else if let (1, Some(blocks)) = (runs, Blocks::number(fewest.unwrap_or(0))) {
            (Units::Stretches, blocks)
        } else {
            (Units::None, 0)
        };
        Method {
            units,
            count: count(number),
            draws: DRAWS,
            confidence_percent: CONFIDENCE_PERCENT,
            seed,
        }
    }

    /// What is said of all requests as if the mixes were the same; nothing where they are.
    fn alike(&self, method: Method, by: By) -> Option<Alike> {
        let requests = |runs: &[Tally]| {
            let counts: Vec<_> = runs.iter().map(Tally::counts).collect();
            std::array::from_fn(|kind| counts.iter().map(|counts| counts[kind]).sum())
        };
        let (mut a, b) = (requests(self.a), requests(self.b));
        Shares::of(a, b)?;
        // Of an operation that some run lacks, that run has no figure to count.
        for (kind, requests) in a.iter_mut().enumerate() {
            let mut runs = self.a.iter().chain(self.b);
            if runs.any(|run| run.counts()[kind] == 0) && b[kind] > 0 {
                *requests = 0;
            }
        }
        let counted = Counted::Alike(Shares::of(a, b)?);
        let figure = |figure| self.figure(counted, figure, method);
        Some(Alike {
            verdict: verdict(figure(by.figure())),
            mean_ns: figure(Figure::Mean),
            p50_ns: figure(Figure::Percentile(50)),
            p90_ns: figure(Figure::Percentile(90)),
            p99_ns: figure(Figure::Percentile(99)),
            left_out: mix::left_out(a, b),
        })
    }

    fn operation(&self, counted: Counted, method: Method, by: By) -> OfOperation {
        let numbers = |of: fn(&[Point]) -> u64| {
            let side = |runs: &[Tally]| {
                let groups = runs.iter().flat_map(|run| counted.of(run));
                groups.map(|group| of(&group.points)).sum()
            };
            plain(side(self.a), side(self.b))
        };
        let longest = |runs: &[Tally]| {
            let groups = runs.iter().flat_map(|run| counted.of(run));
            let points = groups.flat_map(|group| group.points);
            points.map(|point| point.took_ns).max()
        };
        let told = Figure::ALL.map(|figure| self.figure(counted, figure, method));
        let [mean_ns, p50_ns, p90_ns, p99_ns, bytes_per_s] = told;
        let place = Figure::ALL.iter().position(|figure| *figure == by.figure());
        OfOperation {
            operation: match counted {
                Counted::Only(kind) => Operation::WORDS[kind],
                Counted::All | Counted::Alike(_) => ALL,
            },
            verdict: verdict(place.map_or(mean_ns, |place| told[place])),
            count: numbers(|points| count(points.len())),
            bytes: numbers(|points| points.iter().map(|point| point.bytes).sum()),
            mean_ns,
            p50_ns,
            p90_ns,
            p99_ns,
            max_ns: apart(
                longest(self.a).map(i128::from),
                longest(self.b).map(i128::from),
            ),
            total_ns: numbers(|points| {
                let took = points.iter().map(|point| point.took_ns);
                took.fold(0, u64::saturating_add)
            }),
            bytes_per_s,
        }
    }

    /// A figure, as the mean over the runs of each side.
    fn figure(&self, counted: Counted, figure: Figure, method: Method) -> Difference {
        let of_runs = |runs: &[Tally]| -> Vec<Option<i128>> {
            let figures = runs
                .iter()
                .map(|run| figure.of(&counted.of(run), run.length_ns()));
            figures.collect()
        };
        let (mut a, mut b) = (of_runs(self.a), of_runs(self.b));
        let whole = |(a, b): (&Option<i128>, &Option<i128>)| a.is_some() && b.is_some();
        if method.units == Units::Runs && a.iter().zip(&b).any(whole) {
            // What is told and its interval are of the same runs: the pairs that both have the figure.
            (a, b) = a.into_iter().zip(b).filter(|(a, b)| whole((a, b))).unzip();
        }
        let mean = |figures: &[Option<i128>]| -> Option<i128> {
            let there: Vec<i128> = figures.iter().copied().flatten().collect();
            let all = i128::from(count(there.len()));
            there.iter().sum::<i128>().checked_div(all)
        };
        let interval = match method.units {
            Units::None => None,
            Units::Runs => {
                let pairs = a.iter().zip(&b);
                let apart: Vec<i128> = pairs.filter_map(|(a, b)| Some((*b)? - (*a)?)).collect();
                over_runs(&apart, method.seed)
            }
            Units::Stretches => self.over_stretches(counted, figure, method),
        };
        let told = apart(mean(&a), mean(&b));
        match (told.difference, interval) {
            (Some(_), Some((low, high))) => Difference {
                low: narrow(low),
                high: narrow(high),
                ..told
            },
            _ => told,
        }
    }

    fn over_stretches(
        &self,
        counted: Counted,
        figure: Figure,
        method: Method,
    ) -> Option<(i128, i128)> {
        let number = crate::units::index(method.count);
        let few = |run: &Tally| {
            let groups = counted.of(run);
            Blocks::number(groups.iter().map(|group| count(group.points.len())).sum()).is_none()
        };
        if few(self.a.first()?) || few(self.b.first()?) {
            return None;
        }
        let blocks = |run: &Tally| {
            let span = run.span.unwrap_or_default();
            Blocks::new(&counted.of(run), span, number)
        };
        let (a, b) = (blocks(self.a.first()?), blocks(self.b.first()?));
        let mut dice = Dice::new(method.seed);
        let figures = (0..DRAWS).filter_map(|_| {
            let drawn = [&a, &b].map(|side| bootstrap::draw(&mut dice, side.len()));
            Some(b.figure(figure, &drawn[1])? - a.figure(figure, &drawn[0])?)
        });
        bootstrap::interval(figures.collect(), number)
    }

    fn by_owner(&self, ranges: &Ranges, of: fn(&Tally) -> &Vec<Spent>) -> Vec<OfRange> {
        let nowhere = Owner {
            name: "no place".to_owned(),
            start_bytes: 0,
            end_bytes: 0,
            bytes: 0,
        };
        let owners = ranges.owners().iter().chain([&nowhere]).enumerate();
        let told = owners.filter_map(|(i, owner)| {
            let [a, b] = [self.a, self.b].map(|runs| sum(runs.iter().map(|run| of(run)[i])));
            if a.count == 0 && b.count == 0 {
                return None;
            }
            let parts = PARTS.into_iter().zip(a.parts.into_iter().zip(b.parts));
            let apart = parts.map(|(part, (a, b))| (part, i128::from(b) - i128::from(a)));
            // The first of those that differ most.
            let mostly = apart.rev().max_by_key(|(_, apart)| apart.unsigned_abs());
            let (mostly, mostly_ns) = mostly.unwrap_or((PARTS[0], 0));
            Some(OfRange {
                range: owner.clone(),
                count: plain(a.count, b.count),
                total_ns: plain(a.total_ns, b.total_ns),
                mostly: Some(mostly),
                mostly_ns: Some(narrow(mostly_ns).unwrap_or(i64::MAX)),
            })
        });
        told.collect()
    }
}

/// The interval of the mean difference between runs in pairs.
fn over_runs(apart: &[i128], seed: u64) -> Option<(i128, i128)> {
    if apart.len() < RUNS_MIN {
        return None;
    }
    let runs = i128::from(count(apart.len()));
    let mut dice = Dice::new(seed);
    let figures = (0..DRAWS).map(|_| {
        let drawn = bootstrap::draw(&mut dice, apart.len());
        let pairs = apart.iter().zip(drawn);
        pairs
            .map(|(apart, drawn)| apart * i128::from(drawn))
            .sum::<i128>()
            / runs
    });
    bootstrap::interval(figures.collect(), apart.len())
}

fn side((name, runs): (&str, &[Tally])) -> Side {
    let lag = runs.iter().fold(Lag::default(), |sum, run| Lag {
        answered: sum.answered + run.lag.answered,
        late: sum.late + run.lag.late,
        longest: sum.longest.max(run.lag.longest),
        sum: sum.sum + run.lag.sum,
    });
    Side {
        name: name.to_owned(),
        runs: count(runs.len()),
        answered: lag.answered,
        late: lag.late,
        lag: (lag.late > 0).then(|| lag_words(&lag)),
        took: runs.iter().map(|run| run.took).max().unwrap_or_default(),
        reads_unwritten: runs
            .iter()
            .filter_map(|run| run.reads_unwritten)
            .reduce(Unwritten::plus),
    }
}

fn sum(all: impl Iterator<Item = Spent>) -> Spent {
    all.fold(Spent::default(), |mut sum, spent| {
        sum.add(&spent);
        sum
    })
}

fn verdict(difference: Difference) -> Verdict {
    match (difference.low, difference.high) {
        (_, Some(high)) if high < 0 => Verdict::Faster,
        (Some(low), _) if low > 0 => Verdict::Slower,
        _ => Verdict::CannotBeToldApart,
    }
}

fn plain(a: u64, b: u64) -> Difference {
    apart(Some(i128::from(a)), Some(i128::from(b)))
}

fn apart(a: Option<i128>, b: Option<i128>) -> Difference {
    Difference {
        a: a.and_then(narrow),
        b: b.and_then(narrow),
        difference: a.zip(b).and_then(|(a, b)| narrow(b - a)),
        low: None,
        high: None,
    }
}

/// Times and counts of a run stay below 2^63.
fn narrow(value: i128) -> Option<i64> {
    i64::try_from(value).ok()
}

impl By {
    fn figure(self) -> Figure {
        match self {
            By::Mean => Figure::Mean,
            By::Median => Figure::Percentile(50),
            By::P90 => Figure::Percentile(90),
            By::P99 => Figure::Percentile(99),
        }
    }
}
