//! Owns memory that can be lent to the kernel while an operation is under way.
//!
//! A [`Block`] has one owner. While any part of it is lent to be filled nobody here reads it, and
//! while any part is lent at all nobody here writes it; the owner is told so by `None`. A [`Lent`]
//! keeps the memory alive even when the block is dropped first. Which parts overlap is for the
//! mover to know.
#![allow(unsafe_code)] // the kernel reads and writes this memory behind the compiler's back

use std::mem::ManuallyDrop;
use std::ops::Range;
use std::ptr::NonNull;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// What the kernel does with lent memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lending {
    /// Writes it.
    Fill,
    /// Reads it.
    Drain,
}

/// A run of bytes of fixed length with one owner.
pub struct Block {
    memory: Arc<Memory>,
}

/// Part of a block for as long as the kernel uses it.
pub struct Lent {
    memory: Arc<Memory>,
    range: Range<usize>,
    lending: Lending,
}

/// The parts of a `Vec<u8>` whose length and capacity are kept, and how often it is lent.
struct Memory {
    start: NonNull<u8>,
    bytes: usize,
    capacity: usize,
    filling: AtomicU32,
    draining: AtomicU32,
}

// SAFETY: `Memory` owns its allocation like the `Vec` it was made of. Its bytes are reached only
// through `Block`, whose borrows keep readers and writers apart, and by the kernel under a `Lent`,
// which the counters keep apart from `Block`.
unsafe impl Send for Memory {}
// SAFETY: as above; the only shared mutable state are atomics.
unsafe impl Sync for Memory {}

impl Drop for Memory {
    fn drop(&mut self) {
        // SAFETY: the parts come from a `Vec` in `Block::from`, which was not dropped, and no
        // `Block` or `Lent` is left that could use them.
        drop(unsafe { Vec::from_raw_parts(self.start.as_ptr(), self.bytes, self.capacity) });
    }
}

impl From<Vec<u8>> for Block {
    /// Takes the bytes over without copying.
    fn from(bytes: Vec<u8>) -> Block {
        let mut bytes = ManuallyDrop::new(bytes);
        let start = NonNull::new(bytes.as_mut_ptr()).expect("a Vec's pointer is never null");
        Block {
            memory: Arc::new(Memory {
                start,
                bytes: bytes.len(),
                capacity: bytes.capacity(),
                filling: AtomicU32::new(0),
                draining: AtomicU32::new(0),
            }),
        }
    }
}

impl Block {
    /// A block of `bytes` zeroes. Large ones cost nothing until they are touched.
    pub fn zeroed(bytes: usize) -> Block {
        Block::from(vec![0; bytes])
    }

    /// Bytes it has.
    pub fn len(&self) -> usize {
        self.memory.bytes
    }

    /// Whether it has no bytes.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The bytes, unless part of them is being filled.
    pub fn bytes(&self) -> Option<&[u8]> {
        if self.memory.filling.load(Ordering::Acquire) > 0 {
            return None;
        }
        // SAFETY: the memory is initialised and lives as long as `self`. Nobody writes it: there
        // is no `Lent` that fills, and making one or calling `bytes_mut` takes `&mut self`.
        Some(unsafe { std::slice::from_raw_parts(self.memory.start.as_ptr(), self.memory.bytes) })
    }

    /// The bytes to change, unless part of them is lent.
    pub fn bytes_mut(&mut self) -> Option<&mut [u8]> {
        let memory = &self.memory;
        if memory.filling.load(Ordering::Acquire) + memory.draining.load(Ordering::Acquire) > 0 {
            return None;
        }
        // SAFETY: as in `bytes`, and `&mut self` of the only owner excludes readers; there is no
        // `Lent` by which the kernel could read.
        Some(unsafe { std::slice::from_raw_parts_mut(memory.start.as_ptr(), memory.bytes) })
    }

    /// Lends the bytes in `range`.
    ///
    /// # Panics
    /// If the range is not in the block: a defect of the caller.
    pub fn lend(&mut self, range: Range<usize>, lending: Lending) -> Lent {
        assert!(
            range.start <= range.end && range.end <= self.memory.bytes,
            "lent {range:?} of a block of {} bytes",
            self.memory.bytes
        );
        self.memory.lent(lending).fetch_add(1, Ordering::AcqRel);
        Lent {
            memory: Arc::clone(&self.memory),
            range,
            lending,
        }
    }

    /// The bytes as they were taken over, without copying; the block back while part is lent.
    pub fn into_vec(self) -> Result<Vec<u8>, Block> {
        let memory = Arc::try_unwrap(self.memory).map_err(|memory| Block { memory })?;
        let memory = ManuallyDrop::new(memory);
        // SAFETY: as in `Memory::drop`, which `ManuallyDrop` keeps from running.
        Ok(unsafe { Vec::from_raw_parts(memory.start.as_ptr(), memory.bytes, memory.capacity) })
    }
}

impl Memory {
    fn lent(&self, lending: Lending) -> &AtomicU32 {
        match lending {
            Lending::Fill => &self.filling,
            Lending::Drain => &self.draining,
        }
    }
}

impl Lent {
    /// What the kernel may do with it.
    pub fn lending(&self) -> Lending {
        self.lending
    }

    /// Bytes lent.
    pub fn len(&self) -> usize {
        self.range.len()
    }

    /// Whether no bytes are lent.
    pub fn is_empty(&self) -> bool {
        self.range.is_empty()
    }

    /// Where the lent bytes begin. Valid for [`Lent::len`] bytes while this exists.
    pub fn start(&self) -> *mut u8 {
        // SAFETY: `lend` checked that the range lies in the allocation.
        unsafe { self.memory.start.as_ptr().add(self.range.start) }
    }
}

impl Drop for Lent {
    fn drop(&mut self) {
        self.memory
            .lent(self.lending)
            .fetch_sub(1, Ordering::AcqRel);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_gives_back_the_same_allocation() {
        let mut bytes = Vec::with_capacity(100);
        bytes.extend_from_slice(b"abc");
        let start = bytes.as_ptr();
        let block = Block::from(bytes);
        let back = block.into_vec().ok().expect("nothing is lent");
        assert_eq!(back, b"abc");
        assert_eq!(back.as_ptr(), start);
        assert_eq!(back.capacity(), 100);
    }

    #[test]
    fn a_block_being_filled_is_neither_read_nor_written() {
        let mut block = Block::zeroed(8);
        let lent = block.lend(2..4, Lending::Fill);
        assert!(block.bytes().is_none());
        assert!(block.bytes_mut().is_none());
        let mut block = block.into_vec().expect_err("part of it is lent");
        drop(lent);
        assert!(block.bytes().is_some());
        assert!(block.bytes_mut().is_some());
    }

    #[test]
    fn a_block_being_drained_is_read_but_not_written() {
        let mut block = Block::zeroed(8);
        let first = block.lend(0..4, Lending::Drain);
        let second = block.lend(0..8, Lending::Drain);
        drop(first);
        assert_eq!(block.bytes(), Some([0; 8].as_slice()));
        assert!(block.bytes_mut().is_none());
        drop(second);
        assert!(block.bytes_mut().is_some());
    }

    #[test]
    fn lent_memory_outlives_its_block() {
        let mut block = Block::from(vec![7; 16]);
        let lent = block.lend(4..8, Lending::Drain);
        drop(block);
        // SAFETY: the pointer is valid while `lent` exists.
        let bytes = unsafe { std::slice::from_raw_parts(lent.start(), lent.len()) };
        assert_eq!(bytes, [7; 4]);
    }
}
