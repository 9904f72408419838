//! Owns a sorted list of runs that takes insertions anywhere: chunks of neighbours in groups,
//! and each group knows the first address of its chunks, the list that of its groups.
//!
//! Always holds: no chunk and no group is empty, starts ascend, `firsts` are the starts of the first runs
//! beneath. A look takes two searches among firsts, which stay near the processor, and one in a chunk,
//! which is small because with millions of runs it comes from far memory. An insertion moves part of a
//! chunk, and now and then part of a group. It does not know what overlaps or joins.

use smallvec::SmallVec;

use super::{Along, LOOKED_FOR};
use crate::units::{Lba, Sectors};

/// Runs of a chunk before it is cut. Few in unit tests, so that small maps have many chunks.
const CHUNK_MAX: usize = if cfg!(test) { 8 } else { 64 };
/// Chunks of a group before it is cut.
const GROUP_MAX: usize = if cfg!(test) { 8 } else { 256 };
/// Runs of a chunk of which one is looked at first: as many as share a line of the processor's cache.
const STRIDE: usize = if cfg!(test) { 3 } else { 4 };

// Short neighbours are joined in unit tests, too.
const _: () = assert!(CHUNK_MAX / 4 > 1 && GROUP_MAX / 4 > 1);

/// A run and what it holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run<V> {
    /// First address.
    pub start: Lba,
    /// How many.
    pub sectors: Sectors,
    /// What it holds.
    pub value: V,
}

/// A place in the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Spot {
    group: usize,
    chunk: usize,
    index: usize,
}

impl Spot {
    /// Where the first run is, or would be.
    pub(super) const FIRST: Spot = Spot {
        group: 0,
        chunk: 0,
        index: 0,
    };
}

/// A chunk in which a run was, or will be, unless the list has changed too much since.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    group: usize,
    chunk: usize,
}

/// The list.
#[derive(Clone, Debug)]
pub(super) struct Runs<V: Along> {
    firsts: Vec<Lba>,
    groups: Vec<Group<V>>,
    len: usize,
}

#[derive(Clone, Debug)]
struct Group<V: Along> {
    firsts: Vec<Lba>,
    chunks: Vec<Vec<V::Kept>>,
}

impl<V: Along> Default for Runs<V> {
    fn default() -> Runs<V> {
        Runs {
            firsts: Vec::new(),
            groups: Vec::new(),
            len: 0,
        }
    }
}

impl<V: Along> Runs<V> {
    pub(super) fn len(&self) -> usize {
        self.len
    }

    /// The last run that begins before `end`; in `near`, if that is still the chunk to look in.
    pub(super) fn last_before(&self, near: Option<Near>, end: Lba) -> Option<Spot> {
        let near = near.filter(|near| self.is_last_below(*near, end));
        let Near { group, chunk } = near.or_else(|| self.chunk_before(end))?;
        let runs = &self.groups[group].chunks[chunk];
        Some(Spot {
            group,
            chunk,
            index: below::<V>(runs, end) - 1,
        })
    }

    /// The last chunk that begins before `end`.
    fn chunk_before(&self, end: Lba) -> Option<Near> {
        let group = last_below(&self.firsts, end)?;
        let chunk = last_below(&self.groups[group].firsts, end)?;
        Some(Near { group, chunk })
    }

    /// Whether it is the last chunk that begins before `end`.
    fn is_last_below(&self, Near { group, chunk }: Near, end: Lba) -> bool {
        let firsts = self.groups.get(group).map(|group| group.firsts.as_slice());
        let firsts = firsts.unwrap_or_default();
        let behind = firsts.get(chunk + 1).or(self.firsts.get(group + 1));
        firsts.get(chunk).is_some_and(|first| *first < end)
            && behind.is_none_or(|first| *first >= end)
    }

