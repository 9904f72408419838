//! Owns where the requests of a run come from and when: made from a workload, or replayed from a
//! recording at the very moments at which they came then.

use super::generator::{Generator, Wanted};
use super::pacing::Pacing;
use super::recording::Recorded;
use crate::time::Instant;
use crate::units::count;

/// See the module's description.
pub(super) enum Source<'a> {
    /// Made as asked for.
    Made {
        /// What and where.
        generator: Box<Generator>,
        /// When.
        pacing: Box<Pacing>,
    },
    /// As recorded.
    Replayed(Replay<'a>),
}

/// A recording that is being replayed.
pub(super) struct Replay<'a> {
    requests: &'a [Recorded],
    submitted: usize,
    under_way: u64,
}

impl<'a> Replay<'a> {
    pub(super) fn new(requests: &'a [Recorded]) -> Replay<'a> {
        Replay {
            requests,
            submitted: 0,
            under_way: 0,
        }
    }
}

impl Source<'_> {
    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never.
    pub(super) fn next(&self) -> Option<Instant> {
        match self {
            Source::Made { pacing, .. } => pacing.next(),
            Source::Replayed(replay) => {
                let next = replay.requests.get(replay.submitted);
                next.map(|request| request.arrived)
            }
        }
    }

    /// Takes the next request: it is submitted now.
    ///
    /// # Panics
    /// If there is none.
    pub(super) fn take(&mut self) -> Wanted {
        match self {
            Source::Made { generator, pacing } => {
                pacing.note_submitted();
                generator.draw()
            }
            Source::Replayed(replay) => {
                let wanted = replay.requests[replay.submitted].wanted;
                replay.submitted += 1;
                replay.under_way += 1;
                wanted
            }
        }
    }

    /// A request was answered at `at`.
    pub(super) fn note_answered(&mut self, at: Instant) {
        match self {
            Source::Made { pacing, .. } => pacing.note_answered(at),
            Source::Replayed(replay) => replay.under_way -= 1,
        }
    }

    pub(super) fn under_way(&self) -> u64 {
        match self {
            Source::Made { pacing, .. } => pacing.under_way(),
            Source::Replayed(replay) => replay.under_way,
        }
    }

    pub(super) fn submitted(&self) -> u64 {
        match self {
            Source::Made { pacing, .. } => pacing.submitted(),
            Source::Replayed(replay) => count(replay.submitted),
        }
    }
}
