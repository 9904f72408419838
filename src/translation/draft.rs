//! Owns a plan while it is being written.
//!
//! Only appends. What the steps mean for the durable state is the business of whoever adds them.

use std::ops::Range;

use crate::medium::movement::{BufferId, Movement, Place, Plan, PlanId, Purpose, Record, Step};
use crate::units::{Pba, SECTOR_BYTES, Sectors};

/// A plan under way.
#[derive(Clone, Debug, Default)]
pub struct Draft {
    allocate: Vec<(BufferId, u64)>,
    steps: Vec<Step>,
}

impl Draft {
    /// Whether nothing was added yet.
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty() && self.allocate.is_empty()
    }

    /// What was added so far.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Index of the next step, for seals.
    pub fn position(&self) -> usize {
        self.steps.len()
    }

    /// Makes a buffer of `bytes` bytes.
    pub fn allocate(&mut self, id: BufferId, bytes: u64) {
        self.allocate.push((id, bytes));
    }

    /// Adds a transfer.
    pub fn transfer(&mut self, from: Place, to: Place, bytes: u64, purpose: Purpose) {
        self.steps.push(Step::Move(Movement {
            from,
            to,
            bytes,
            purpose,
            buffered: false,
        }));
    }

    /// Adds a transfer of bytes that the drive already holds in its own buffer.
    pub fn transfer_buffered(&mut self, from: Place, to: Place, bytes: u64, purpose: Purpose) {
        self.steps.push(Step::Move(Movement {
            from,
            to,
            bytes,
            purpose,
            buffered: true,
        }));
    }

    /// Adds a write of whole sectors to the medium.
    pub fn write(&mut self, from: Place, to: Pba, sectors: Sectors, purpose: Purpose) {
        self.transfer(from, Place::sector(to), sectors.0 * SECTOR_BYTES, purpose);
    }

    /// Adds a metadata record.
    pub fn record(&mut self, record: Record) {
        self.steps.push(Step::Record(record));
    }

    /// Adds an [`Step::Order`].
    pub fn order(&mut self) {
        self.steps.push(Step::Order);
    }

    /// Adds a [`Step::Barrier`], unless the last step is one.
    pub fn barrier(&mut self) {
        if self.steps.last() != Some(&Step::Barrier) {
            self.steps.push(Step::Barrier);
        }
    }

    /// Whether it holds a barrier.
    pub fn has_barrier(&self) -> bool {
        self.steps.contains(&Step::Barrier)
    }

    /// Steps added since `position`.
    pub fn since(&self, position: usize) -> Range<usize> {
        position..self.steps.len()
    }

    /// The finished plan.
    pub fn finish(self, id: PlanId) -> Plan {
        Plan {
            id,
            allocate: self.allocate,
            steps: self.steps,
        }
    }
}
