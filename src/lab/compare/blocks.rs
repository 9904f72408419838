//! Owns the figures of some requests, in stretches of time of equal length that can be drawn anew.
//!
//! Always holds: with every stretch drawn once, mean and throughput are those of the requests, and so are
//! quantiles as far as latencies are told apart here (2048 steps of equal count).

use super::mix::Group;
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
    /// Bytes read and written per second of the run.
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

    /// Of all of them, as they are; `None`: there are none, or none of an operation that counts.
    pub(super) fn of(self, groups: &[Group], span_ns: u64) -> Option<i128> {
        let counts = groups
            .iter()
            .map(|group| u128::from(count(group.points.len())));
        let weights = Weights::of(groups.iter().map(|group| group.share).zip(counts))?;
        let value = match self {
            Figure::Mean => weights.mean(groups.iter().map(|group| {
                let took = group.points.iter().map(|point| u128::from(point.took_ns));
                took.sum()
            })),
            Figure::Percentile(percent) => {
                let weighed = groups
                    .iter()
                    .zip(&weights.each)
                    .flat_map(|(group, weight)| {
                        let points = group.points.iter();
                        points.map(move |point| (point.took_ns, *weight))
                    });
                let mut sorted: Vec<(u64, u128)> = weighed.collect();
                sorted.sort_unstable();
                u128::from(weights.percentile(percent, sorted.into_iter())?)
            }
            Figure::Throughput => {
                let points = groups.iter().flat_map(|group| &group.points);
                let bytes: u128 = points.map(|point| u128::from(point.bytes)).sum();
                bytes * 1_000_000_000 / u128::from(span_ns.max(1))
            }
        };
        i128::try_from(value).ok()
    }
}

/// How much a request of each group counts, so that the group counts for its share.
struct Weights {
    shares: Vec<u128>,
    counts: Vec<u128>,
    each: Vec<u128>,
}

impl Weights {
    /// Of groups with these shares and so many requests; `None`: one has no request, or there is none.
    fn of(groups: impl Iterator<Item = (u128, u128)>) -> Option<Weights> {
        let (shares, counts): (Vec<u128>, Vec<u128>) = groups.unzip();
        if counts.is_empty() || counts.contains(&0) {
            return None;
        }
        let pairs = shares.iter().zip(&counts);
        Some(Weights {
            each: pairs
                .map(|(share, count)| ((share << 32) / count).max(1))
                .collect(),
            shares,
            counts,
        })
    }

    /// The mean, of groups with these sums.
    fn mean(&self, sums: impl Iterator<Item = u128>) -> u128 {
        let means = sums.zip(&self.counts).map(|(sum, count)| sum / count);
        let weighed = means.zip(&self.shares).map(|(mean, share)| mean * share);
        weighed.sum::<u128>() / self.shares.iter().sum::<u128>()
    }

    /// The least of these values, ascending with their weights, that so many percent do not exceed.
    fn percentile(
        &self,
        percent: u64,
        mut sorted: impl Iterator<Item = (u64, u128)>,
    ) -> Option<u64> {
        let pairs = self.each.iter().zip(&self.counts);
        let all: u128 = pairs.map(|(weight, count)| weight * count).sum();
        let wanted = (all * u128::from(percent)).div_ceil(100);
        let mut seen = 0;
        let found = sorted.find(|(_, weight)| {
            seen += weight;
            seen >= wanted
        });
        found.map(|(value, _)| value)
    }
}

/// Requests in stretches of time.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    groups: Vec<InBlocks>,
    /// Of each stretch.
    bytes: Vec<u128>,
    block_ns: u64,
    /// Latencies ascending.
    steps: Vec<Step>,
}

/// A group; of each stretch.
#[derive(Clone, Debug)]
struct InBlocks {
    share: u128,
    counts: Vec<u64>,
    took: Vec<u128>,
}

/// Latencies that are not told apart.
#[derive(Clone, Debug)]
struct Step {
    largest_ns: u64,
    group: usize,
    /// How many of them lie in each stretch.
    counts: Vec<u32>,
}

