//! Owns how the steps of a plan begin in the mover over `io_uring`, and when they must wait.
//!
//! A step that must wait leaves no trace but how much of it has begun; it is tried again when an
//! operation is over. What becomes of operations under way is for the parent to know.

use super::{Begun, Queued, RingMover};
use crate::medium::buffers::Buffers;
use crate::medium::file_store::check_end;
use crate::medium::footprint::Touch;
use crate::medium::memory::{Block, Lending};
use crate::medium::movement::{Movement, Place, PlanId, Step};
use crate::medium::mover::{MoverError, StoreOperation, byte_of};
use crate::medium::ring::Job;
use crate::medium::seal::{sealed, sealed_source};
use crate::units::{count, index};

/// Transfers are cut into pieces of this size, which run side by side.
const PIECE_BYTES: u64 = 1 << 20;

impl RingMover {
    /// Begins as many steps as can be.
    pub(super) fn begin_plan(
        &mut self,
        queued: &mut Queued,
        buffers: &mut Buffers,
    ) -> Result<Begun, MoverError> {
        while queued.step < queued.plan.steps.len() {
            let begun = match &queued.plan.steps[queued.step] {
                Step::Move(movement) => {
                    let movement = *movement;
                    self.begin_movement(queued, &movement, buffers)?
                }
                Step::Record(_) => self.begin_record(queued, buffers)?,
                Step::Order => self.order(queued.plan.id),
                Step::Barrier => self.barrier(queued.plan.id),
            };
            if begun == Begun::MustWait {
                return Ok(Begun::MustWait);
            }
            queued.step += 1;
            queued.done = 0;
        }
        Ok(Begun::Yes)
    }

    fn order(&self, plan: PlanId) -> Begun {
        match self.plans[&plan].under_way {
            0 => Begun::Yes,
            _ => Begun::MustWait,
        }
    }

    /// Begins a sync when all else is over, and is passed when that has left nothing to sync.
    fn barrier(&mut self, plan: PlanId) -> Begun {
        if !self.operations.is_empty() {
            return Begun::MustWait;
        }
        if !self.dirty {
            return Begun::Yes;
        }
        self.start(plan, StoreOperation::Sync, (0, 0), [None, None], Job::Sync);
        Begun::MustWait
    }

    fn begin_movement(
        &mut self,
        queued: &mut Queued,
        movement: &Movement,
        buffers: &mut Buffers,
    ) -> Result<Begun, MoverError> {
        if movement.to == Place::Discard || movement.from == Place::Padding {
            return Ok(Begun::Yes);
        }
        let Movement {
            from, to, bytes, ..
        } = *movement;
        if Touch::overlaps_itself(from, to, bytes) {
            let touches = [Touch::reading(from, bytes), Touch::writing(to, bytes)];
            let free = !touches.iter().flatten().any(|touch| self.conflicts(touch));
            return Ok(if free && buffers.shift(from, to, bytes) {
                Begun::Yes
            } else {
                Begun::MustWait
            });
        }
        while queued.done < movement.bytes {
            let from = movement.from.advanced(queued.done);
            let to = movement.to.advanced(queued.done);
            let left = movement.bytes - queued.done;
            let mut now = Buffers::piece_bytes(from, left).min(Buffers::piece_bytes(to, left));
            if movement.from != Place::Zeroes {
                now = now.min(PIECE_BYTES);
            }
            if self.begin_piece(queued.plan.id, (from, to), now, buffers)? == Begun::MustWait {
                return Ok(Begun::MustWait);
            }
            queued.done += now;
        }
        Ok(Begun::Yes)
    }

