//! Owns the figures of some requests, in stretches of time of equal length that can be drawn anew.
//!
//! Always holds: with every stretch drawn once, mean and throughput are those of the requests, and so are
//! quantiles as far as latencies are told apart here (2048 steps of equal count).

use super::tally::Point;
use crate::units::{count, index};

/// Stretches of a run. So few that each is longer than most of what the drive remembers, and enough to
/// draw from; the number that is usual for means of batches is 10 to 40 (common practice).
pub(super) const BLOCKS: usize = 40;
/// With fewer stretches nothing is said of how sure a difference is.
pub(super) const BLOCKS_MIN: usize = 10;
/// Steps in which latencies are told apart when stretches are drawn anew.
const STEPS: usize = 2048;

/// A figure of some requests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Figure {
    /// Mean latency, nanoseconds.
    Mean,
    /// The latency that so many percent do not exceed, nanoseconds.
    Percentile(u64),
    /// Bytes moved per second of the run.
    Throughput,
}

impl Figure {
    /// All that differences are told of.
    pub(super) const ALL: [Figure; 5] = [
        Figure::Mean,
        Figure::Percentile(50),
        Figure::Percentile(90),
        Figure::Percentile(99),
        Figure::Throughput,
    ];

    /// Of all of them, as they are; `None`: there are none.
    pub(super) fn of(self, points: &[Point], span_ns: u64) -> Option<i128> {
        if points.is_empty() {
            return None;
        }
        let weights = points.iter().map(|point| u128::from(point.weight));
        let weight: u128 = weights.sum();
        let value = match self {
            Figure::Mean => {
                let weighed = points
                    .iter()
                    .map(|point| u128::from(point.took_ns) * u128::from(point.weight));
                weighed.sum::<u128>() / weight
            }
            Figure::Percentile(percent) => {
                let wanted = (weight * u128::from(percent)).div_ceil(100);
                let mut sorted: Vec<(u64, u64)> = points
                    .iter()
                    .map(|point| (point.took_ns, point.weight))
                    .collect();
                sorted.sort_unstable();
                let mut seen = 0;
                let found = sorted.iter().find(|(_, weight)| {
                    seen += u128::from(*weight);
                    seen >= wanted
                });
                u128::from(found?.0)
            }
            Figure::Throughput => {
                let bytes: u128 = points.iter().map(|point| u128::from(point.bytes)).sum();
                bytes * 1_000_000_000 / u128::from(span_ns.max(1))
            }
        };
        i128::try_from(value).ok()
    }
}

/// Requests in stretches of time.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    /// Of each stretch, by weight.
    weights: Vec<u128>,
    took: Vec<u128>,
    bytes: Vec<u128>,
    block_ns: u64,
    /// Latencies ascending: the largest of a step, and how much of it lies in each stretch, by weight.
    steps: Vec<(u64, Vec<u64>)>,
}

impl Blocks {
    /// How many stretches a run of so many requests has; `None`: too few requests.
    pub(super) fn number(requests: u64) -> Option<usize> {
        let number = index((requests / 2).min(count(BLOCKS)));
        (number >= BLOCKS_MIN).then_some(number)
    }

    /// Divides what came in `span` into `number` stretches of equal length: latencies by when a request
    /// came, bytes by when they were answered.
    pub(super) fn new(points: &[Point], span: (u64, u64), number: usize) -> Blocks {
        let length = span.1.saturating_sub(span.0) + 1;
        let block_at = |ns: u64| {
            let since = ns.saturating_sub(span.0);
            let wide = u128::from(since) * u128::from(count(number)) / u128::from(length);
            usize::try_from(wide).map_or(number - 1, |block| block.min(number - 1))
        };
        let mut sorted: Vec<&Point> = points.iter().collect();
        sorted.sort_unstable_by_key(|point| (point.took_ns, point.arrived_ns));
        let mut blocks = Blocks {
            weights: vec![0; number],
            took: vec![0; number],
            bytes: vec![0; number],
            block_ns: (length / count(number)).max(1),
            steps: Vec::new(),
        };
        for step in sorted.chunks(sorted.len().div_ceil(STEPS).max(1)) {
            let mut weights = vec![0; number];
            for point in step {
                let block = block_at(point.arrived_ns);
                weights[block] += point.weight;
                let weight = u128::from(point.weight);
                blocks.weights[block] += weight;
                blocks.took[block] += u128::from(point.took_ns) * weight;
                // Bytes have been moved when they are answered.
                let answered = block_at(point.arrived_ns + point.took_ns);
                blocks.bytes[answered] += u128::from(point.bytes);
            }
            let largest = step.last().map_or(0, |point| point.took_ns);
            blocks.steps.push((largest, weights));
        }
        blocks
    }

    /// How many stretches there are.
    pub(super) fn len(&self) -> usize {
        self.weights.len()
    }

