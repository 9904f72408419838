//! Owns the memory that plans name: the buffers by [`BufferId`] and the drive's scratch.
//!
//! A buffer is there from [`Buffers::insert`] (or a plan's `allocate`) until the drive has released
//! it, no plan under way holds it, and no reply is owed from it. The scratch is made of chunks that
//! never move, so it can grow while the kernel uses parts of it. Nothing here knows what a plan is
//! for.
//!
//! Naming a buffer that is not there, or bytes beyond its end, is a defect of the planner and
//! panics.

use std::collections::HashMap;
use std::ops::Range;

use super::memory::{Block, Lending, Lent};
use super::movement::{BufferId, Place};
use crate::units::{count, index};

/// Bytes of one chunk of the scratch; transfers are cut where chunks meet.
const CHUNK_BYTES: u64 = 1 << 20;

/// Buffers shorter than this are left to the allocator when they are gone.
pub const USED_BYTES_MIN: usize = 64 << 10;
/// How many are kept at most.
const USED_MAX: usize = 16;

/// The buffers and the scratch of one drive.
#[derive(Default)]
pub struct Buffers {
    slots: HashMap<BufferId, Slot>,
    scratch: Vec<Option<Block>>,
    /// See [`Buffers::drain_used`].
    used: Vec<Vec<u8>>,
    /// See [`Buffers::lingering_bytes`].
    lingering_bytes: u64,
}

struct Slot {
    /// Out only inside [`Buffers::copy`].
    block: Option<Block>,
    plans: u32,
    released: bool,
    reply_owed: bool,
}

impl Slot {
    fn bytes(&self) -> u64 {
        let block = self.block.as_ref().expect("at home between calls");
        count(block.len())
    }
}

/// One block and a run of bytes in it.
struct Spot {
    home: Home,
    range: Range<usize>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Home {
    Slot(BufferId),
    Chunk(usize),
}

impl Buffers {
    /// No buffers, and a scratch that takes no memory yet.
    pub fn new() -> Buffers {
        Buffers::default()
    }

    /// Buffers there are.
    pub fn len(&self) -> usize {
        self.slots.len()
    }

    /// Whether there is no buffer.
    pub fn is_empty(&self) -> bool {
        self.slots.is_empty()
    }

    /// Bytes that the drive has done with and plans under way still hold: how far the mover is
    /// behind the drive.
    pub fn lingering_bytes(&self) -> u64 {
        self.lingering_bytes
    }

    /// Takes over `bytes` as buffer `id`, without copying.
    ///
    /// # Panics
    /// If there is such a buffer: ids are never reused.
    pub fn insert(&mut self, id: BufferId, bytes: Vec<u8>) {
        self.insert_block(id, Block::from(bytes), false);
    }

    /// Makes a buffer of zeroes. Fresh pages of the system are zero already, so large ones cost
    /// nothing here.
    pub fn allocate(&mut self, id: BufferId, bytes: u64) {
        self.insert_block(id, Block::zeroed(index(bytes)), false);
    }

    /// Makes a buffer of zeroes that stays until [`Buffers::take_reply`].
    pub fn allocate_reply(&mut self, id: BufferId, bytes: u64) {
        self.insert_block(id, Block::zeroed(index(bytes)), true);
    }

    /// Takes over `bytes`, of any content, as a buffer that stays until [`Buffers::take_reply`]:
    /// plans fill all of it before.
    pub fn insert_reply(&mut self, id: BufferId, bytes: Vec<u8>) {
        self.insert_block(id, Block::from(bytes), true);
    }

    fn insert_block(&mut self, id: BufferId, block: Block, reply_owed: bool) {
        let former = self.slots.insert(
            id,
            Slot {
                block: Some(block),
                plans: 0,
                released: false,
                reply_owed,
            },
        );
        assert!(former.is_none(), "buffer {id:?} made twice");
    }

    /// The drive plans nothing more with the buffer. Unknown ids are let pass: a failed request's
    /// buffer may be gone already.
    pub fn release(&mut self, id: BufferId) {
        if let Some(slot) = self.slots.get_mut(&id) {
            if slot.plans > 0 && !slot.released {
                self.lingering_bytes += slot.bytes();
            }
            slot.released = true;
            self.drop_if_unused(id);
        }
    }