impl Blocks {
    /// How many stretches a run of so many requests has; `None`: too few requests.
    pub(super) fn number(requests: u64) -> Option<usize> {
        let number = index((requests / 2).min(count(BLOCKS)));
        (number >= BLOCKS_MIN).then_some(number)
    }

    /// Divides what came in `span` into `number` stretches of equal length: latencies by when a request
    /// came, bytes by when they were answered.
    pub(super) fn new(groups: &[Group], span: (u64, u64), number: usize) -> Blocks {
        let length = span.1.saturating_sub(span.0) + 1;
        let block_at = |ns: u64| {
            let since = ns.saturating_sub(span.0);
            let wide = u128::from(since) * u128::from(count(number)) / u128::from(length);
            usize::try_from(wide).map_or(number - 1, |block| block.min(number - 1))
        };
        let mut blocks = Blocks {
            groups: Vec::new(),
            bytes: vec![0; number],
            block_ns: (length / count(number)).max(1),
            steps: Vec::new(),
        };
        let all: usize = groups.iter().map(|group| group.points.len()).sum();
        for (at, group) in groups.iter().enumerate() {
            let mut own = InBlocks {
                share: group.share,
                counts: vec![0; number],
                took: vec![0; number],
            };
            let mut sorted: Vec<&Point> = group.points.iter().collect();
            sorted.sort_unstable_by_key(|point| (point.took_ns, point.arrived_ns));
            for step in sorted.chunks(all.div_ceil(STEPS).max(1)) {
                let mut counts = vec![0; number];
                for point in step {
                    let block = block_at(point.arrived_ns);
                    counts[block] += 1;
                    own.counts[block] += 1;
                    own.took[block] += u128::from(point.took_ns);
                    // Bytes have been moved when they are answered.
                    let answered = block_at(point.arrived_ns + point.took_ns);
                    blocks.bytes[answered] += u128::from(point.bytes);
                }
                blocks.steps.push(Step {
                    largest_ns: step.last().map_or(0, |point| point.took_ns),
                    group: at,
                    counts,
                });
            }
            blocks.groups.push(own);
        }
        blocks.steps.sort_by_key(|step| step.largest_ns);
        blocks
    }

    /// How many stretches there are.
    pub(super) fn len(&self) -> usize {
        self.bytes.len()
    }