    fn begin_piece(
        &mut self,
        plan: PlanId,
        (from, to): (Place, Place),
        bytes: u64,
        buffers: &mut Buffers,
    ) -> Result<Begun, MoverError> {
        let touches = [Touch::reading(from, bytes), Touch::writing(to, bytes)];
        if !self.ring.has_room() || touches.iter().flatten().any(|touch| self.conflicts(touch)) {
            return Ok(Begun::MustWait);
        }
        match (from, to) {
            (Place::Medium { pba, skip }, _) => {
                let at = byte_of(pba, skip);
                let into = buffers.piece_mut(to, bytes);
                if into.is_some_and(|into| self.ring.read_at_hand(into, at)) {
                    self.tally.add(StoreOperation::Read);
                } else {
                    let job = Job::Transfer(buffers.lend(to, bytes, Lending::Fill), at);
                    self.start(plan, StoreOperation::Read, (at, bytes), touches, job);
                }
            }
            (Place::Zeroes, Place::Medium { pba, skip }) => {
                let at = byte_of(pba, skip);
                self.dirty = true;
                if bytes <= self.inline_bytes {
                    self.tally.add(StoreOperation::Zero);
                    let outcome = self.store.zero_at(at, bytes);
                    outcome.map_err(|e| MoverError::new(StoreOperation::Zero, at, bytes, &e))?;
                } else {
                    let job = Job::Punch { at, bytes };
                    self.start(plan, StoreOperation::Zero, (at, bytes), touches, job);
                }
            }
            (_, Place::Medium { pba, skip }) => {
                let at = byte_of(pba, skip);
                self.dirty = true;
                let small = bytes <= self.inline_bytes.max(self.write_at_once_bytes);
                if small && buffers.at_hand(from, bytes, Lending::Drain) {
                    self.write_at_once(buffers.piece(from, bytes), at)?;
                } else {
                    check_end(self.store_bytes, at, bytes)
                        .map_err(|e| MoverError::new(StoreOperation::Write, at, bytes, &e))?;
                    let job = Job::Transfer(buffers.lend(from, bytes, Lending::Drain), at);
                    self.start(plan, StoreOperation::Write, (at, bytes), touches, job);
                }
            }
            (Place::Zeroes, _) => match buffers.piece_mut(to, bytes) {
                Some(into) => into.fill(0),
                None => return Ok(Begun::MustWait),
            },
            _ => {
                if !buffers.at_hand(from, bytes, Lending::Drain)
                    || !buffers.at_hand(to, bytes, Lending::Fill)
                {
                    return Ok(Begun::MustWait);
                }
                buffers.copy(from, to, bytes);
            }
        }
        Ok(Begun::Yes)
    }

    fn begin_record(
        &mut self,
        queued: &mut Queued,
        buffers: &mut Buffers,
    ) -> Result<Begun, MoverError> {
        let Step::Record(record) = &queued.plan.steps[queued.step] else {
            unreachable!("the caller has seen a record");
        };
        let (place, bytes) = (Place::sector(record.at), count(record.bytes.len()));
        let written = Touch::writing(place, bytes);
        if !self.ring.has_room()
            || written.is_some_and(|touch| self.conflicts(&touch))
            || !self.can_seal(queued, buffers)
        {
            return Ok(Begun::MustWait);
        }
        let at = byte_of(record.at, 0);
        // Out of the list for a moment, so that the other steps can be looked at.
        let mut step = std::mem::replace(&mut queued.plan.steps[queued.step], Step::Order);
        let Step::Record(record) = &mut step else {
            unreachable!("seen above");
        };
        let sealed = self.sealer.seal(record, &queued.plan.steps, buffers);
        self.dirty = true;
        if bytes <= self.inline_bytes {
            self.write_at_once(&sealed, at)?;
        } else {
            check_end(self.store_bytes, at, bytes)
                .map_err(|e| MoverError::new(StoreOperation::Write, at, bytes, &e))?;
            let lent = Block::from(sealed).lend(0..index(bytes), Lending::Drain);
            let (plan, touches) = (queued.plan.id, [None, written]);
            let job = Job::Transfer(lent, at);
            self.start(plan, StoreOperation::Write, (at, bytes), touches, job);
        }
        Ok(Begun::Yes)
    }

    /// Whether all bytes under a record's seals are there and can be read.
    fn can_seal(&self, queued: &Queued, buffers: &mut Buffers) -> bool {
        let steps = &queued.plan.steps;
        let Step::Record(record) = &steps[queued.step] else {
            unreachable!("the caller has seen a record");
        };
        sealed(record, steps).all(|movement| {
            let Some(place) = sealed_source(movement) else {
                return true;
            };
            let touch = Touch::reading(place, movement.bytes);
            if touch.is_some_and(|touch| self.conflicts(&touch)) {
                return false;
            }
            Buffers::pieces(place, movement.bytes)
                .all(|(piece, bytes)| buffers.at_hand(piece, bytes, Lending::Drain))
        })
    }

    fn conflicts(&self, touch: &Touch) -> bool {
        self.operations.iter().any(|(_, operation)| {
            let under_way = operation.touches.iter().flatten();
            under_way.into_iter().any(|other| touch.conflicts(other))
        })
    }

    fn write_at_once(&mut self, bytes: &[u8], at: u64) -> Result<(), MoverError> {
        self.tally.add(StoreOperation::Write);
        self.store
            .write_at(bytes, at)
            .map_err(|e| MoverError::new(StoreOperation::Write, at, count(bytes.len()), &e))
    }
}
