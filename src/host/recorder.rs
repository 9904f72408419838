//! Owns the way of the drive's answers to whoever keeps a record of them.
//!
//! Answers leave in batches over a bounded channel, in the order in which they were given. Nothing is
//! left out: where the other end is slower than the drive, the drive's thread waits for it, which is
//! lag like any other. It does not know what becomes of them.

use crossbeam_channel::{Receiver, Sender};

use crate::drive::request::Completion;
use crate::time::Duration;

/// Answers of a batch.
const BATCH: usize = 1024;
/// Batches under way.
const BATCHES_MAX: usize = 64;

/// An answer of the drive, as it was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answered {
    /// What the drive says of it; its lag is in `lag`.
    pub completion: Completion,
    /// How much later than due it was given, in model time, however little that is.
    pub lag: Duration,
}

/// The drive's end of the way.
#[derive(Debug)]
pub struct Recorder {
    batch: Vec<Answered>,
    sender: Sender<Vec<Answered>>,
}

impl Recorder {
    /// A recorder, and where its batches come out; that ends when the drive does.
    pub fn new() -> (Recorder, Receiver<Vec<Answered>>) {
        let (sender, receiver) = crossbeam_channel::bounded(BATCHES_MAX);
        let batch = Vec::with_capacity(BATCH);
        (Recorder { batch, sender }, receiver)
    }

    /// Tells whoever wants to know.
    pub(super) fn note(recorder: &mut Option<Recorder>, completion: Completion, lag: Duration) {
        let Some(recorder) = recorder else { return };
        recorder.batch.push(Answered { completion, lag });
        if recorder.batch.len() == BATCH {
            recorder.hand_over();
        }
    }

    fn hand_over(&mut self) {
        let batch = std::mem::replace(&mut self.batch, Vec::with_capacity(BATCH));
        // Whoever has stopped listening misses it.
        let _ = self.sender.send(batch);
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if !self.batch.is_empty() {
            self.hand_over();
        }
    }
}
