//! Owns the volatile write cache: what was acknowledged and is not on the medium yet.
//!
//! Always holds: a buffer is held as long as some extent refers to it, and is told to be released
//! in the moment in which the last one goes. What is written over counts as old as what was there:
//! a flush that waits for the former bytes must wait for those that took their place, because the
//! former ones will never reach the medium. What is here is lost in a power cut.

use std::collections::BTreeMap;

use rustc_hash::FxHashMap;

use crate::extent::{Along, ExtentMap, LbaExtent, Pieces, Run};
use crate::medium::movement::{BufferId, Place};
use crate::translation::Piece;
use crate::units::{Lba, Sectors};

/// What the cache holds for a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cached {
    from: From,
    /// Which flush the run must be on the medium for: those numbered above this.
    generation: u64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum From {
    Buffer { id: BufferId, offset: u64 },
    Zeroes,
}

impl Along for Cached {
    type Kept = Run<Cached>;

    fn keep(run: Run<Cached>) -> Run<Cached> {
        run
    }

    fn kept(kept: Run<Cached>) -> Run<Cached> {
        kept
    }

    fn along(self, by: Sectors) -> Cached {
        match self.from {
            From::Buffer { id, offset } => Cached {
                from: From::Buffer {
                    id,
                    offset: offset + by.bytes(),
                },
                ..self
            },
            From::Zeroes => self,
        }
    }
}

impl Cached {
    /// Where its bytes are.
    pub fn place(self) -> Place {
        match self.from {
            From::Buffer { id, offset } => Place::Buffer { id, offset },
            From::Zeroes => Place::Zeroes,
        }
    }
}

/// The volatile write cache.
#[derive(Clone, Debug)]
pub struct Cache {
    capacity: Sectors,
    map: ExtentMap<Cached>,
    sectors: Sectors,
    /// Sectors that refer to each buffer.
    references: FxHashMap<BufferId, u64>,
    /// Sectors of each generation but the newest.
    older: BTreeMap<u64, u64>,
    /// Sectors of the newest generation.
    newest: u64,
    generation: u64,
    /// Where the sweep of destaging goes on.
    cursor: Lba,
}

impl Cache {
    /// A cache for `bytes` bytes.
    pub fn new(bytes: u64) -> Cache {
        Cache {
            capacity: Sectors::holding(bytes),
            map: ExtentMap::default(),
            sectors: Sectors(0),
            references: FxHashMap::default(),
            older: BTreeMap::new(),
            newest: 0,
            generation: 0,
            cursor: Lba(0),
        }
    }

    /// From now on it takes `bytes`.
    pub fn set_capacity(&mut self, bytes: u64) {
        self.capacity = Sectors::holding(bytes);
    }

    /// Whether some run refers to the buffer.
    pub fn holds(&self, buffer: BufferId) -> bool {
        self.references.contains_key(&buffer)
    }

    /// Sectors held.
    pub fn sectors(&self) -> Sectors {
        self.sectors
    }

    /// Whether nothing is held.
    pub fn is_empty(&self) -> bool {
        self.sectors.0 == 0
    }

    /// Whether `sectors` more fit.
    pub fn has_room(&self, sectors: Sectors) -> bool {
        self.sectors + sectors <= self.capacity
    }

    /// Whether `sectors` fit when nothing else is held.
    pub fn could_hold(&self, sectors: Sectors) -> bool {
        sectors <= self.capacity
    }

    /// Whether so much is held that destaging should not wait.
    pub fn is_half_full(&self) -> bool {
        self.sectors.0 * 2 >= self.capacity.0
    }

    /// Parts of `range`, with what is held of each.
    pub fn pieces(&self, range: LbaExtent) -> Pieces<Cached> {
        self.map.pieces(range)
    }

    /// Begins a new generation and tells its number: all that was held before is older.
    pub fn mark(&mut self) -> u64 {
        let sectors = std::mem::take(&mut self.newest);
        if sectors > 0 {
            self.older.insert(self.generation, sectors);
        }
        self.generation += 1;
        self.generation
    }

    /// Whether nothing older than `mark` is held.
    pub fn is_clean_before(&self, mark: u64) -> bool {
        self.older.range(..mark).next().is_none()
    }

