//! Owns how requests flowed over time, and where they were slow and why: from a recording, or less
//! finely from a summary.
//!
//! A request is slow that took at least ten times as long as half of all requests, and 50 ms; whatever
//! the others took, one of 1 s is. A stretch of time with a slow request is slow, for the cause of its
//! slowest one; neighbours of the same cause are one.

use super::bins::steps::Steps;
use super::cause::Cause;
use super::gather::Material;
use super::gather::requests::Requests;
use super::gather::told::Told;

/// Nothing below this is slow.
const SLOW_NS_MIN: u64 = 50_000_000;
/// From here on everything is, even where most requests are slow.
const SLOW_NS_MAX: u64 = 1_000_000_000;

/// Requests over time.
#[derive(Clone, Debug)]
pub(super) struct Flow {
    /// Stretches of time.
    pub(super) steps: Steps,
    /// What happened in each.
    pub(super) points: Vec<Point>,
    /// Slower than this is slow.
    pub(super) slow_ns: u64,
}

/// What happened in a stretch of time.
#[derive(Clone, Debug, Default)]
pub(super) struct Point {
    /// Requests answered.
    pub(super) answered: u64,
    /// Bytes read by them.
    pub(super) read_bytes: u64,
    /// Bytes written by them.
    pub(super) written_bytes: u64,
    /// Half took no longer.
    pub(super) p50_ns: Option<u64>,
    /// 99 % took no longer.
    pub(super) p99_ns: Option<u64>,
    /// The slowest one.
    pub(super) slowest: Option<Slowest>,
    /// Answers that came late.
    pub(super) late: u64,
}

/// The slowest request of a stretch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Slowest {
    /// When it came, where that is known.
    pub(super) arrived_ns: Option<u64>,
    /// How long it took.
    pub(super) took_ns: u64,
    /// Why.
    pub(super) cause: Cause,
    /// The same in a sentence; empty where nobody says.
    pub(super) words: String,
}

/// A time in which requests were slow for one cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SlowTime {
    /// When the slowest request came, or the stretch began.
    pub(super) from_ns: u64,
    /// When the last stretch ended.
    pub(super) to_ns: u64,
    /// The stretch with the slowest one.
    pub(super) at: usize,
    /// That one.
    pub(super) slowest: Slowest,
}

impl Flow {
    /// The flow of a run; nothing where there is neither recording nor summary.
    pub(super) fn of(material: &Material) -> Option<Flow> {
        match (material.timed(), &material.told) {
            (Some(requests), _) => Some(Flow::of_requests(requests)),
            (None, Some(told)) => Flow::of_summary(told),
            (None, None) => Flow::without_times(material.requests.as_ref()?),
        }
    }

    fn of_requests(requests: &Requests) -> Flow {
        let point = |stretch: &super::gather::requests::Stretch| {
            let took = stretch.took.as_ref();
            Point {
                answered: stretch.answered,
                read_bytes: stretch.read_bytes,
                written_bytes: stretch.written_bytes,
                p50_ns: took.map(|took| took.value_at_quantile(0.5)),
                p99_ns: took.map(|took| took.value_at_quantile(0.99)),
                slowest: stretch.slowest.as_ref().map(|slow| Slowest {
                    arrived_ns: Some(slow.arrived_ns),
                    took_ns: slow.took_ns,
                    cause: slow.cause,
                    words: slow.words.clone(),
                }),
                late: stretch.late,
            }
        };
        Flow {
            steps: requests.steps,
            points: requests.stretches.iter().map(point).collect(),
            slow_ns: threshold(requests.median_ns()),
        }
    }

    /// How much was asked for when, and nothing of how long it took; nothing if all of it came in one moment,
    /// as of a trace without any times.
    fn without_times(requests: &Requests) -> Option<Flow> {
        if requests.from_ns == requests.to_ns {
            return None;
        }
        let mut flow = Flow::of_requests(requests);
        for point in &mut flow.points {
            (point.p50_ns, point.p99_ns, point.slowest) = (None, None, None);
        }
        Some(flow)
    }

