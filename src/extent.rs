//! Owns half-open ranges of addresses and the map from ranges of host addresses to values.
//!
//! An [`Extent`] is never empty. An [`ExtentMap`] holds disjoint extents in ascending order and
//! splits, cuts and joins them; it does not know what its values mean beyond how to move along.

use std::collections::BTreeMap;

use crate::units::{Lba, Pba, Sectors, count};

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
    /// The value that belongs to the sector `by` further on.
    #[must_use]
    fn along(self, by: Sectors) -> Self;
}

impl Along for () {
    fn along(self, _: Sectors) {}
}

/// A map from disjoint runs of host addresses to values.
#[derive(Clone, Debug)]
pub struct ExtentMap<V> {
    runs: BTreeMap<Lba, (Sectors, V)>,
}

/// A set of host addresses.
pub type ExtentSet = ExtentMap<()>;

impl<V> Default for ExtentMap<V> {
    fn default() -> Self {
        ExtentMap {
            runs: BTreeMap::new(),
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
        self.runs.is_empty()
    }

    /// Every extent in ascending order.
    pub fn iter(&self) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        self.runs
            .iter()
            .map(|(&start, &(sectors, value))| (Extent { start, sectors }, value))
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

    /// All of `range` in ascending order: the parts held with their value, the gaps with `None`.
    pub fn pieces(&self, range: LbaExtent) -> Pieces<V> {
        if self.last_overlapping(range).is_none() {
            return vec![(range, None)];
        }
        let mut pieces = Vec::new();
        let mut at = range.start;
        for (part, value) in self.overlapping(range) {
            pieces.extend(Extent::between(at, part.start).map(|gap| (gap, None)));
            pieces.push((part, Some(value)));
            at = part.end();
        }
        pieces.extend(Extent::between(at, range.end()).map(|gap| (gap, None)));
        pieces
    }

    /// Removes `range`; each part that was held is handed to `removed`.
    pub fn remove(&mut self, range: LbaExtent, mut removed: impl FnMut(LbaExtent, V)) {
        while let Some(last) = self.last_overlapping(range) {
            // Nearly always the last is the only one; else they go in ascending order.
            let first = if last.0.start <= range.start {
                Some(last)
            } else {
                self.next_from(range.start)
            };
            let (extent, value) = first.expect("a run overlaps");
            let part = extent.intersect(&range).expect("the first one does");
            self.runs.remove(&extent.start);
            if let Some(before) = Extent::between(extent.start, part.start) {
                self.runs.insert(before.start, (before.sectors, value));
            }
            if let Some(after) = Extent::between(part.end(), extent.end()) {
                let moved = value.along(after.start - extent.start);
                self.runs.insert(after.start, (after.sectors, moved));
            }
            removed(part, value.along(part.start - extent.start));
            if part.end() == range.end() {
                break;
            }
        }
    }

    /// Sets all of `range`; what was held there is handed to `removed` first. Joins with
    /// neighbours whose values continue.
    pub fn insert(&mut self, range: LbaExtent, value: V, removed: impl FnMut(LbaExtent, V)) {
        let mut before = self.last_before(range.end());
        if before.is_some_and(|(extent, _)| extent.end() > range.start) {
            self.remove(range, removed);
            before = self.last_before(range.start);
        }
        let (mut start, mut sectors, mut value) = (range.start, range.sectors, value);
        if let Some((before, earlier)) = before
            && before.end() == start
            && earlier.along(before.sectors) == value
        {
            self.runs.remove(&before.start);
            (start, sectors, value) = (before.start, before.sectors + sectors, earlier);
        }
        if let Some(&(length, later)) = self.runs.get(&range.end())
            && value.along(sectors) == later
        {
            self.runs.remove(&range.end());
            sectors += length;
        }
        self.runs.insert(start, (sectors, value));
    }

    /// The last extent that begins before `end`, whole.
    fn last_before(&self, end: Lba) -> Option<(LbaExtent, V)> {
        let last = self.runs.range(..end).next_back();
        last.map(|(&start, &(sectors, value))| (Extent { start, sectors }, value))
    }

    /// The last extent that overlaps `range`, whole: one look into the tree, as most ranges that
    /// are asked for are held nowhere.
    fn last_overlapping(&self, range: LbaExtent) -> Option<(LbaExtent, V)> {
        self.last_before(range.end())
            .filter(|(extent, _)| extent.end() > range.start)
    }

    fn whole_from(&self, lba: Lba) -> impl Iterator<Item = (LbaExtent, V)> + '_ {
        let before = self
            .runs
            .range(..lba)
            .next_back()
            .filter(|&(&start, &(n, _))| start + n > lba);
        before
            .into_iter()
            .chain(self.runs.range(lba..))
            .map(|(&start, &(sectors, value))| (Extent { start, sectors }, value))
    }
}

/// Parts of a range in ascending order, without gaps between them; `None` where nothing is held.
pub type Pieces<V> = Vec<(LbaExtent, Option<V>)>;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    impl Along for u64 {
        fn along(self, by: Sectors) -> u64 {
            self + by.0
        }
    }

    const SPACE: u64 = 64;

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
        fn map_agrees_with_an_array(ops in prop::collection::vec((0..SPACE, 1..20u64, 0..1000u64, any::<bool>()), 1..80)) {
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

    #[test]
    fn empty_ranges_do_not_exist() {
        assert_eq!(Extent::between(Lba(5), Lba(5)), None);
        assert_eq!(extent(0, 4).intersect(&extent(4, 4)), None);
        assert_eq!(extent(0, 4).intersect(&extent(3, 4)), Some(extent(3, 1)));
    }
}