    /// Takes a piece in; what it replaces is forgotten. Buffers no longer needed go to `released`.
    ///
    /// Where it replaces something that a flush waits for, it takes that place: the flush promised
    /// that the medium would hold this or newer, and what was replaced will never get there.
    pub fn insert(&mut self, piece: Piece, released: &mut Vec<BufferId>) {
        let from = match piece.from {
            Place::Buffer { id, offset } => From::Buffer { id, offset },
            Place::Zeroes => From::Zeroes,
            other => unreachable!("host data comes from a buffer or is zeroes, not {other:?}"),
        };
        if let From::Buffer { id, .. } = from {
            *self.references.entry(id).or_insert(0) += piece.extent.sectors.0;
        }
        self.sectors += piece.extent.sectors;
        let whole = Cached {
            from,
            generation: self.generation,
        };
        self.newest += piece.extent.sectors.0;
        let mut dropped = Vec::new();
        self.map.insert(piece.extent, whole, |part, former| {
            dropped.push((part, former));
        });
        for &(part, former) in &dropped {
            if former.generation < self.generation {
                let value = Cached {
                    generation: former.generation,
                    ..whole.along(part.start - piece.extent.start)
                };
                self.newest -= part.sectors.0;
                *self.older.entry(former.generation).or_insert(0) += part.sectors.0;
                self.map.insert(part, value, |_, _| {});
            }
        }
        self.forget(&dropped, released);
    }

    /// Forgets a range: it is on the medium, written over, or discarded.
    pub fn remove(&mut self, range: LbaExtent, released: &mut Vec<BufferId>) {
        let mut dropped = Vec::new();
        self.map
            .remove(range, |part, former| dropped.push((part, former)));
        self.forget(&dropped, released);
    }

    /// The pieces to destage next, in the order of a sweep over the addresses, at most `sectors`
    /// of them (the last one is cut), all in one unbroken run if `one_run`. `before`: only what is
    /// older than this mark, so that a flush does not wait for a host that never stops writing.
    pub fn next_pieces(&self, sectors: Sectors, one_run: bool, before: Option<u64>) -> Vec<Piece> {
        let ahead = self.pieces_from(self.cursor, sectors, one_run, before);
        if ahead.is_empty() {
            self.pieces_from(Lba(0), sectors, one_run, before)
        } else {
            ahead
        }
    }

    fn pieces_from(
        &self,
        begin: Lba,
        sectors: Sectors,
        one_run: bool,
        before: Option<u64>,
    ) -> Vec<Piece> {
        let mut pieces: Vec<Piece> = Vec::new();
        let mut left = sectors;
        let rest = LbaExtent::new(begin, Sectors(u64::MAX - begin.0));
        let due = |value: &Cached| before.is_none_or(|mark| value.generation < mark);
        let parts = self.map.overlapping(rest);
        for (extent, value) in parts.filter(|(_, value)| due(value)) {
            let broken = pieces
                .last()
                .is_some_and(|last| last.extent.end() != extent.start);
            if left.0 == 0 || (one_run && broken) {
                break;
            }
            let piece = Piece {
                extent,
                from: value.place(),
            };
            let piece = if extent.sectors > left {
                piece.split(left).0
            } else {
                piece
            };
            left = left - piece.extent.sectors;
            pieces.push(piece);
        }
        pieces
    }

    /// Forgets a destaged range and moves the sweep past it.
    pub fn destaged(&mut self, range: LbaExtent, released: &mut Vec<BufferId>) {
        self.remove(range, released);
        self.cursor = range.end();
    }

    fn forget(&mut self, dropped: &[(LbaExtent, Cached)], released: &mut Vec<BufferId>) {
        for &(LbaExtent { sectors, .. }, value) in dropped {
            self.sectors = self.sectors - sectors;
            if value.generation == self.generation {
                self.newest -= sectors.0;
            } else {
                let left = self.older.get_mut(&value.generation);
                let left = left.expect("every run was counted");
                *left -= sectors.0;
                if *left == 0 {
                    self.older.remove(&value.generation);
                }
            }
            if let From::Buffer { id, .. } = value.from {
                let left = self
                    .references
                    .get_mut(&id)
                    .expect("every buffer was counted");
                *left -= sectors.0;
                if *left == 0 {
                    self.references.remove(&id);
                    released.push(id);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::movement::RequestId;

    fn piece(request: u64, start: u64, sectors: u64) -> Piece {
        let id = BufferId::Request(RequestId(request));
        let extent = LbaExtent::new(Lba(start), Sectors(sectors));
        Piece {
            extent,
            from: Place::Buffer { id, offset: 0 },
        }
    }

    #[test]
    fn a_flush_waits_for_what_replaced_the_data_that_it_covers() {
        let mut cache = Cache::new(1 << 20);
        let mut released = Vec::new();
        cache.insert(piece(1, 10, 2), &mut released);
        let mark = cache.mark();
        cache.insert(piece(2, 8, 8), &mut released);
        assert_eq!(released, [BufferId::Request(RequestId(1))]);
        assert!(
            !cache.is_clean_before(mark),
            "the newer data stands for the older"
        );
        cache.destaged(LbaExtent::new(Lba(10), Sectors(2)), &mut released);
        assert!(cache.is_clean_before(mark), "the rest came after the flush");
        assert_eq!(cache.sectors(), Sectors(6));
    }
}
