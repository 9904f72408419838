//! Owns what happens over time: buckets of equal width that cover a run of any length.
//!
//! Always holds: the width is 1, 2 or 5 times a power of ten of milliseconds, and there are no more
//! than a hundred buckets or so. Nothing is lost when they are joined: counts add up, the slowest stays.

use serde::Serialize;

use crate::drive::request::{Completion, Operation};
use crate::time::Instant;
use crate::units::{count, index};

/// Width of the first buckets.
const WIDTH_NS_MIN: u64 = 1_000_000;
/// Most buckets kept during a run.
const KEPT_MAX: u64 = 1_000;
/// Most buckets shown.
const SHOWN_MAX: u64 = 100;

/// How full the drive is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Level {
    /// Log slots in use.
    pub staging_slots_used: u64,
    /// Bands with staged sectors.
    pub dirty_bands: u64,
}

/// What happened in a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Bucket {
    /// Requests answered.
    pub answered: u64,
    /// Bytes read by them.
    pub read_bytes: u64,
    /// Bytes written by them.
    pub written_bytes: u64,
    /// The longest that one of them took.
    pub slowest_ns: u64,
    /// How full the drive was at the end.
    #[serde(flatten)]
    pub level: Level,
}

/// Buckets from the beginning of a run on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Series {
    /// Width of a bucket.
    pub bucket_ns: u64,
    /// The buckets, in order.
    pub buckets: Vec<Bucket>,
}

impl Default for Series {
    fn default() -> Series {
        Series {
            bucket_ns: WIDTH_NS_MIN,
            buckets: Vec::new(),
        }
    }
}

impl Series {
    /// Counts an answer.
    pub(super) fn take(&mut self, completion: &Completion) {
        let bucket = self.at(completion.due);
        bucket.answered += 1;
        match completion.operation {
            Operation::Read => bucket.read_bytes += completion.bytes,
            Operation::Write { .. } | Operation::WriteZeroes { .. } => {
                bucket.written_bytes += completion.bytes;
            }
            Operation::Flush | Operation::Trim => {}
        }
        let took = completion.due.since(completion.arrived).0;
        bucket.slowest_ns = bucket.slowest_ns.max(took);
    }

    /// Notes how full the drive is at `at`, which never goes back.
    pub(super) fn level(&mut self, at: Instant, level: Level) {
        self.at(at).level = level;
    }

    /// As few buckets as are shown.
    pub(super) fn finish(mut self) -> Series {
        for group in [2, 5, 10] {
            if count(self.buckets.len()).div_ceil(group) <= SHOWN_MAX
                && count(self.buckets.len()) > SHOWN_MAX
            {
                self.join(group);
            }
        }
        self
    }

    fn at(&mut self, moment: Instant) -> &mut Bucket {
        while moment.0 / self.bucket_ns >= KEPT_MAX {
            self.join(10);
        }
        let wanted = index(moment.0 / self.bucket_ns);
        if wanted >= self.buckets.len() {
            let level = self
                .buckets
                .last()
                .map_or(Level::default(), |last| last.level);
            let quiet = Bucket {
                level,
                ..Bucket::default()
            };
            self.buckets.resize(wanted + 1, quiet);
        }
        &mut self.buckets[wanted]
    }

    fn join(&mut self, group: u64) {
        self.bucket_ns *= group;
        let groups = self.buckets.chunks(index(group));
        self.buckets = groups
            .map(|group| {
                group.iter().fold(Bucket::default(), |sum, bucket| Bucket {
                    answered: sum.answered + bucket.answered,
                    read_bytes: sum.read_bytes + bucket.read_bytes,
                    written_bytes: sum.written_bytes + bucket.written_bytes,
                    slowest_ns: sum.slowest_ns.max(bucket.slowest_ns),
                    level: bucket.level,
                })
            })
            .collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buckets_join_and_keep_what_they_counted() {
        let mut series = Series::default();
        for second in 0..3_000_u64 {
            let level = Level {
                staging_slots_used: second,
                dirty_bands: 0,
            };
            series.level(Instant(second * 1_000_000_000), level);
            series.at(Instant(second * 1_000_000_000)).answered += 1;
        }
        let shown = series.finish();
        assert_eq!(shown.bucket_ns, 50_000_000_000);
        assert_eq!(shown.buckets.len(), 60);
        assert!(shown.buckets.iter().all(|bucket| bucket.answered == 50));
        let levels = shown.buckets.iter().map(|b| b.level.staging_slots_used);
        assert!(levels.eq((1..=60).map(|i| i * 50 - 1)));
    }

    #[test]
    fn quiet_stretches_keep_the_level() {
        let mut series = Series::default();
        let level = Level {
            staging_slots_used: 7,
            dirty_bands: 2,
        };
        series.level(Instant(0), level);
        series.at(Instant(9_000_000)).answered = 1;
        assert_eq!(series.buckets.len(), 10);
        assert!(series.buckets.iter().all(|bucket| bucket.level == level));
    }
}