    /// The bytes of a reply, once nothing fills them. Copied only if the drive has not released the
    /// buffer or a plan still reads from it.
    pub fn take_reply(&mut self, id: BufferId) -> Vec<u8> {
        let slot = self
            .slots
            .get_mut(&id)
            .expect("the buffer of a reply is there");
        slot.reply_owed = false;
        if slot.released && slot.plans == 0 {
            let slot = self.slots.remove(&id).expect("found above");
            let block = slot.block.expect("at home between calls");
            return block.into_vec().ok().expect("no plan, so nothing is lent");
        }
        let block = slot.block.as_ref().expect("at home between calls");
        block
            .bytes()
            .expect("a finished plan fills nothing")
            .to_vec()
    }

    /// Nobody wants the reply any more (the request failed).
    pub fn forget_reply(&mut self, id: BufferId) {
        if let Some(slot) = self.slots.get_mut(&id) {
            slot.reply_owed = false;
            self.drop_if_unused(id);
        }
    }

    /// A plan that uses the buffer is under way.
    pub(crate) fn hold(&mut self, id: BufferId) {
        let slot = self
            .slots
            .get_mut(&id)
            .unwrap_or_else(|| panic!("a plan names {id:?}, which is not there"));
        slot.plans += 1;
    }

    /// A plan that used the buffer is over.
    pub(crate) fn let_go(&mut self, id: BufferId) {
        let slot = self.slots.get_mut(&id).expect("held buffers stay");
        slot.plans -= 1;
        if slot.plans == 0 && slot.released {
            self.lingering_bytes -= slot.bytes();
        }
        self.drop_if_unused(id);
    }

    fn drop_if_unused(&mut self, id: BufferId) {
        if self
            .slots
            .get(&id)
            .is_some_and(|slot| slot.released && slot.plans == 0 && !slot.reply_owed)
        {
            let block = self.slots.remove(&id).and_then(|slot| slot.block);
            if let Some(Ok(bytes)) = block.map(Block::into_vec)
                && bytes.len() >= USED_BYTES_MIN
                && self.used.len() < USED_MAX
            {
                self.used.push(bytes);
            }
        }
    }

    /// Memory of buffers that are gone, for whoever needs some of that size again. Only long ones are
    /// kept, and only a few.
    pub fn drain_used(&mut self) -> impl Iterator<Item = Vec<u8>> {
        self.used.drain(..)
    }

    /// How many of `bytes` from `place` on lie in one piece. The whole, except in the scratch.
    pub(super) fn piece_bytes(place: Place, bytes: u64) -> u64 {
        match place {
            Place::Scratch { offset } => bytes.min(CHUNK_BYTES - offset % CHUNK_BYTES),
            _ => bytes,
        }
    }

    /// Lends one piece at `place` to the kernel.
    pub(super) fn lend(&mut self, place: Place, bytes: u64, lending: Lending) -> Lent {
        let spot = Buffers::spot(place, bytes);
        let range = spot.range.clone();
        self.block_mut(spot.home).lend(range, lending)
    }

    /// One piece at `place`, to read.
    pub(super) fn piece(&mut self, place: Place, bytes: u64) -> &[u8] {
        let spot = Buffers::spot(place, bytes);
        let block = self.block_mut(spot.home);
        &block
            .bytes()
            .expect("the mover reads no memory being filled")[spot.range]
    }

    /// One piece at `place`, to write; `None` while part of its block is lent, even if other bytes
    /// than these.
    pub(super) fn piece_mut(&mut self, place: Place, bytes: u64) -> Option<&mut [u8]> {
        let spot = Buffers::spot(place, bytes);
        let block = self.block_mut(spot.home);
        block.bytes_mut().map(|all| &mut all[spot.range])
    }