    /// The figure if each stretch occurred so often; `None`: that leaves no request, or none of an
    /// operation that counts.
    pub(super) fn figure(&self, figure: Figure, drawn: &[u64]) -> Option<i128> {
        let weigh = |values: &[u128]| -> u128 {
            let pairs = values.iter().zip(drawn);
            pairs.map(|(value, drawn)| value * u128::from(*drawn)).sum()
        };
        let counts = self.groups.iter().map(|group| {
            let pairs = group.counts.iter().zip(drawn);
            let all: u64 = pairs.map(|(value, drawn)| value * drawn).sum();
            (group.share, u128::from(all))
        });
        let weights = Weights::of(counts)?;
        let value = match figure {
            Figure::Mean => weights.mean(self.groups.iter().map(|group| weigh(&group.took))),
            Figure::Percentile(percent) => {
                let steps = self.steps.iter().map(|step| {
                    let pairs = step.counts.iter().zip(drawn);
                    let all: u64 = pairs.map(|(value, drawn)| u64::from(*value) * drawn).sum();
                    (step.largest_ns, u128::from(all) * weights.each[step.group])
                });
                u128::from(weights.percentile(percent, steps)?)
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
        let point =
            (0..1000_u64, 0..500_u64, 1..9_u64).prop_map(|(arrived_ns, took_ns, bytes)| Point {
                arrived_ns,
                took_ns,
                bytes,
            });
        prop::collection::vec(point, 1..60)
    }

    /// The percentile of each value taken so many times as its weight says.
    fn percentile_of(weighed: &[(u64, u64)], percent: u64) -> u64 {
        let all: u64 = weighed.iter().map(|(_, weight)| weight).sum();
        let enough = |value: u64| {
            let below = weighed.iter().filter(|(took, _)| *took <= value);
            below.map(|(_, weight)| weight).sum::<u64>() * 100 >= percent * all
        };
        let values = weighed.iter().map(|(took, _)| *took);
        values.filter(|value| enough(*value)).min().unwrap()
    }

    proptest! {
        #[test]
        fn stretches_drawn_anew_are_their_requests_written_out(
            points in points(),
            others in points(),
            shares in (1..5_u128, 1..5_u128),
            drawn in prop::collection::vec(0..3_u64, 7),
        ) {
            let group = |points: &[Point], share| Group { points: points.to_vec(), share };
            let both = [group(&points, shares.0), group(&others, shares.1)];
            for groups in [&both[..1], &both] {
                let blocks = Blocks::new(groups, (0, 999), 7);
                let written_out: Vec<Group> = groups.iter().map(|group| {
                    let times = |point: &Point| drawn[index(point.arrived_ns * 7 / 1000)];
                    let each = group.points.iter();
                    let each = each.flat_map(|point| (0..times(point)).map(|_| *point));
                    Group { points: each.collect(), share: group.share }
                }).collect();
                for figure in [Figure::Mean, Figure::Percentile(50), Figure::Percentile(99)] {
                    prop_assert_eq!(
                        blocks.figure(figure, &drawn),
                        figure.of(&written_out, 1),
                        "{:?}", figure
                    );
                }
            }
        }

        #[test]
        fn a_percentile_is_the_least_value_that_so_many_do_not_exceed(
            points in points(),
            percent in 1..100_u64,
        ) {
            let told = Figure::Percentile(percent).of(&Group::alone(points.clone()), 1).unwrap();
            let took: Vec<(u64, u64)> = points.iter().map(|point| (point.took_ns, 1)).collect();
            prop_assert_eq!(told, i128::from(percentile_of(&took, percent)));
        }
    }

    #[test]
    fn a_group_counts_by_its_share_however_many_requests_it_has() {
        let of = |took_ns: u64, number: usize, share| Group {
            points: vec![
                Point {
                    arrived_ns: 0,
                    took_ns,
                    bytes: 1
                };
                number
            ],
            share,
        };
        let groups = [of(10, 1000, 3), of(100, 10, 1)];
        // Three parts of 10 and one of 100.
        assert_eq!(Figure::Mean.of(&groups, 1), Some(130 / 4));
        let weighed = [(10, 3), (100, 1)];
        for percent in [50, 74, 76, 90, 99] {
            let expected = i128::from(percentile_of(&weighed, percent));
            assert_eq!(
                Figure::Percentile(percent).of(&groups, 1),
                Some(expected),
                "{percent}"
            );
        }
        assert_eq!(Figure::Mean.of(&[of(10, 5, 1), of(10, 0, 1)], 1), None);
        assert_eq!(Figure::Mean.of(&[], 1), None);
    }

    #[test]
    fn throughput_is_bytes_by_time() {
        let point = |arrived_ns| Point {
            arrived_ns,
            took_ns: 1,
            bytes: 4096,
        };
        let alone = |points: &[Point]| Group::alone(points.to_vec());
        let all = [point(0), point(500_000_000), point(900_000_000)];
        let late = Point {
            took_ns: 600_000_000,
            ..point(400_000_000)
        };
        assert_eq!(
            Figure::Throughput.of(&alone(&all), 1_000_000_000),
            Some(12_288)
        );
        let blocks = Blocks::new(&alone(&all), (0, 999_999_999), 2);
        assert_eq!(blocks.figure(Figure::Throughput, &[1, 1]), Some(12_288));
        assert_eq!(blocks.figure(Figure::Throughput, &[0, 2]), Some(16_384));
        assert_eq!(blocks.figure(Figure::Mean, &[0, 0]), None);
        // What came in the first half and was answered in the second counts there.
        let all = alone(&[late, point(0), point(700_000_000)]);
        let blocks = Blocks::new(&all, (0, 999_999_999), 2);
        assert_eq!(blocks.figure(Figure::Throughput, &[0, 1]), Some(16_384));
    }

    #[test]
    fn a_short_run_has_too_few_stretches() {
        assert_eq!(Blocks::number(19), None);
        assert_eq!(Blocks::number(20), Some(10));
        assert_eq!(Blocks::number(1_000_000), Some(BLOCKS));
    }
}
