//! Owns half-open ranges of addresses and the map from ranges of host addresses to values.
//!
//! An [`Extent`] is never empty. An [`ExtentMap`] holds disjoint extents in ascending order and
//! splits, cuts and joins them; it does not know what its values mean beyond how to move along.

mod runs;

pub use self::runs::Run;
use self::runs::{Near, Runs, Spot};
use crate::units::{Lba, Pba, Sectors, count};

/// Insertions whose places are looked for together: what they look at in a large map fits the nearest cache.
const LOOKED_FOR: usize = if cfg!(test) { 3 } else { 16 };

/// A half-open, non-empty run of sectors from `start` on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Extent<A> {
    /// First sector.
    pub start: A,
    /// How many.
    pub sectors: Sectors,
}

/// A run of host addresses.
pub type LbaExtent = Extent<Lba>;
/// A run of places on the medium.
pub type PbaExtent = Extent<Pba>;

impl<A: Copy + Ord + std::ops::Add<Sectors, Output = A> + std::ops::Sub<A, Output = Sectors>>
    Extent<A>
{
    /// The run of `sectors` from `start` on.
    ///
    /// # Panics
    /// If it would be empty.
    pub fn new(start: A, sectors: Sectors) -> Self {
        assert!(sectors.0 > 0, "empty extent");
        Extent { start, sectors }
    }

    /// The run from `start` up to but excluding `end`; `None` where there is nothing between.
    pub fn between(start: A, end: A) -> Option<Self> {
        (start < end).then(|| Extent {
            start,
            sectors: end - start,
        })
    }

    /// First address after the run.
    pub fn end(&self) -> A {
        self.start + self.sectors
    }

    /// Whether `address` lies in the run.
    pub fn contains(&self, address: A) -> bool {
        self.start <= address && address < self.end()
    }

    /// The part that both runs share.
    pub fn intersect(&self, other: &Self) -> Option<Self> {
        Extent::between(self.start.max(other.start), self.end().min(other.end()))
    }
}

/// What an [`ExtentMap`] holds for the first sector of an extent.
pub trait Along: Copy + Eq {
    /// A run with such a value as it is kept in memory: the run itself, or something smaller.
    type Kept: Copy + std::fmt::Debug;

    /// The value that belongs to the sector `by` further on.
    #[must_use]
    fn along(self, by: Sectors) -> Self;
    /// What is kept of a run.
    fn keep(run: Run<Self>) -> Self::Kept;
    /// The run of which it was kept.
    fn kept(kept: Self::Kept) -> Run<Self>;
}

impl Along for () {
    type Kept = Run<()>;

    fn along(self, _: Sectors) {}

    fn keep(run: Run<()>) -> Run<()> {
        run
    }

    fn kept(kept: Run<()>) -> Run<()> {
        kept
    }
}

/// A map from disjoint runs of host addresses to values.
#[derive(Clone, Debug)]
pub struct ExtentMap<V: Along> {
    runs: Runs<V>,
}

/// A set of host addresses.
pub type ExtentSet = ExtentMap<()>;

impl<V: Along> Default for ExtentMap<V> {
    fn default() -> Self {
        ExtentMap {
            runs: Runs::default(),
        }
    }
}

impl<V: Along> ExtentMap<V> {
    /// Extents held.
    pub fn len(&self) -> u64 {
        count(self.runs.len())
    }

    /// Whether nothing is held.
    pub fn is_empty(&self) -> bool {
        self.runs.len() == 0
    }