    /// Whether the block under the piece at `place` can be read (`Drain`) or written (`Fill`) here.
    pub(super) fn at_hand(&mut self, place: Place, bytes: u64, lending: Lending) -> bool {
        let spot = Buffers::spot(place, bytes);
        let block = self.block_mut(spot.home);
        match lending {
            Lending::Drain => block.bytes().is_some(),
            Lending::Fill => block.bytes_mut().is_some(),
        }
    }

    /// Copies one piece to one piece. Both must be at hand.
    pub(super) fn copy(&mut self, from: Place, to: Place, bytes: u64) {
        let (source, target) = (Buffers::spot(from, bytes), Buffers::spot(to, bytes));
        if source.home == target.home {
            self.block_mut(target.home)
                .bytes_mut()
                .expect("the mover writes no memory that is lent")
                .copy_within(source.range, target.range.start);
            return;
        }
        self.block_mut(target.home);
        let mut block = self
            .block_slot(target.home)
            .take()
            .expect("at home between calls");
        block
            .bytes_mut()
            .expect("the mover writes no memory that is lent")[target.range]
            .copy_from_slice(self.piece(from, bytes));
        *self.block_slot(target.home) = Some(block);
    }

    /// Copies bytes over others of the same memory that they overlap, as if by way of a third place.
    /// Does nothing and says so (`false`) while part of it is lent.
    pub(super) fn shift(&mut self, from: Place, to: Place, bytes: u64) -> bool {
        let at_hand = |buffers: &mut Buffers, place, lending| {
            Buffers::pieces(place, bytes).all(|(piece, now)| buffers.at_hand(piece, now, lending))
        };
        if !at_hand(self, from, Lending::Drain) || !at_hand(self, to, Lending::Fill) {
            return false;
        }
        let mut all = Vec::with_capacity(index(bytes));
        for (piece, now) in Buffers::pieces(from, bytes) {
            all.extend_from_slice(self.piece(piece, now));
        }
        let mut rest = all.as_slice();
        for (piece, now) in Buffers::pieces(to, bytes) {
            let (head, tail) = rest.split_at(index(now));
            let into = self.piece_mut(piece, now);
            into.expect("found at hand").copy_from_slice(head);
            rest = tail;
        }
        true
    }

    /// The pieces of a run of bytes, and how long they are.
    pub(super) fn pieces(place: Place, bytes: u64) -> impl Iterator<Item = (Place, u64)> {
        let mut done = 0;
        std::iter::from_fn(move || {
            let piece = place.advanced(done);
            let now = Buffers::piece_bytes(piece, bytes - done);
            done += now;
            (now > 0).then_some((piece, now))
        })
    }

    fn spot(place: Place, bytes: u64) -> Spot {
        match place {
            Place::Buffer { id, offset } => Spot {
                home: Home::Slot(id),
                range: index(offset)..index(offset + bytes),
            },
            Place::Scratch { offset } => {
                let first = index(offset % CHUNK_BYTES);
                Spot {
                    home: Home::Chunk(index(offset / CHUNK_BYTES)),
                    range: first..first + index(bytes),
                }
            }
            Place::Medium { .. } | Place::Zeroes | Place::Padding | Place::Discard => {
                panic!("{place:?} is not memory")
            }
        }
    }

    fn block_mut(&mut self, home: Home) -> &mut Block {
        if let Home::Chunk(chunk) = home {
            if self.scratch.len() <= chunk {
                self.scratch.resize_with(chunk + 1, || None);
            }
            self.scratch[chunk].get_or_insert_with(|| Block::zeroed(index(CHUNK_BYTES)));
        }
        self.block_slot(home)
            .as_mut()
            .expect("at home between calls")
    }

    /// Where the block is kept; a chunk's place exists once [`Buffers::block_mut`] was asked.
    fn block_slot(&mut self, home: Home) -> &mut Option<Block> {
        match home {
            Home::Slot(id) => match self.slots.get_mut(&id) {
                Some(slot) => &mut slot.block,
                None => panic!("a plan names {id:?}, which is not there"),
            },
            Home::Chunk(chunk) => &mut self.scratch[chunk],
        }
    }

