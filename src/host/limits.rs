//! Owns the limit on payload bytes under way.
//!
//! A frontend takes a [`Permit`] before it allocates memory for a payload and keeps it until the
//! reply is sent. Permits are given in the order in which they are asked for, so that a large
//! request is not starved by small ones. It knows nothing of what the bytes are for.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Bytes that all frontends of a drive may have under way, unless told otherwise.
pub const DEFAULT_BYTES: u64 = 256 << 20;

/// The budget of one drive. A clone shares it.
#[derive(Clone, Debug)]
pub struct Limits {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    bytes: u64,
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug)]
struct State {
    free: u64,
    /// Number that the next to come gets.
    next: u64,
    /// Number whose turn it is.
    turn: u64,
}

/// Bytes taken from the budget; dropping it gives them back.
#[derive(Debug)]
pub struct Permit {
    shared: Arc<Shared>,
    bytes: u64,
}

impl Limits {
    /// A budget of `bytes`.
    pub fn new(bytes: u64) -> Limits {
        Limits {
            shared: Arc::new(Shared {
                bytes,
                state: Mutex::new(State {
                    free: bytes,
                    next: 0,
                    turn: 0,
                }),
                changed: Condvar::new(),
            }),
        }
    }

    /// Takes `bytes`, waiting for them and for whoever came before. More than the whole budget
    /// counts as the whole: such a request is alone under way.
    pub fn take(&self, bytes: u64) -> Permit {
        let bytes = bytes.min(self.shared.bytes);
        let mut state = self.shared.lock();
        let number = state.next;
        state.next += 1;
        while state.turn != number || state.free < bytes {
            let changed = &self.shared.changed;
            state = changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
        state.turn += 1;
        state.free -= bytes;
        let others_wait = state.turn != state.next;
        drop(state);
        if others_wait {
            self.shared.changed.notify_all();
        }
        self.permit(bytes)
    }

    /// Takes `bytes` if they are free and nobody waits.
    pub fn try_take(&self, bytes: u64) -> Option<Permit> {
        let bytes = bytes.min(self.shared.bytes);
        let mut state = self.shared.lock();
        if state.turn != state.next || state.free < bytes {
            return None;
        }
        state.free -= bytes;
        Some(self.permit(bytes))
    }

    /// Bytes not taken.
    pub fn free_bytes(&self) -> u64 {
        self.shared.lock().free
    }

    fn permit(&self, bytes: u64) -> Permit {
        Permit {
            shared: Arc::clone(&self.shared),
            bytes,
        }
    }
}

impl Default for Limits {
    fn default() -> Limits {
        Limits::new(DEFAULT_BYTES)
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        // The state is whole between any two statements that could panic.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Permit {
    fn drop(&mut self) {
        let mut state = self.shared.lock();
        state.free += self.bytes;
        let others_wait = state.turn != state.next;
        drop(state);
        if others_wait {
            self.shared.changed.notify_all();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_permit_gives_back_what_it_took() {
        let limits = Limits::new(100);
        let one = limits.take(60);
        assert_eq!(limits.free_bytes(), 40);
        assert!(limits.try_take(41).is_none());
        let two = limits.try_take(40).expect("just enough");
        drop(one);
        assert_eq!(limits.free_bytes(), 60);
        drop(two);
        assert_eq!(limits.free_bytes(), 100);
    }

    #[test]
    fn more_than_the_whole_counts_as_the_whole() {
        let limits = Limits::new(100);
        let permit = limits.take(u64::MAX);
        assert_eq!(limits.free_bytes(), 0);
        drop(permit);
        assert_eq!(limits.free_bytes(), 100);
    }

    #[test]
    fn who_came_first_is_served_first_even_if_a_later_one_would_fit() {
        let limits = Limits::new(100);
        let held = limits.take(50);
        let order = Arc::new(Mutex::new(Vec::new()));
        std::thread::scope(|scope| {
            for (number, bytes) in [(0, 90), (1, 20)] {
                let (mine, order) = (limits.clone(), Arc::clone(&order));
                scope.spawn(move || {
                    let permit = mine.take(bytes);
                    order.lock().expect("no panic").push(bytes);
                    drop(permit);
                });
                while limits.shared.lock().next != number + 2 {
                    std::thread::yield_now();
                }
            }
            assert!(limits.try_take(1).is_none(), "others wait");
            drop(held);
        });
        assert_eq!(*order.lock().expect("no panic").first().expect("both"), 90);
        assert_eq!(limits.free_bytes(), 100);
    }
}
