//! Owns the knowledge since when a client keeps one of our threads waiting.
//!
//! Written by the waiting thread, read by whoever needs memory that the client holds.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// One direction of a connection. Waiting for a client to begin something is not a stall; waiting
/// for it to finish is.
pub(super) struct Stall {
    epoch: Instant,
    /// Nanoseconds after `epoch` at which the wait began, plus one; 0 for no wait.
    since: AtomicU64,
}

impl Stall {
    pub(super) fn new() -> Stall {
        Stall {
            epoch: Instant::now(),
            since: AtomicU64::new(0),
        }
    }

    /// The thread is about to wait for the client, or the client has just got somewhere.
    pub(super) fn begin(&self) {
        let now = u64::try_from(self.epoch.elapsed().as_nanos()).unwrap_or(u64::MAX - 1);
        // Nothing else is published by these, so no ordering is needed.
        self.since.store(now + 1, Ordering::Relaxed);
    }

    /// The wait is over.
    pub(super) fn end(&self) {
        self.since.store(0, Ordering::Relaxed);
    }

    /// Whether the client has kept us waiting for at least `limit`.
    pub(super) fn lasts(&self, limit: Duration) -> bool {
        match self.since.load(Ordering::Relaxed) {
            0 => false,
            since => {
                self.epoch
                    .elapsed()
                    .saturating_sub(Duration::from_nanos(since - 1))
                    >= limit
            }
        }
    }
}