    /// Where the last runs are that begin before each of `ends`, which are near the processor after it.
    /// In a long list each look waits for far memory; here they wait at the same time, because none depends
    /// on another. In a short list there is nothing to be won, and nothing is told.
    pub(super) fn look_for(
        &self,
        ends: impl Iterator<Item = Lba>,
    ) -> SmallVec<[Option<Near>; LOOKED_FOR]> {
        if self.groups.len() < 2 {
            return SmallVec::new();
        }
        let found: SmallVec<[Option<Near>; LOOKED_FOR]> =
            ends.map(|end| self.chunk_before(end)).collect();
        let chunks = found.iter().flatten();
        let chunks = chunks.map(|near| self.groups[near.group].chunks[near.chunk].as_slice());
        let chunks: SmallVec<[&[V::Kept]; LOOKED_FOR]> = chunks.collect();
        let mut seen = 0;
        for runs in chunks {
            for run in runs.iter().step_by(STRIDE) {
                seen ^= V::kept(*run).start.0;
            }
        }
        std::hint::black_box(seen);
        found
    }

    pub(super) fn get(&self, spot: Spot) -> Option<Run<V>> {
        let runs = self.groups.get(spot.group)?.chunks.get(spot.chunk)?;
        Some(V::kept(*runs.get(spot.index)?))
    }

    pub(super) fn next(&self, spot: Spot) -> Spot {
        self.here_or_next(Spot {
            index: spot.index + 1,
            ..spot
        })
    }

    pub(super) fn before(&self, spot: Spot) -> Option<Spot> {
        if let Some(index) = spot.index.checked_sub(1) {
            return Some(Spot { index, ..spot });
        }
        let (group, chunk) = if let Some(chunk) = spot.chunk.checked_sub(1) {
            (spot.group, chunk)
        } else {
            let group = spot.group.checked_sub(1)?;
            (group, self.groups[group].chunks.len() - 1)
        };
        Some(Spot {
            group,
            chunk,
            index: self.groups[group].chunks[chunk].len() - 1,
        })
    }

    /// Puts another run in the place of one; starts must still ascend.
    pub(super) fn replace(&mut self, spot: Spot, run: Run<V>) {
        self.groups[spot.group].chunks[spot.chunk][spot.index] = V::keep(run);
        self.note_first(spot);
    }

    /// Adds a run behind `spot`, or as the first of all.
    pub(super) fn insert_behind(&mut self, spot: Option<Spot>, run: Run<V>) {
        self.len += 1;
        if self.groups.is_empty() {
            self.firsts.push(run.start);
            self.groups.push(Group {
                firsts: vec![run.start],
                chunks: vec![vec![V::keep(run)]],
            });
            return;
        }
        let at = spot.map_or(Spot::FIRST, |spot| Spot {
            index: spot.index + 1,
            ..spot
        });
        let group = &mut self.groups[at.group];
        group.insert(at.chunk, at.index, V::keep(run));
        let rest = group.cut();
        self.note_first(at);
        if let Some(rest) = rest {
            self.firsts.insert(at.group + 1, rest.firsts[0]);
            self.groups.insert(at.group + 1, rest);
        }
    }

    /// Removes a run; tells where the one behind it is now.
    pub(super) fn remove(&mut self, spot: Spot) -> Spot {
        self.len -= 1;
        let group = &mut self.groups[spot.group];
        group.remove(spot.chunk, spot.index);
        if group.chunks.is_empty() {
            self.groups.remove(spot.group);
            self.firsts.remove(spot.group);
            return Spot {
                group: spot.group,
                ..Spot::FIRST
            };
        }
        self.firsts[spot.group] = group.firsts[0];
        let left = group.chunks.len();
        if left < GROUP_MAX / 4
            && let Some(behind) = self.groups.get(spot.group + 1)
            && left + behind.chunks.len() <= GROUP_MAX / 2
        {
            let behind = self.groups.remove(spot.group + 1);
            self.firsts.remove(spot.group + 1);
            let group = &mut self.groups[spot.group];
            group.firsts.extend(behind.firsts);
            group.chunks.extend(behind.chunks);
        }
        self.here_or_next(spot)
    }

    /// `spot`, or the first of the next chunk where its chunk ends before it.
    fn here_or_next(&self, spot: Spot) -> Spot {
        let chunks = self.groups.get(spot.group).map(|group| &group.chunks);
        let chunks = chunks.map_or(&[][..], Vec::as_slice);
        let runs = chunks.get(spot.chunk).map_or(0, Vec::len);
        match spot {
            _ if spot.index < runs => spot,
            Spot { group, chunk, .. } if chunk + 1 < chunks.len() => Spot {
                group,
                chunk: chunk + 1,
                index: 0,
            },
            Spot { group, .. } => Spot {
                group: group + 1,
                ..Spot::FIRST
            },
        }
    }