    fn of_summary(told: &Told) -> Option<Flow> {
        let series = &told.over_time;
        let buckets = u64::try_from(series.buckets.len()).ok()?;
        let end = series.bucket_ns.checked_mul(buckets)?.checked_sub(1)?;
        let steps = Steps::with_width(0, end, series.bucket_ns);
        let point = |(at, bucket): (usize, &super::gather::told::Bucket)| Point {
            answered: bucket.answered,
            read_bytes: bucket.read_bytes,
            written_bytes: bucket.written_bytes,
            p50_ns: None,
            p99_ns: None,
            slowest: (bucket.answered > 0).then(|| {
                let known = told.slowest.iter().find(|slow| {
                    let due = slow.arrived_ns.saturating_add(slow.took_ns);
                    steps.at(due) == at && slow.took_ns == bucket.slowest_ns
                });
                Slowest {
                    arrived_ns: known.map(|slow| slow.arrived_ns),
                    took_ns: bucket.slowest_ns,
                    cause: known.map_or(Cause::Unknown, |slow| Cause::of_sentence(&slow.cause)),
                    words: known.map(|slow| slow.cause.clone()).unwrap_or_default(),
                }
            }),
            late: 0,
        };
        // What most requests took; operations are not counted together in a summary.
        let most = told.operations.iter().max_by_key(|kind| kind.count);
        Some(Flow {
            steps,
            points: series.buckets.iter().enumerate().map(point).collect(),
            slow_ns: threshold(most.map_or(0, |kind| kind.p50_ns)),
        })
    }

    /// The time that a stretch covers: the last one ends with the run.
    pub(super) fn bounds(&self, at: usize) -> (u64, u64) {
        (self.steps.bound(at), self.steps.bound(at + 1))
    }

    /// Times in which requests were slow, in order.
    pub(super) fn slow_times(&self) -> Vec<SlowTime> {
        let mut times: Vec<SlowTime> = Vec::new();
        let mut before = None;
        for (at, point) in self.points.iter().enumerate() {
            let slow = point
                .slowest
                .as_ref()
                .filter(|slow| slow.took_ns >= self.slow_ns);
            let Some(slow) = slow else {
                before = None;
                continue;
            };
            let (start, to_ns) = self.bounds(at);
            let from_ns = slow.arrived_ns.map_or(start, |arrived| arrived.min(start));
            match times.last_mut() {
                Some(last) if before == Some(slow.cause) => {
                    last.to_ns = to_ns;
                    last.from_ns = last.from_ns.min(from_ns);
                    if slow.took_ns > last.slowest.took_ns {
                        (last.at, last.slowest) = (at, slow.clone());
                    }
                }
                _ => times.push(SlowTime {
                    from_ns,
                    to_ns,
                    at,
                    slowest: slow.clone(),
                }),
            }
            before = Some(slow.cause);
        }
        times
    }
}

fn threshold(median_ns: u64) -> u64 {
    median_ns.saturating_mul(10).clamp(SLOW_NS_MIN, SLOW_NS_MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: u64 = 1_000_000;

    fn flow(slowest: &[Option<(u64, Cause)>]) -> Flow {
        let point = |slow: &Option<(u64, Cause)>| Point {
            answered: u64::from(slow.is_some()),
            slowest: slow.map(|(took_ns, cause)| Slowest {
                arrived_ns: None,
                took_ns,
                cause,
                words: String::new(),
            }),
            ..Point::default()
        };
        let end = crate::units::count(slowest.len()) * 10 - 1;
        Flow {
            steps: Steps::with_width(0, end, 10),
            points: slowest.iter().map(point).collect(),
            slow_ns: threshold(2 * MS),
        }
    }

    #[test]
    fn neighbours_of_one_cause_are_one_slow_time() {
        let flow = flow(&[
            Some((20 * MS, Cause::Seek)),
            Some((90 * MS, Cause::Room)),
            Some((900 * MS, Cause::Room)),
            Some((60 * MS, Cause::Lag)),
            None,
            Some((60 * MS, Cause::Lag)),
        ]);
        let times = flow.slow_times();
        let spans: Vec<(u64, u64, u64)> = times
            .iter()
            .map(|t| (t.from_ns, t.to_ns, t.slowest.took_ns / MS))
            .collect();
        assert_eq!(spans, [(10, 30, 900), (30, 40, 60), (50, 60, 60)]);
    }

    #[test]
    fn what_is_ten_times_the_median_is_slow_if_it_is_50_ms() {
        assert_eq!(threshold(MS), 50 * MS);
        assert_eq!(threshold(50 * MS), 500 * MS);
        assert_eq!(threshold(1_350 * MS), 1_000 * MS, "most are slow, and told");
        let one = |took| flow(&[Some((took, Cause::Room))]).slow_times().len();
        assert_eq!((one(50 * MS - 1), one(50 * MS)), (0, 1));
    }
}