    /// Every extent in ascending order.
    pub fn iter(&self) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        self.from(Spot::FIRST)
    }

    /// First extent held that ends after `lba`, whole.
    pub fn next_from(&self, lba: Lba) -> Option<(LbaExtent, V)> {
        self.whole_from(lba).next()
    }

    /// The parts of `range` that are held, cut to it, in ascending order.
    pub fn overlapping(&self, range: LbaExtent) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        self.whole_from(range.start)
            .map_while(move |(extent, value)| {
                let part = extent.intersect(&range)?;
                Some((part, value.along(part.start - extent.start)))
            })
    }

    /// What is held for one address.
    pub fn at(&self, lba: Lba) -> Option<V> {
        let (extent, value) = self.next_from(lba)?;
        extent
            .contains(lba)
            .then(|| value.along(lba - extent.start))
    }

    /// Whether any of `range` is held.
    pub fn overlaps(&self, range: LbaExtent) -> bool {
        self.first_overlapping(range).is_some()
    }

    /// All of `range` in ascending order: the parts held with their value, the gaps with `None`.
    pub fn pieces(&self, range: LbaExtent) -> Pieces<V> {
        let Some(first) = self.first_overlapping(range) else {
            return vec![(range, None)];
        };
        let mut pieces = Vec::new();
        let mut at = range.start;
        for (extent, value) in self.from(first) {
            let Some(part) = extent.intersect(&range) else {
                break;
            };
            pieces.extend(Extent::between(at, part.start).map(|gap| (gap, None)));
            pieces.push((part, Some(value.along(part.start - extent.start))));
            at = part.end();
        }
        pieces.extend(Extent::between(at, range.end()).map(|gap| (gap, None)));
        pieces
    }

    /// Removes `range`; each part that was held is handed to `removed`, in ascending order.
    pub fn remove(&mut self, range: LbaExtent, mut removed: impl FnMut(LbaExtent, V)) {
        let Some(mut at) = self.first_overlapping(range) else {
            return;
        };
        while let Some(run) = self.runs.get(at)
            && let Some(part) = run.extent().intersect(&range)
        {
            let skipped = part.start - run.start;
            let behind = Extent::between(part.end(), run.extent().end()).map(|rest| Run {
                start: rest.start,
                sectors: rest.sectors,
                value: run.value.along(rest.start - run.start),
            });
            let before = (skipped.0 > 0).then_some(Run {
                sectors: skipped,
                ..run
            });
            at = match (before, behind) {
                (None, None) => self.runs.remove(at),
                (None, Some(rest)) | (Some(rest), None) => {
                    self.runs.replace(at, rest);
                    self.runs.next(at)
                }
                (Some(before), Some(behind)) => {
                    self.runs.replace(at, before);
                    self.runs.insert_behind(Some(at), behind);
                    // Nothing else overlaps.
                    removed(part, run.value.along(skipped));
                    return;
                }
            };
            removed(part, run.value.along(skipped));
        }
    }

    /// Sets all of `range`; what was held there is handed to `removed` first. Joins with
    /// neighbours whose values continue.
    pub fn insert(&mut self, range: LbaExtent, value: V, removed: impl FnMut(LbaExtent, V)) {
        self.insert_near(None, range, value, removed);
    }

    /// Sets each of `pieces`, as [`ExtentMap::insert`] does, one after the other. In a large map each would
    /// wait for far memory; here they wait together.
    pub fn insert_all(&mut self, pieces: &[(LbaExtent, V)], mut removed: impl FnMut(LbaExtent, V)) {
        for few in pieces.chunks(LOOKED_FOR) {
            let near = self.runs.look_for(few.iter().map(|(range, _)| range.end()));
            for (at, (range, value)) in few.iter().enumerate() {
                let near = near.get(at).copied().flatten();
                self.insert_near(near, *range, *value, &mut removed);
            }
        }
    }

    fn insert_near(
        &mut self,
        near: Option<Near>,
        range: LbaExtent,
        value: V,
        removed: impl FnMut(LbaExtent, V),
    ) {
        let mut before = self.last_before(near, range.end());
        if before.is_some_and(|(_, run)| run.extent().end() > range.start) {
            self.remove(range, removed);
            before = self.last_before(None, range.start);
        }
        let behind = before.map_or(Spot::FIRST, |(spot, _)| self.runs.next(spot));
        let after = self.runs.get(behind);
        let joins_after =
            after.filter(|run| run.start == range.end() && value.along(range.sectors) == run.value);
        let joins_before = before.filter(|(_, run)| {
            run.extent().end() == range.start && run.value.along(run.sectors) == value
        });
        let more = joins_after.map_or(Sectors(0), |run| run.sectors);
        match (joins_before, joins_after) {
            (Some((spot, run)), after) => {
                let sectors = run.sectors + range.sectors + more;
                self.runs.replace(spot, Run { sectors, ..run });
                if after.is_some() {
                    self.runs.remove(behind);
                }
            }
            (None, joined) => {
                let run = Run {
                    start: range.start,
                    sectors: range.sectors + more,
                    value,
                };
                match joined {
                    Some(_) => self.runs.replace(behind, run),
                    None => self.runs.insert_behind(before.map(|(spot, _)| spot), run),
                }
            }
        }
    }

    /// The last run that begins before `end`, which may be near what is told.
    fn last_before(&self, near: Option<Near>, end: Lba) -> Option<(Spot, Run<V>)> {
        let spot = self.runs.last_before(near, end)?;
        Some((spot, self.runs.get(spot)?))
    }

    /// The first run that overlaps `range`: one look, and back over the others that do.
    fn first_overlapping(&self, range: LbaExtent) -> Option<Spot> {
        let overlaps = |&(_, run): &(Spot, Run<V>)| run.extent().end() > range.start;
        let mut first = self.last_before(None, range.end()).filter(overlaps)?;
        while first.1.start > range.start
            && let Some(spot) = self.runs.before(first.0)
            && let Some(before) = self.runs.get(spot).map(|run| (spot, run)).filter(overlaps)
        {
            first = before;
        }
        Some(first.0)
    }

    fn whole_from(&self, lba: Lba) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        let first = match self.last_before(None, lba) {
            None => Spot::FIRST,
            Some((spot, run)) if run.extent().end() > lba => spot,
            Some((spot, _)) => self.runs.next(spot),
        };
        self.from(first)
    }

    fn from(&self, first: Spot) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        let mut at = first;
        std::iter::from_fn(move || {
            let run = self.runs.get(at)?;
            at = self.runs.next(at);
            Some((run.extent(), run.value))
        })
    }
}