    /// The run at `spot` is new: its chunk and group may begin with it.
    fn note_first(&mut self, spot: Spot) {
        if spot.index == 0 {
            let group = &mut self.groups[spot.group];
            group.firsts[spot.chunk] = V::kept(group.chunks[spot.chunk][0]).start;
            self.firsts[spot.group] = group.firsts[0];
        }
    }
}

impl<V: Along> Group<V> {
    /// Adds a run to a chunk, which is cut where it was full.
    fn insert(&mut self, chunk: usize, at: usize, run: V::Kept) {
        let runs = &mut self.chunks[chunk];
        if runs.len() < CHUNK_MAX {
            runs.insert(at, run);
            return;
        }
        // Whoever adds in ascending order fills chunk after chunk.
        let ascends = at == runs.len();
        let keep = if ascends { at } else { runs.len() / 2 };
        let mut rest = Vec::with_capacity(CHUNK_MAX);
        rest.extend(runs.drain(keep..));
        if at <= keep && !ascends {
            runs.insert(at, run);
        } else {
            rest.insert(at - keep, run);
        }
        self.firsts.insert(chunk + 1, V::kept(rest[0]).start);
        self.chunks.insert(chunk + 1, rest);
    }

    /// What no longer fits, if it has become too long.
    fn cut(&mut self) -> Option<Group<V>> {
        let half = self.chunks.len() / 2;
        (self.chunks.len() > GROUP_MAX).then(|| Group {
            firsts: self.firsts.split_off(half),
            chunks: self.chunks.split_off(half),
        })
    }

    /// Removes a run, and joins its chunk with the next where both are short.
    fn remove(&mut self, chunk: usize, index: usize) {
        let runs = &mut self.chunks[chunk];
        runs.remove(index);
        let left = runs.len();
        if left == 0 {
            self.chunks.remove(chunk);
            self.firsts.remove(chunk);
            return;
        }
        self.firsts[chunk] = V::kept(runs[0]).start;
        if left < CHUNK_MAX / 4
            && let Some(behind) = self.chunks.get(chunk + 1)
            && left + behind.len() <= CHUNK_MAX / 2
        {
            let behind = self.chunks.remove(chunk + 1);
            self.firsts.remove(chunk + 1);
            self.chunks[chunk].extend(behind);
        }
    }
}

/// The last of ascending `firsts` below `end`.
fn last_below(firsts: &[Lba], end: Lba) -> Option<usize> {
    firsts.partition_point(|first| *first < end).checked_sub(1)
}

/// How many of a chunk's ascending runs begin before `end`. The looks of each of the two steps do not
/// wait for one another, as those of a search by halves would, each for far memory.
fn below<V: Along>(runs: &[V::Kept], end: Lba) -> usize {
    let begins = |run: &&V::Kept| V::kept(**run).start < end;
    let strides = runs.iter().step_by(STRIDE).filter(begins).count();
    let from = strides.saturating_sub(1) * STRIDE;
    from + runs[from..].iter().take(STRIDE).filter(begins).count()
}

#[cfg(test)]
impl<V: Along> Runs<V> {
    pub(super) fn check(&self) {
        assert_eq!(self.firsts.len(), self.groups.len());
        let mut starts = Vec::new();
        for (first, group) in self.firsts.iter().zip(&self.groups) {
            assert!(!group.chunks.is_empty() && group.chunks.len() <= GROUP_MAX);
            assert_eq!(group.firsts.len(), group.chunks.len());
            assert_eq!(*first, group.firsts[0]);
            for (first, chunk) in group.firsts.iter().zip(&group.chunks) {
                assert!(!chunk.is_empty() && chunk.len() <= CHUNK_MAX);
                assert_eq!(*first, V::kept(chunk[0]).start);
                starts.extend(chunk.iter().map(|run| V::kept(*run).start));
            }
        }
        assert!(starts.is_sorted_by(|a, b| a < b), "{starts:?}");
        assert_eq!(starts.len(), self.len);
    }
}
