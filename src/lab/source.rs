//! Owns where the requests of a run come from and when: made from a workload, or replayed from a
//! recording.

use super::generator::Wanted;
use super::replay::{Fault, Replay};
use super::streams::Streams;
use crate::time::Instant;

/// See the module's description.
pub(super) enum Source<'a> {
    /// Made as asked for.
    Made(Box<Streams>),
    /// As recorded.
    Replayed(Box<Replay<'a>>),
}

impl Source<'_> {
    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never.
    pub(super) fn next(&self) -> Option<Instant> {
        match self {
            Source::Made(streams) => streams.next(),
            Source::Replayed(replay) => replay.next(),
        }
    }

    /// Takes the next request: it is submitted now.
    ///
    /// # Panics
    /// If there is none.
    pub(super) fn take(&mut self) -> Wanted {
        match self {
            Source::Made(streams) => streams.take(),
            Source::Replayed(replay) => replay.take(),
        }
    }

    /// The request with this number was answered at `at`. Hands back the index of its stream.
    pub(super) fn note_answered(&mut self, request: u64, at: Instant) -> usize {
        match self {
            Source::Made(streams) => streams.note_answered(request, at),
            Source::Replayed(replay) => {
                replay.note_answered(request, at);
                0
            }
        }
    }

    pub(super) fn under_way(&self) -> u64 {
        match self {
            Source::Made(streams) => streams.under_way(),
            Source::Replayed(replay) => replay.under_way(),
        }
    }

    pub(super) fn submitted(&self) -> u64 {
        match self {
            Source::Made(streams) => streams.submitted(),
            Source::Replayed(replay) => replay.submitted(),
        }
    }

    /// Why there is no next request although there should be one.
    pub(super) fn take_fault(&mut self) -> Option<Fault> {
        match self {
            Source::Made(_) => None,
            Source::Replayed(replay) => replay.take_fault(),
        }
    }
}
