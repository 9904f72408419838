//! Owns the way of the drive's answers to whoever keeps a record of them, from one moment to another.
//!
//! A recorder takes what the drive was given after it began and what was answered before it ended, in the
//! order of the answers, with moments that count from its own beginning. Answers leave in batches over a
//! bounded channel, and last comes what they amount to. Nothing is left out: where the other end is slower
//! than the drive, the drive's thread waits for it, which is lag like any other. Where nobody listens any
//! more, it goes on for nobody. It does not know what becomes of the answers.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crossbeam_channel::{Receiver, Sender};
use serde::{Deserialize, Serialize};

use super::account::LAG_NOTICED;
use crate::drive::request::Completion;
use crate::mechanics::rotation::Rotation;
use crate::medium::movement::RequestId;
use crate::time::{Duration, Instant};

/// Answers of a batch.
const BATCH: usize = 1024;
/// Batches under way.
const BATCHES_MAX: usize = 64;

/// The number of a recording, counted from 1 while a drive is served.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(transparent)]
pub struct RecordingId(pub u64);

impl std::fmt::Display for RecordingId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// An answer of the drive, as it was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answered {
    /// What the drive says of it; its lag is in `lag`. Moments count from the beginning of the recording.
    pub completion: Completion,
    /// How much later than due it was given, in model time, however little that is.
    pub lag: Duration,
}

/// What comes out of a recorder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Told {
    /// Answers, in order.
    Answers(Vec<Answered>),
    /// What they amount to; nothing comes after it.
    Ended(Held),
}

impl Told {
    /// The answers; none at the end.
    pub fn answers(self) -> Vec<Answered> {
        match self {
            Told::Answers(answers) => answers,
            Told::Ended(_) => Vec::new(),
        }
    }
}

/// What a recording holds. Every request that the drive was given while it lasted is one of `requests`,
/// `failed` and `left_out`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Held {
    /// Requests that were answered, each a row.
    pub requests: u64,
    /// Requests that failed; they are left out.
    pub failed: u64,
    /// Requests that were still under way at the end; they are left out.
    pub left_out: u64,
    /// How long it lasted, in nanoseconds of model time.
    pub spanned_ns: u64,
    /// Answers that the machine gave noticeably later than the model said.
    pub late: u64,
    /// How late the latest was, in nanoseconds of model time.
    pub lag_ns_max: u64,
    /// How late they were together, in nanoseconds of model time.
    pub lag_ns_sum: u64,
    /// Whether the drive had been asked for nothing before it began.
    pub is_first: bool,
}

/// The drive's end of the way.
#[derive(Debug)]
pub struct Recorder {
    id: RecordingId,
    rotation: Option<Rotation>,
    sender: Sender<Told>,
    batch: Vec<Answered>,
    /// The first request that is in it, if it is answered.
    first: RequestId,
    /// When it began.
    began: Instant,
    /// From where its moments count.
    origin: Instant,
    held: Held,
    /// As many requests as are in it so far, for whoever asks.
    requests: Arc<AtomicU64>,
}

impl PartialEq for Recorder {
    fn eq(&self, other: &Recorder) -> bool {
        self.sender.same_channel(&other.sender)
    }
}

impl Eq for Recorder {}

impl Recorder {
    /// A recorder of everything from the start on, and where that comes out.
    pub fn new() -> (Recorder, Receiver<Told>) {
        let (sender, receiver) = crossbeam_channel::bounded(BATCHES_MAX);
        let recorder = Recorder {
            id: RecordingId::default(),
            rotation: None,
            sender,
            batch: Vec::with_capacity(BATCH),
            first: RequestId(0),
            began: Instant(0),
            origin: Instant(0),
            held: Held {
                is_first: true,
                ..Held::default()
            },
            requests: Arc::default(),
        };
        (recorder, receiver)
    }

    /// The same under a number.
    #[must_use]
    pub fn numbered(self, id: RecordingId) -> Recorder {
        Recorder { id, ..self }
    }

