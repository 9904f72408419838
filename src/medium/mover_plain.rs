//! Owns the plain mover: one call to the store after another, in the order of the plan.
//!
//! A plan is over when `submit` returns. For containers that deny `io_uring`, and for stores that
//! are no files. The promises are those of [`super::mover`].

use super::buffers::Buffers;
use super::footprint::Touch;
use super::movement::{Movement, Place, Plan, Step};
use super::mover::{
    Finished, MoverError, StoreOperation, Tally, buffers_of, byte_of, only_fills_replies,
};
use super::seal::Sealer;
use super::store::Store;
use crate::units::count;

/// See the module's description.
pub struct PlainMover {
    store: Box<dyn Store>,
    sealer: Sealer,
    /// Whether something may have been written since the last sync. True at first: whoever had the
    /// image open before may have left without one.
    dirty: bool,
    failed: Option<MoverError>,
    finished: Vec<Finished>,
    tally: Tally,
}

impl PlainMover {
    pub(super) fn new(store: Box<dyn Store>) -> PlainMover {
        PlainMover {
            store,
            sealer: Sealer::new(),
            dirty: true,
            failed: None,
            finished: Vec::new(),
            tally: Tally::default(),
        }
    }

    pub(super) fn submit(&mut self, mut plan: Plan, buffers: &mut Buffers) {
        let ids = buffers_of(&plan);
        for id in &ids {
            buffers.hold(*id);
        }
        let outcome = match &self.failed {
            Some(error) => Err(error.clone()),
            None => self.carry_out(&mut plan, buffers),
        };
        for id in &ids {
            buffers.let_go(*id);
        }
        if let Err(error) = &outcome
            && self.failed.is_none()
            && !(error.operation == StoreOperation::Read && only_fills_replies(&plan))
        {
            self.failed = Some(error.clone());
        }
        self.finished.push((plan.id, outcome));
    }

    pub(super) fn poll(&mut self, finished: &mut Vec<Finished>) {
        finished.append(&mut self.finished);
    }

    pub(super) fn in_flight(&self) -> usize {
        self.finished.len()
    }

    pub(super) fn failure(&self) -> Option<&MoverError> {
        self.failed.as_ref()
    }

    pub(super) fn tally(&self) -> Tally {
        self.tally
    }

    fn carry_out(&mut self, plan: &mut Plan, buffers: &mut Buffers) -> Result<(), MoverError> {
        for step in 0..plan.steps.len() {
            match &mut plan.steps[step] {
                Step::Move(movement) => {
                    let movement = *movement;
                    self.carry(&movement, buffers)?;
                }
                Step::Record(record) => {
                    let at = byte_of(record.at, 0);
                    // Out of the list for a moment, so that the other steps can be looked at.
                    let mut record = std::mem::replace(&mut plan.steps[step], Step::Order);
                    if let Step::Record(record) = &mut record {
                        let bytes = self.sealer.seal(record, &plan.steps, buffers);
                        self.write(at, &bytes)?;
                    }
                }
                Step::Order => {}
                Step::Barrier => self.sync()?,
            }
        }
        Ok(())
    }

    fn carry(&mut self, movement: &Movement, buffers: &mut Buffers) -> Result<(), MoverError> {
        if movement.to == Place::Discard || movement.from == Place::Padding {
            return Ok(());
        }
        if let (Place::Zeroes, Place::Medium { pba, skip }) = (movement.from, movement.to) {
            return self.zero(byte_of(pba, skip), movement.bytes);
        }
        if Touch::overlaps_itself(movement.from, movement.to, movement.bytes) {
            let shifted = buffers.shift(movement.from, movement.to, movement.bytes);
            assert!(shifted, "nothing is ever lent");
            return Ok(());
        }
        let mut done = 0;
        while done < movement.bytes {
            let (from, to) = (movement.from.advanced(done), movement.to.advanced(done));
            let left = movement.bytes - done;
            let now = Buffers::piece_bytes(from, left).min(Buffers::piece_bytes(to, left));
            match (from, to) {
                (Place::Medium { pba, skip }, _) => {
                    let at = byte_of(pba, skip);
                    let into = buffers.piece_mut(to, now).expect("nothing is ever lent");
                    self.tally.add(StoreOperation::Read);
                    self.store
                        .read_at(into, at)
                        .map_err(|e| MoverError::new(StoreOperation::Read, at, now, &e))?;
                }
                (_, Place::Medium { pba, skip }) => {
                    self.write(byte_of(pba, skip), buffers.piece(from, now))?;
                }
                (Place::Zeroes, _) => buffers
                    .piece_mut(to, now)
                    .expect("nothing is ever lent")
                    .fill(0),
                _ => buffers.copy(from, to, now),
            }
            done += now;
        }
        Ok(())
    }

    fn write(&mut self, at: u64, bytes: &[u8]) -> Result<(), MoverError> {
        self.dirty = true;
        self.tally.add(StoreOperation::Write);
        self.store
            .write_at(bytes, at)
            .map_err(|e| MoverError::new(StoreOperation::Write, at, count(bytes.len()), &e))
    }

    fn zero(&mut self, at: u64, bytes: u64) -> Result<(), MoverError> {
        self.dirty = true;
        self.tally.add(StoreOperation::Zero);
        self.store
            .zero_at(at, bytes)
            .map_err(|e| MoverError::new(StoreOperation::Zero, at, bytes, &e))
    }

    fn sync(&mut self) -> Result<(), MoverError> {
        if !self.dirty {
            return Ok(());
        }
        self.tally.add(StoreOperation::Sync);
        self.store
            .sync()
            .map_err(|e| MoverError::new(StoreOperation::Sync, 0, 0, &e))?;
        self.dirty = false;
        Ok(())
    }
}