    /// Bytes of memory that the scratch takes.
    pub fn scratch_bytes(&self) -> u64 {
        count(self.scratch.iter().flatten().count()) * CHUNK_BYTES
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::movement::RequestId;

    const ID: BufferId = BufferId::Request(RequestId(1));

    fn at(offset: u64) -> Place {
        Place::Buffer { id: ID, offset }
    }

    #[test]
    fn a_reply_is_the_buffer_itself_once_the_drive_has_released_it() {
        let mut buffers = Buffers::new();
        buffers.insert_reply(ID, vec![0; 3]);
        buffers.release(ID);
        let place = buffers.piece_mut(at(0), 3).expect("not lent");
        place.copy_from_slice(b"abc");
        let address = place.as_ptr();
        let reply = buffers.take_reply(ID);
        assert_eq!(reply, b"abc");
        assert_eq!(reply.as_ptr(), address);
        assert!(buffers.is_empty());
    }

    #[test]
    fn a_reply_taken_before_the_release_leaves_the_buffer_to_the_drive() {
        let mut buffers = Buffers::new();
        buffers.insert_reply(ID, vec![0; 3]);
        assert_eq!(buffers.take_reply(ID), [0; 3]);
        assert_eq!(buffers.len(), 1);
        buffers.release(ID);
        assert!(buffers.is_empty());
    }

    #[test]
    fn a_released_buffer_stays_while_a_plan_or_a_reply_needs_it() {
        for (plan_first, reply_owed) in [(true, true), (false, true), (true, false)] {
            let mut buffers = Buffers::new();
            if reply_owed {
                buffers.insert_reply(ID, vec![0; 8]);
            } else {
                buffers.allocate(ID, 8);
            }
            buffers.hold(ID);
            buffers.release(ID);
            assert_eq!(buffers.len(), 1);
            if plan_first {
                buffers.let_go(ID);
                assert_eq!(buffers.len(), usize::from(reply_owed));
                buffers.forget_reply(ID);
            } else {
                buffers.forget_reply(ID);
                assert_eq!(buffers.len(), 1);
                buffers.let_go(ID);
            }
            assert!(buffers.is_empty());
        }
    }

    #[test]
    fn bytes_linger_from_the_release_until_the_last_plan_is_over() {
        let mut buffers = Buffers::new();
        buffers.insert(ID, vec![1; 5]);
        buffers.hold(ID);
        buffers.hold(ID);
        assert_eq!(
            buffers.lingering_bytes(),
            0,
            "the drive may plan more with it"
        );
        buffers.release(ID);
        buffers.release(ID);
        assert_eq!(buffers.lingering_bytes(), 5);
        buffers.let_go(ID);
        assert_eq!(buffers.lingering_bytes(), 5);
        buffers.let_go(ID);
        assert_eq!(buffers.lingering_bytes(), 0);
        assert!(buffers.is_empty());
        buffers.insert(ID, vec![1; 5]);
        buffers.release(ID);
        assert_eq!(buffers.lingering_bytes(), 0, "nobody holds it");
    }

    #[test]
    fn scratch_takes_memory_only_where_it_is_used() {
        let mut buffers = Buffers::new();
        let far = Place::Scratch {
            offset: CHUNK_BYTES * 100 + 5,
        };
        assert_eq!(Buffers::piece_bytes(far, CHUNK_BYTES), CHUNK_BYTES - 5);
        buffers.piece_mut(far, 1).expect("not lent")[0] = 9;
        assert_eq!(buffers.piece(far, 1), [9]);
        assert_eq!(buffers.scratch_bytes(), CHUNK_BYTES);
    }

    #[test]
    fn copies_within_and_between_blocks_move_the_same_bytes() {
        let mut buffers = Buffers::new();
        buffers.insert(ID, (0..16).collect());
        buffers.copy(at(0), at(4), 8);
        let scratch = Place::Scratch { offset: 3 };
        buffers.copy(at(2), scratch, 6);
        assert_eq!(buffers.piece(scratch, 6), [2, 3, 0, 1, 2, 3]);
        let next = Place::Scratch { offset: 4 };
        buffers.copy(scratch, next, 6);
        assert_eq!(buffers.piece(scratch, 7), [2, 2, 3, 0, 1, 2, 3]);
    }
}
