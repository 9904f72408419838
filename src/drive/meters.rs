//! Owns how long the arm was busy with what a waiting request did not ask for, and with which bands,
//! so that the request can tell what it waited for.
//!
//! Always holds: totals never go back; a merge of the map counts from the moment in which it begins,
//! not from the one in which it is planned. Of the bands cleaned long ago the oldest are forgotten.

use std::collections::VecDeque;

use super::request::BandsCleaned;
use crate::time::{Duration, Instant};
use crate::units::{HomeBand, count};

/// Runs of cleaning that are remembered, of each kind.
const RUNS_MAX: usize = 4096;

/// What the arm is busy with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Busy {
    /// A host request, or reading ahead.
    Host,
    /// Moving the cache to the medium.
    Destage,
    /// Cleaning on the drive's own account.
    Cleaning(HomeBand),
    /// Cleaning because a host request lacks room.
    Room(HomeBand),
    /// Stalled on request.
    Stalled,
}

/// Busy times up to a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reading {
    /// Cleaning on the drive's own account.
    pub cleaning: Duration,
    /// Cleaning because a host request lacked room.
    pub room: Duration,
    /// Merging the map.
    pub merge: Duration,
    /// Stalled on request.
    pub stalled: Duration,
    /// Moving the cache to the medium.
    pub destage: Duration,
}

/// The running totals.
#[derive(Clone, Debug, Default)]
pub struct Meters {
    total: Reading,
    current: Option<Current>,
    own: Runs,
    room: Runs,
}

/// What the arm is busy with.
#[derive(Clone, Copy, Debug)]
struct Current {
    busy: Busy,
    since: Instant,
    /// When the merge of the map begins that is the rest of it.
    merges_from: Option<Instant>,
}

/// Bands in the order in which they were cleaned, each with what the total was when its turn began.
#[derive(Clone, Debug, Default)]
struct Runs(VecDeque<(HomeBand, Duration)>);

impl Meters {
    /// The arm begins something.
    pub fn begin(&mut self, busy: Busy, at: Instant) {
        match busy {
            Busy::Cleaning(band) => self.own.begin(band, self.total.cleaning),
            Busy::Room(band) => self.room.begin(band, self.total.room),
            Busy::Host | Busy::Destage | Busy::Stalled => {}
        }
        self.current = Some(Current {
            busy,
            since: at,
            merges_from: None,
        });
    }

    /// What the arm has just begun ends with a merge of the map, from `at` on.
    pub fn merges_from(&mut self, at: Instant) {
        if let Some(current) = &mut self.current {
            current.merges_from = Some(at);
        }
    }

    /// The arm is done with it.
    pub fn end(&mut self, at: Instant) {
        self.total = self.read(at);
        self.current = None;
    }

    /// Totals up to `at`.
    pub fn read(&self, at: Instant) -> Reading {
        let mut reading = self.total;
        let Some(current) = self.current else {
            return reading;
        };
        let upto = current.merges_from.unwrap_or(at).min(at);
        let took = upto.since(current.since);
        match current.busy {
            Busy::Host => {}
            Busy::Destage => reading.destage += took,
            Busy::Cleaning(_) => reading.cleaning += took,
            Busy::Room(_) => reading.room += took,
            Busy::Stalled => reading.stalled += took,
        }
        reading.merge += at.since(upto);
        reading
    }

    /// Bands cleaned on the drive's own account between two readings.
    pub(super) fn cleaned(&self, from: Reading, upto: Reading) -> Option<BandsCleaned> {
        self.own.between(from.cleaning, upto.cleaning)
    }

    /// Bands cleaned to make room between two readings.
    pub(super) fn cleaned_for_room(&self, from: Reading, upto: Reading) -> Option<BandsCleaned> {
        self.room.between(from.room, upto.room)
    }
}

