//! Owns the ring of change records: where the next one goes and how far back they are needed.
//!
//! Positions count sectors since the ring was new and never go back; a record never wraps. A
//! sector is used again only after a map that covers its record was followed by a barrier. What a
//! record says is not known here.

use crate::extent::PbaExtent;
use crate::units::{Pba, Sectors};

/// The journal ring.
#[derive(Clone, Debug)]
pub struct Journal {
    area: PbaExtent,
    /// Position of the next record.
    next: u64,
    /// Position of the oldest record still needed.
    tail: u64,
    /// Number of the newest record.
    pub(super) sequence: u64,
    /// Up to which record everything is durable.
    pub(super) durable: u64,
    /// Counted up at each open.
    pub(super) epoch: u64,
    /// Position from which the newest map, not yet known to be durable, needs records.
    unsettled: Option<u64>,
}

impl Journal {
    /// A ring whose next record has number `sequence + 1` and goes to `at`.
    pub fn resume(area: PbaExtent, at: Pba, sequence: u64, epoch: u64) -> Journal {
        let next = (at - area.start).0;
        Journal {
            area,
            next,
            tail: next,
            sequence,
            durable: sequence,
            epoch,
            unsettled: None,
        }
    }

    /// Where a record of `sectors` goes if it is the next; `None`: not before more of the ring is
    /// free.
    pub fn place(&self, sectors: Sectors) -> Option<Pba> {
        let at = self.fit(sectors);
        (at + sectors.0 - self.tail <= self.area.sectors.0).then(|| self.address(at))
    }

    /// Takes the place that [`Journal::place`] told.
    pub fn take(&mut self, sectors: Sectors) {
        self.next = self.fit(sectors) + sectors.0;
    }

    /// Where the next record goes, if it fits before the end of the ring.
    pub fn position(&self) -> Pba {
        self.address(self.next)
    }

    /// A map that covers all records so far was written.
    pub fn map_written(&mut self) {
        self.unsettled = Some(self.next);
    }

    /// Everything so far is durable: records that the newest map covers are needed no longer.
    pub fn settle(&mut self) {
        self.durable = self.sequence;
        if let Some(position) = self.unsettled.take() {
            self.tail = position;
        }
    }

    fn fit(&self, sectors: Sectors) -> u64 {
        let size = self.area.sectors.0;
        let left = size - self.next % size;
        if sectors.0 <= left {
            self.next
        } else {
            self.next + left
        }
    }

    fn address(&self, position: u64) -> Pba {
        self.area.start + Sectors(position % self.area.sectors.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extent::Extent;

    fn ring() -> Journal {
        Journal::resume(Extent::new(Pba(100), Sectors(10)), Pba(100), 0, 1)
    }

    #[test]
    fn records_do_not_wrap() {
        let mut ring = ring();
        ring.take(Sectors(8));
        ring.map_written();
        ring.settle();
        assert_eq!(
            ring.place(Sectors(3)),
            Some(Pba(100)),
            "two sectors are left, three are needed"
        );
        ring.take(Sectors(3));
        assert_eq!(ring.position(), Pba(103));
    }

    #[test]
    fn a_sector_is_used_again_only_after_map_and_barrier() {
        let mut ring = ring();
        ring.take(Sectors(6));
        assert_eq!(ring.place(Sectors(5)), None);
        ring.settle();
        assert_eq!(ring.place(Sectors(5)), None, "no map covers the records");
        ring.map_written();
        assert_eq!(ring.place(Sectors(5)), None, "the map is not durable yet");
        ring.settle();
        assert_eq!(ring.place(Sectors(5)), Some(Pba(100)));
    }
}
