//! Owns where the requests of a run come from and when: made from a workload, or replayed from a
//! recording at the very moments at which they came then.

use super::generator::Wanted;
use super::recording::Recorded;
use super::streams::Streams;
use crate::time::Instant;
use crate::units::count;

/// See the module's description.
pub(super) enum Source<'a> {
    /// Made as asked for.
    Made(Box<Streams>),
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
            Source::Made(streams) => streams.next(),
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
            Source::Made(streams) => streams.take(),
            Source::Replayed(replay) => {
                let wanted = replay.requests[replay.submitted].wanted;
                replay.submitted += 1;
                replay.under_way += 1;
                wanted
            }
        }
    }

    /// The request with this number was answered at `at`. Hands back the index of its stream.
    pub(super) fn note_answered(&mut self, request: u64, at: Instant) -> usize {
        match self {
            Source::Made(streams) => streams.note_answered(request, at),
            Source::Replayed(replay) => {
                replay.under_way -= 1;
                0
            }
        }
    }

    pub(super) fn under_way(&self) -> u64 {
        match self {
            Source::Made(streams) => streams.under_way(),
            Source::Replayed(replay) => replay.under_way,
        }
    }

    pub(super) fn submitted(&self) -> u64 {
        match self {
            Source::Made(streams) => streams.submitted(),
            Source::Replayed(replay) => count(replay.submitted),
        }
    }
}