impl Reading {
    /// What was added since `earlier`.
    #[must_use]
    pub fn since(self, earlier: Reading) -> Reading {
        Reading {
            cleaning: self.cleaning - earlier.cleaning,
            room: self.room - earlier.room,
            merge: self.merge - earlier.merge,
            stalled: self.stalled - earlier.stalled,
            destage: self.destage - earlier.destage,
        }
    }
}

impl Runs {
    fn begin(&mut self, band: HomeBand, total: Duration) {
        if self.0.back().is_some_and(|(last, _)| *last == band) {
            return;
        }
        self.0.push_back((band, total));
        if self.0.len() > RUNS_MAX {
            self.0.pop_front();
        }
    }

    /// The bands whose turns lie between two totals, at least in part.
    fn between(&self, from: Duration, upto: Duration) -> Option<BandsCleaned> {
        if from >= upto {
            return None;
        }
        let first = self.0.partition_point(|(_, begun)| *begun <= from);
        let ends = self.0.iter().skip(first).map(|(_, begun)| *begun);
        let ends = ends.chain([upto]);
        let seen = self.0.iter().skip(first.saturating_sub(1)).zip(ends);
        let seen = seen.take_while(|((_, begun), _)| *begun < upto);
        let turns: Vec<(HomeBand, Duration)> = seen
            .map(|(&(band, begun), end)| (band, end.min(upto) - begun.max(from)))
            .collect();
        // The first of those that took longest.
        let longest = turns.iter().rev().max_by_key(|(_, took)| *took)?;
        Some(BandsCleaned {
            longest: longest.0,
            count: u32::try_from(count(turns.len())).unwrap_or(u32::MAX),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_wait_is_told_the_bands_that_a_list_of_steps_tells(
            steps in prop::collection::vec((0..4_u32, 1..50_u64, any::<bool>()), 1..40),
            from in 0..500_u64,
            length in 0..500_u64,
        ) {
            let mut meters = Meters::default();
            let mut now = 0;
            // Each nanosecond, and the turn for which the arm was busy in it.
            let (mut busy, mut turn, mut last) = (Vec::new(), 0, None);
            for &(band, took, room) in &steps {
                let what = if room { Busy::Room(HomeBand(band)) } else { Busy::Host };
                meters.begin(what, Instant(now));
                if room && last.replace(band) != Some(band) {
                    turn += 1;
                }
                busy.extend((0..took).map(|_| room.then_some((turn, band))));
                now += took;
                meters.end(Instant(now));
            }
            let (from, upto) = (from.min(now), (from + length).min(now));
            let before = |at: u64| Reading {
                room: Duration(count(busy.iter().take(crate::units::index(at)).flatten().count())),
                ..Reading::default()
            };
            let told = meters.cleaned_for_room(before(from), before(upto));
            let slice = &busy[crate::units::index(from)..crate::units::index(upto)];
            let seen: Vec<(i32, u32)> = slice.iter().flatten().copied().collect();
            let mut turns: Vec<(usize, u32)> = Vec::new();
            for chunk in seen.chunk_by(|a, b| a.0 == b.0) {
                turns.push((chunk.len(), chunk[0].1));
            }
            let longest = turns.iter().map(|(took, _)| *took).max();
            let first = turns.iter().find(|(took, _)| Some(*took) == longest);
            let expected = first.map(|(_, band)| BandsCleaned {
                longest: HomeBand(*band),
                count: u32::try_from(turns.len()).expect("few"),
            });
            prop_assert_eq!(told, expected);
        }
    }

    #[test]
    fn a_merge_counts_from_when_it_begins() {
        let mut meters = Meters::default();
        meters.begin(Busy::Destage, Instant(100));
        meters.merges_from(Instant(150));
        let (arrives, mid) = (meters.read(Instant(120)), meters.read(Instant(170)));
        meters.end(Instant(200));
        let whole = meters.read(Instant(500)).since(arrives);
        assert_eq!((whole.destage, whole.merge), (Duration(30), Duration(50)));
        assert_eq!(mid.since(arrives).merge, Duration(20));
    }
}