    /// The figure if each stretch occurred so often; `None`: that leaves no request.
    pub(super) fn figure(&self, figure: Figure, drawn: &[u64]) -> Option<i128> {
        let weigh = |values: &[u128]| -> u128 {
            let pairs = values.iter().zip(drawn);
            pairs.map(|(value, drawn)| value * u128::from(*drawn)).sum()
        };
        let all = weigh(&self.weights);
        if all == 0 {
            return None;
        }
        let value = match figure {
            Figure::Mean => weigh(&self.took) / all,
            Figure::Percentile(percent) => {
                let wanted = (all * u128::from(percent)).div_ceil(100);
                let mut seen = 0;
                let step = self.steps.iter().find(|(_, weights)| {
                    let pairs = weights.iter().zip(drawn);
                    seen += pairs
                        .map(|(weight, drawn)| u128::from(*weight) * u128::from(*drawn))
                        .sum::<u128>();
                    seen >= wanted
                });
                u128::from(step?.0)
            }
            Figure::Throughput => {
                let time = u128::from(self.block_ns) * u128::from(drawn.iter().sum::<u64>());
                weigh(&self.bytes) * 1_000_000_000 / time
            }
        };
        i128::try_from(value).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn points() -> impl Strategy<Value = Vec<Point>> {
        let numbers = (0..1000_u64, 0..500_u64, 1..9_u64, 1..4_u64);
        let point = numbers.prop_map(|(arrived_ns, took_ns, bytes, weight)| Point {
            arrived_ns,
            took_ns,
            bytes,
            weight,
        });
        prop::collection::vec(point, 1..60)
    }

    proptest! {
        #[test]
        fn a_weight_is_as_many_requests(points in points()) {
            let each = points.iter().flat_map(|point| {
                let times = index(point.weight);
                std::iter::repeat_n(Point { weight: 1, ..*point }, times)
            });
            let written_out: Vec<Point> = each.collect();
            for figure in [Figure::Mean, Figure::Percentile(50), Figure::Percentile(99)] {
                prop_assert_eq!(figure.of(&points, 1), figure.of(&written_out, 1), "{:?}", figure);
            }
        }

        #[test]
        fn stretches_drawn_anew_are_their_requests_written_out(
            points in points(),
            drawn in prop::collection::vec(0..3_u64, 7),
        ) {
            let blocks = Blocks::new(&points, (0, 999), 7);
            let mut written_out = Vec::new();
            for point in &points {
                let block = index(point.arrived_ns * 7 / 1000);
                written_out.extend((0..drawn[block]).map(|_| *point));
            }
            for figure in [Figure::Mean, Figure::Percentile(50), Figure::Percentile(99)] {
                prop_assert_eq!(
                    blocks.figure(figure, &drawn),
                    figure.of(&written_out, 1),
                    "{:?}", figure
                );
            }
        }

        #[test]
        fn a_percentile_is_the_least_value_that_so_many_do_not_exceed(
            points in points(),
            percent in 1..100_u64,
        ) {
            let told = Figure::Percentile(percent).of(&points, 1).unwrap();
            let mut took: Vec<u64> = points.iter().map(|point| point.took_ns).collect();
            took.sort_unstable();
            let all: u64 = points.iter().map(|point| point.weight).sum();
            let enough = |value: u64| {
                let below = points.iter().filter(|point| point.took_ns <= value);
                below.map(|point| point.weight).sum::<u64>() * 100 >= percent * all
            };
            let expected = took.iter().copied().find(|value| enough(*value)).unwrap();
            prop_assert_eq!(told, i128::from(expected));
        }
    }

    #[test]
    fn throughput_is_bytes_by_time() {
        let point = |arrived_ns| Point {
            arrived_ns,
            took_ns: 1,
            bytes: 4096,
            weight: 1,
        };
        let all = [point(0), point(500_000_000), point(900_000_000)];
        let late = Point {
            took_ns: 600_000_000,
            ..point(400_000_000)
        };
        assert_eq!(Figure::Throughput.of(&all, 1_000_000_000), Some(12_288));
        let blocks = Blocks::new(&all, (0, 999_999_999), 2);
        assert_eq!(blocks.figure(Figure::Throughput, &[1, 1]), Some(12_288));
        assert_eq!(blocks.figure(Figure::Throughput, &[0, 2]), Some(16_384));
        assert_eq!(blocks.figure(Figure::Mean, &[0, 0]), None);
        // What came in the first half and was answered in the second counts there.
        let blocks = Blocks::new(&[late, point(0), point(700_000_000)], (0, 999_999_999), 2);
        assert_eq!(blocks.figure(Figure::Throughput, &[0, 1]), Some(16_384));
    }

    #[test]
    fn a_short_run_has_too_few_stretches() {
        assert_eq!(Blocks::number(19), None);
        assert_eq!(Blocks::number(20), Some(10));
        assert_eq!(Blocks::number(1_000_000), Some(BLOCKS));
    }
}
