//! Owns a sorted list of runs that takes insertions anywhere: chunks of neighbours, and the first
//! address of each.
//!
//! Always holds: no chunk is empty, starts ascend, `firsts` are the starts of the chunks' first runs. A
//! look takes two searches in flat memory; an insertion moves half a chunk, and now and then the list
//! of chunks. Chunks are longer where there are many runs, so that both take about as long. It does not
//! know what overlaps or joins.

use super::Along;
use crate::units::{Lba, Sectors};

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
    chunk: usize,
    index: usize,
}

impl Spot {
    /// Where the first run is, or would be.
    pub(super) const FIRST: Spot = Spot { chunk: 0, index: 0 };
}

/// The list.
#[derive(Clone, Debug)]
pub(super) struct Runs<V: Along> {
    firsts: Vec<Lba>,
    chunks: Vec<Vec<V::Kept>>,
    len: usize,
}

impl<V: Along> Default for Runs<V> {
    fn default() -> Runs<V> {
        Runs {
            firsts: Vec::new(),
            chunks: Vec::new(),
            len: 0,
        }
    }
}

impl<V: Along> Runs<V> {
    pub(super) fn len(&self) -> usize {
        self.len
    }

    /// Runs of a chunk before it is cut: grows about as the cube root of how many there are. Few in
    /// unit tests, so that small maps have many chunks.
    fn chunk_max(&self) -> usize {
        match self.len {
            _ if cfg!(test) => 4,
            0..0x8000 => 64,
            0x8000..0x4_0000 => 128,
            0x4_0000..0x20_0000 => 256,
            _ => 512,
        }
    }

    /// The last run that begins before `end`.
    pub(super) fn last_before(&self, end: Lba) -> Option<Spot> {
        let chunk = self.firsts.partition_point(|first| *first < end);
        let chunk = chunk.checked_sub(1)?;
        let index = self.chunks[chunk].partition_point(|run| V::kept(*run).start < end);
        Some(Spot {
            chunk,
            index: index - 1,
        })
    }

    pub(super) fn get(&self, spot: Spot) -> Option<Run<V>> {
        let kept = self.chunks.get(spot.chunk)?.get(spot.index)?;
        Some(V::kept(*kept))
    }

    pub(super) fn next(&self, spot: Spot) -> Spot {
        let last = self.chunks.get(spot.chunk).map_or(0, Vec::len);
        if spot.index + 1 < last {
            Spot {
                index: spot.index + 1,
                ..spot
            }
        } else {
            Spot {
                chunk: spot.chunk + 1,
                index: 0,
            }
        }
    }

    pub(super) fn before(&self, spot: Spot) -> Option<Spot> {
        if let Some(index) = spot.index.checked_sub(1) {
            return Some(Spot { index, ..spot });
        }
        let chunk = spot.chunk.checked_sub(1)?;
        let index = self.chunks[chunk].len() - 1;
        Some(Spot { chunk, index })
    }

    /// Puts another run in the place of one; starts must still ascend.
    pub(super) fn replace(&mut self, spot: Spot, run: Run<V>) {
        self.chunks[spot.chunk][spot.index] = V::keep(run);
        if spot.index == 0 {
            self.firsts[spot.chunk] = run.start;
        }
    }

    /// Adds a run behind `spot`, or as the first of all.
    pub(super) fn insert_behind(&mut self, spot: Option<Spot>, run: Run<V>) {
        self.len += 1;
        let Some(Spot { chunk, index }) = spot else {
            return self.insert_first(run);
        };
        let chunk_max = self.chunk_max();
        let runs = &mut self.chunks[chunk];
        let (at, middle) = (index + 1, runs.len() / 2);
        let run = V::keep(run);
        if runs.len() < chunk_max {
            insert(runs, at, run);
            return;
        }
        let rest = if at == runs.len() {
            // Whoever adds in ascending order fills chunk after chunk.
            vec![run]
        } else {
            let mut rest = runs.split_off(middle);
            if at <= middle {
                runs.insert(at, run);
            } else {
                rest.insert(at - middle, run);
            }
            runs.shrink_to(runs.len() + room(runs.len()));
            rest
        };
        self.firsts.insert(chunk + 1, V::kept(rest[0]).start);
        self.chunks.insert(chunk + 1, rest);
    }

    fn insert_first(&mut self, run: Run<V>) {
        let chunk_max = self.chunk_max();
        match self.chunks.first_mut() {
            Some(runs) if runs.len() < chunk_max => {
                insert(runs, 0, V::keep(run));
                self.firsts[0] = run.start;
            }
            _ => {
                self.chunks.insert(0, vec![V::keep(run)]);
                self.firsts.insert(0, run.start);
            }
        }
    }

    /// Removes a run; tells where the one behind it is now.
    pub(super) fn remove(&mut self, spot: Spot) -> Spot {
        self.len -= 1;
        let Spot { chunk, index } = spot;
        let chunk_max = self.chunk_max();
        let runs = &mut self.chunks[chunk];
        runs.remove(index);
        if runs.is_empty() {
            self.chunks.remove(chunk);
            self.firsts.remove(chunk);
            return Spot { chunk, index: 0 };
        }
        if index == 0 {
            self.firsts[chunk] = V::kept(runs[0]).start;
        }
        let left = runs.len();
        if left < chunk_max / 4
            && let Some(behind) = self.chunks.get(chunk + 1)
            && left + behind.len() <= chunk_max / 2
        {
            let behind = self.chunks.remove(chunk + 1);
            self.firsts.remove(chunk + 1);
            self.chunks[chunk].extend(behind);
        }
        if index < self.chunks[chunk].len() {
            spot
        } else {
            Spot {
                chunk: chunk + 1,
                index: 0,
            }
        }
    }

    #[cfg(test)]
    pub(super) fn check(&self) {
        assert_eq!(self.firsts.len(), self.chunks.len());
        for (first, chunk) in self.firsts.iter().zip(&self.chunks) {
            assert!(!chunk.is_empty() && chunk.len() <= self.chunk_max());
            assert_eq!(*first, V::kept(chunk[0]).start);
        }
        let starts: Vec<Lba> = self
            .chunks
            .iter()
            .flatten()
            .map(|run| V::kept(*run).start)
            .collect();
        assert!(starts.is_sorted_by(|a, b| a < b), "{starts:?}");
        assert_eq!(starts.len(), self.len);
    }
}

/// Adds a run to a chunk, which grows by little: there are thousands of chunks.
fn insert<R>(runs: &mut Vec<R>, at: usize, run: R) {
    if runs.len() == runs.capacity() {
        runs.reserve_exact(room(runs.len()));
    }
    runs.insert(at, run);
}

/// Runs that a chunk has room for beyond those it holds.
fn room(runs: usize) -> usize {
    (runs / 8).max(4)
}
