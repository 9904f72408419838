//! Owns large pieces of memory that nobody uses any more, until somebody needs one of that size.
//!
//! Fresh memory of the system costs a fault per page, which for a long transfer takes about as long
//! as the transfer. What comes from the shelf holds old bytes: whoever takes it overwrites all of it.
//! Small pieces are left to the allocator. What lies there is bounded.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::medium::buffers::USED_BYTES_MIN;

/// Most that lies there.
const BYTES_MAX: usize = 16 << 20;

/// See the module's description. A clone is the same shelf.
#[derive(Clone, Debug, Default)]
pub struct Shelf {
    pieces: Arc<Mutex<Vec<Vec<u8>>>>,
}

impl Shelf {
    /// `bytes` bytes of any content.
    pub fn take(&self, bytes: usize) -> Vec<u8> {
        if bytes >= USED_BYTES_MIN {
            let mut pieces = self.lock();
            // The newest first: it may still be in the processor's cache.
            let fits = |piece: &Vec<u8>| (bytes..=2 * bytes).contains(&piece.len());
            if let Some(place) = pieces.iter().rposition(fits) {
                let mut piece = pieces.remove(place);
                drop(pieces);
                piece.truncate(bytes);
                return piece;
            }
        }
        vec![0; bytes]
    }

    /// Takes back what is no longer needed.
    pub fn give(&self, piece: Vec<u8>) {
        if piece.len() < USED_BYTES_MIN || piece.capacity() > BYTES_MAX {
            return;
        }
        let mut pieces = self.lock();
        let mut forgotten = Vec::new();
        let mut held: usize = pieces.iter().map(Vec::capacity).sum();
        while held + piece.capacity() > BYTES_MAX {
            let oldest = pieces.remove(0);
            held -= oldest.capacity();
            forgotten.push(oldest);
        }
        pieces.push(piece);
        drop(pieces);
        // Giving memory back to the system takes a while.
        drop(forgotten);
    }

    /// A panic elsewhere leaves the list whole.
    fn lock(&self) -> MutexGuard<'_, Vec<Vec<u8>>> {
        self.pieces.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_piece_is_used_again_for_what_it_fits() {
        let shelf = Shelf::default();
        let piece = shelf.take(1 << 20);
        let address = piece.as_ptr();
        shelf.give(piece);
        let short = shelf.take(1 << 18);
        assert_ne!(short.as_ptr(), address, "far too long");
        let again = shelf.take((1 << 20) - 4096);
        assert_eq!(again.as_ptr(), address);
        assert_eq!(again.len(), (1 << 20) - 4096);
        let half = shelf.take(1 << 19);
        assert_ne!(half.as_ptr(), address, "it is taken");
    }

    proptest! {
        #[test]
        fn pieces_have_the_length_asked_for_and_the_shelf_holds_no_more_than_it_may(
            steps in prop::collection::vec((any::<bool>(), 0..6_usize << 20), 1..40)
        ) {
            let shelf = Shelf::default();
            let mut taken = Vec::new();
            for (take, bytes) in steps {
                if take {
                    taken.push(shelf.take(bytes));
                    prop_assert_eq!(taken.last().map(Vec::len), Some(bytes));
                } else if let Some(piece) = taken.pop() {
                    shelf.give(piece);
                }
                let held: usize = shelf.lock().iter().map(Vec::capacity).sum();
                prop_assert!(held <= BYTES_MAX);
            }
        }
    }
}