    /// The same, of a drive whose platters turn like this: its moments count from one at which they stood
    /// as at the start, so that who replays them meets the platters at the same angles.
    #[must_use]
    pub fn turning(self, rotation: Rotation) -> Recorder {
        let rotation = Some(rotation);
        Recorder { rotation, ..self }
    }

    /// How many requests are in it so far, as others see it.
    pub fn requests(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.requests)
    }

    /// It begins now: `first` will be the next request. `is_first`: none came before.
    pub(super) fn begin(&mut self, now: Instant, first: RequestId, is_first: bool) {
        self.first = first;
        self.began = now;
        self.origin = match self.rotation {
            Some(rotation) => rotation.alike_before(now),
            None => now,
        };
        self.held.is_first = is_first;
    }

    fn note(&mut self, completion: &Completion, lag: Duration) {
        if completion.request < self.first {
            return;
        }
        if completion.failing.is_none() {
            self.held.requests += 1;
            self.requests.store(self.held.requests, Ordering::Relaxed);
            if lag > LAG_NOTICED {
                self.held.late += 1;
                self.held.lag_ns_max = self.held.lag_ns_max.max(lag.0);
                self.held.lag_ns_sum += lag.0;
            }
        }
        let since = |at: Instant| Instant(at.since(self.origin).0);
        let completion = Completion {
            arrived: since(completion.arrived),
            due: since(completion.due),
            ..*completion
        };
        self.batch.push(Answered { completion, lag });
        if self.batch.len() == BATCH {
            self.hand_over();
        }
    }

    /// It ends now. `given`: one past the last request that the drive was given; `under_way`: how many of
    /// those from `first` on still wait for their answers.
    fn end(mut self, now: Instant, given: RequestId, under_way: impl Fn(RequestId) -> u64) {
        if !self.batch.is_empty() {
            self.hand_over();
        }
        let came = given.0 - self.first.0;
        self.held.left_out = under_way(self.first);
        self.held.failed = came - self.held.requests - self.held.left_out;
        self.held.spanned_ns = now.since(self.began).0;
        // Whoever has stopped listening misses it.
        let _ = self.sender.send(Told::Ended(self.held));
    }

    fn hand_over(&mut self) {
        let batch = std::mem::replace(&mut self.batch, Vec::with_capacity(BATCH));
        // Whoever has stopped listening misses it.
        let _ = self.sender.send(Told::Answers(batch));
    }
}

/// The recorders of a drive.
#[derive(Debug, Default)]
pub(super) struct Recorders {
    under_way: Vec<Recorder>,
    /// Another state was put in the place of the one at the start.
    pub(super) is_replaced: bool,
}

impl Recorders {
    /// One that takes everything from the start on.
    pub(super) fn take_from_the_start(&mut self, recorder: Option<Recorder>) {
        self.under_way.extend(recorder);
    }

    /// Whether any is under way.
    pub(super) fn is_listening(&self) -> bool {
        !self.under_way.is_empty()
    }

    /// One begins. `next`: the request that the drive will be given next.
    pub(super) fn begin(&mut self, mut recorder: Recorder, now: Instant, next: RequestId) {
        let is_first = next == RequestId(0) && !self.is_replaced;
        recorder.begin(now, next, is_first);
        self.under_way.push(recorder);
    }

    /// Tells all that are under way of an answer.
    pub(super) fn note(&mut self, completion: &Completion, lag: Duration) {
        for recorder in &mut self.under_way {
            recorder.note(completion, lag);
        }
    }

    /// One ends, or all; see [`Recorder::end`].
    pub(super) fn end(
        &mut self,
        which: Option<RecordingId>,
        now: Instant,
        given: RequestId,
        under_way: impl Fn(RequestId) -> u64,
    ) {
        let ends = |recorder: &mut Recorder| which.is_none_or(|id| recorder.id == id);
        for recorder in self.under_way.extract_if(.., ends) {
            recorder.end(now, given, &under_way);
        }
    }
}
