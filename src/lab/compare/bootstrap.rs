//! Owns how sure a figure is: 95 % intervals from drawing units (stretches of time, or runs) anew.
//!
//! The interval is the middle of what the draws give, its tails widened for the small number of units to
//! what Student's distribution asks for: the expanded percentile interval (The American Statistician 69,
//! 2015, p. 371). What the units are, and that they depend little on one another, is the caller's affair.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use crate::lab::dice::Dice;
use crate::units::{count, index};

/// How often the units are drawn anew.
pub(super) const DRAWS: u32 = 1000;
/// Share of cases in which the interval holds the truth, in percent.
pub(super) const CONFIDENCE_PERCENT: u32 = 95;

/// How often each of `units` occurs when as many are drawn with replacement.
pub(super) fn draw(dice: &mut Dice, units: usize) -> Vec<u64> {
    let mut drawn = vec![0; units];
    for _ in 0..units {
        drawn[index(dice.below(count(units)))] += 1;
    }
    drawn
}

/// The interval that figures from anew drawn units leave, if there were `units` of them.
pub(super) fn interval(mut figures: Vec<i128>, units: usize) -> Option<(i128, i128)> {
    if figures.is_empty() || units < 2 {
        return None;
    }
    figures.sort_unstable();
    let tail = tail(units)?;
    let all = u32::try_from(figures.len()).ok()?;
    let mut outside = 0;
    while outside < all / 2 && f64::from(outside + 1) <= tail * f64::from(all) {
        outside += 1;
    }
    let outside = index(u64::from(outside));
    Some((figures[outside], figures[figures.len() - 1 - outside]))
}

/// Share of draws beyond each end of the interval.
fn tail(units: usize) -> Option<f64> {
    let units = f64::from(u32::try_from(units).ok()?);
    let student = StudentsT::new(0.0, 1.0, units - 1.0).ok()?;
    let upper = 0.5 + f64::from(CONFIDENCE_PERCENT) / 200.0;
    let reach = (units / (units - 1.0)).sqrt() * student.inverse_cdf(upper);
    Some(Normal::standard().cdf(-reach))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::compare::blocks::{Blocks, Figure};
    use crate::lab::compare::mix::Group;
    use crate::lab::compare::tally::Point;
    use statrs::distribution::Exp;
    use statrs::statistics::Distribution as _;

    /// Runs of a trial.
    const TRIALS: u64 = 300;
    /// Requests of a run.
    const REQUESTS: u64 = 2000;

    fn uniform(dice: &mut Dice) -> f64 {
        let draw = u32::try_from(dice.below(1 << 32)).expect("32 bits");
        (f64::from(draw) + 0.5) / 4_294_967_296.0
    }

    fn whole(value: f64) -> u64 {
        format!("{value:.0}").parse().expect("a number of digits")
    }

    /// Latencies in which `share` of each one's excess stays in the next.
    fn series(dice: &mut Dice, exp: Exp, share: f64) -> Vec<Point> {
        let mean = exp.mean().expect("it has one");
        let mut last = mean / (1.0 - share);
        let numbers = 0..REQUESTS;
        numbers
            .map(|i| {
                last = share * last + exp.inverse_cdf(uniform(dice));
                Point {
                    arrived_ns: i,
                    took_ns: whole(last * 1e6),
                    bytes: 1,
                }
            })
            .collect()
    }

    /// In how many of a hundred trials the interval for `figure` holds `truth` (in units of a million
    /// nanoseconds), with so many stretches.
    fn coverage(figure: Figure, share: f64, blocks: usize, truth: f64) -> u64 {
        let exp = Exp::new(1.0).expect("a rate");
        let truth = i128::from(whole(truth * 1e6));
        let held = (0..TRIALS).filter(|&trial| {
            let mut dice = Dice::of_stream(77, trial);
            let points = series(&mut dice, exp, share);
            let blocks = Blocks::new(&Group::alone(points), (0, REQUESTS - 1), blocks);
            let figures = (0..200).filter_map(|_| {
                let drawn = draw(&mut dice, blocks.len());
                blocks.figure(figure, &drawn)
            });
            let (low, high) = interval(figures.collect(), blocks.len()).expect("many units");
            low <= truth && truth <= high
        });
        count(held.count()) * 100 / TRIALS
    }

    // The true values are those of statrs' exponential distribution.

    #[test]
    fn the_interval_of_a_known_mean_and_median_covers_it() {
        let exp = Exp::new(1.0).unwrap();
        let mean = coverage(Figure::Mean, 0.0, 40, exp.mean().unwrap());
        eprintln!("mean {mean} %");
        assert!((91..=99).contains(&mean), "{mean} %");
        let median = coverage(Figure::Percentile(50), 0.0, 40, exp.inverse_cdf(0.5));
        eprintln!("median {median} %");
        assert!((91..=99).contains(&median), "{median} %");
    }

    #[test]
    fn latencies_that_depend_on_one_another_are_covered_by_stretches_and_not_one_by_one() {
        // 0.9 of the excess stays: the mean of such a series is that of its innovations by 1 - 0.9.
        let mean = Exp::new(1.0).unwrap().mean().unwrap() / (1.0 - 0.9);
        let stretches = coverage(Figure::Mean, 0.9, 40, mean);
        let one_by_one = coverage(Figure::Mean, 0.9, index(REQUESTS), mean);
        eprintln!("stretches {stretches} %, one by one {one_by_one} %");
        assert!(stretches >= 88, "stretches: {stretches} %");
        assert!(one_by_one <= 60, "one by one: {one_by_one} %");
    }

    #[test]
    fn few_runs_have_the_interval_that_students_distribution_asks_for() {
        // Five runs of exponential figures: the plain percentile interval is far too narrow.
        let exp = Exp::new(1.0).unwrap();
        let (mut held, mut plain) = (0, 0);
        for trial in 0..TRIALS {
            let mut dice = Dice::of_stream(5, trial);
            // The mean of 12 of them, so that a run's figure is not far from normal.
            let runs: Vec<i128> = (0..5)
                .map(|_| {
                    let sum: f64 = (0..12).map(|_| exp.inverse_cdf(uniform(&mut dice))).sum();
                    i128::from(whole(sum * 1e6))
                })
                .collect();
            let truth = i128::from(whole(12e6 * exp.mean().unwrap()));
            let mut figures: Vec<i128> = (0..DRAWS)
                .map(|_| {
                    let drawn = draw(&mut dice, 5);
                    let sum: i128 = runs
                        .iter()
                        .zip(drawn)
                        .map(|(run, n)| run * i128::from(n))
                        .sum();
                    sum / 5
                })
                .collect();
            let (low, high) = interval(figures.clone(), 5).unwrap();
            held += u64::from(low <= truth && truth <= high);
            figures.sort_unstable();
            plain += u64::from(figures[25] <= truth && truth <= figures[974]);
        }
        let (held, plain) = (held * 100 / TRIALS, plain * 100 / TRIALS);
        eprintln!("five runs {held} %, the plain percentile interval {plain} %");
        assert!(held >= 90, "{held} %");
        assert!(plain < held && plain <= 88, "plain: {plain} %");
    }

    #[test]
    fn one_unit_says_nothing() {
        assert_eq!(interval(vec![1, 2, 3], 1), None);
        assert_eq!(interval(Vec::new(), 5), None);
    }
}