impl<V> Run<V> {
    fn extent(&self) -> LbaExtent {
        Extent {
            start: self.start,
            sectors: self.sectors,
        }
    }
}

/// Parts of a range in ascending order, without gaps between them; `None` where nothing is held.
pub type Pieces<V> = Vec<(LbaExtent, Option<V>)>;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    impl Along for u64 {
        type Kept = Run<u64>;

        fn along(self, by: Sectors) -> u64 {
            self + by.0
        }

        fn keep(run: Run<u64>) -> Run<u64> {
            run
        }

        fn kept(kept: Run<u64>) -> Run<u64> {
            kept
        }
    }

    /// Enough for several groups of runs.
    const SPACE: u64 = 400;

    fn extent(start: u64, sectors: u64) -> LbaExtent {
        Extent::new(Lba(start), Sectors(sectors))
    }

    fn flat(map: &ExtentMap<u64>) -> Vec<Option<u64>> {
        let pieces = map.pieces(extent(0, SPACE));
        pieces
            .iter()
            .flat_map(|(e, v)| (0..e.sectors.0).map(move |i| v.map(|v| v + i)))
            .collect()
    }

    proptest! {
        #[test]
        fn map_agrees_with_an_array(ops in prop::collection::vec((0..SPACE, prop_oneof![8 => 1..3u64, 1 => 1..60u64], 0..1000u64, prop::bool::weighted(0.7)), 1..400)) {
            let mut map = ExtentMap::default();
            let mut array = vec![None; usize::try_from(SPACE).unwrap()];
            for (start, length, value, insert) in ops {
                let range = extent(start, length.min(SPACE - start));
                let mut removed = vec![];
                if insert {
                    map.insert(range, value, |e, v| removed.push((e, v)));
                } else {
                    map.remove(range, |e, v| removed.push((e, v)));
                }
                let told: Vec<_> = removed.iter()
                    .flat_map(|&(e, v)| (0..e.sectors.0).map(move |i| (e.start.0 + i, v + i))).collect();
                let mut held = vec![];
                for i in 0..range.sectors.0 {
                    let cell = &mut array[usize::try_from(range.start.0 + i).unwrap()];
                    held.extend(cell.map(|v| (range.start.0 + i, v)));
                    *cell = insert.then_some(value + i);
                }
                prop_assert_eq!(told, held);
                map.runs.check();
                prop_assert_eq!(map.at(Lba(start)), array[usize::try_from(start).unwrap()]);
                prop_assert_eq!(&flat(&map), &array);
                let starts: Vec<_> = map.iter().collect();
                for pair in starts.windows(2) {
                    prop_assert!(pair[0].0.end() <= pair[1].0.start);
                    let joins = pair[0].0.end() == pair[1].0.start && pair[0].1 + pair[0].0.sectors.0 == pair[1].1;
                    prop_assert!(!joins, "neighbours that continue are one extent: {:?}", pair);
                }
            }
        }
    }

    proptest! {
        /// Neighbours in the order of addresses, so that one cuts the chunk in which the next was found.
        #[test]
        fn many_at_once_are_set_as_one_after_another(batches in prop::collection::vec(prop::collection::vec((0..SPACE, prop_oneof![8 => 1..3u64, 1 => 1..60u64], 0..1000u64), 1..40), 1..20), ascending in any::<bool>()) {
            let mut at_once = ExtentMap::default();
            let mut singly = ExtentMap::default();
            for mut batch in batches {
                if ascending {
                    batch.sort_unstable();
                }
                let batch: Vec<_> = batch.into_iter()
                    .map(|(start, length, value)| (extent(start, length.min(SPACE - start)), value)).collect();
                let (mut removed_at_once, mut removed_singly) = (vec![], vec![]);
                at_once.insert_all(&batch, |e, v| removed_at_once.push((e, v)));
                for (range, value) in batch {
                    singly.insert(range, value, |e, v| removed_singly.push((e, v)));
                }
                at_once.runs.check();
                prop_assert_eq!(removed_at_once, removed_singly);
                prop_assert!(at_once.iter().eq(singly.iter()));
            }
        }
    }

    #[test]
    fn empty_ranges_do_not_exist() {
        assert_eq!(Extent::between(Lba(5), Lba(5)), None);
        assert_eq!(extent(0, 4).intersect(&extent(4, 4)), None);
        assert_eq!(extent(0, 4).intersect(&extent(3, 4)), Some(extent(3, 1)));
    }
}
