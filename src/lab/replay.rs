//! Owns how a recording is replayed: which request comes next, and when.
//!
//! With times kept, requests come when they came, whatever the drive does. With think times kept, each
//! comes as long after the answer that it followed as it did then, and none before one that it came
//! behind: a slower drive is asked later.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use super::generator::Wanted;
use super::recording::{Recorded, RecordingError};
use crate::drive::request::{Operation, Refusal, Request};
use crate::medium::movement::RequestId;
use crate::time::{Duration, Instant};

/// How a recording is replayed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct How {
    /// What stays as it was.
    pub keep: Keep,
    /// Times become this many thousandths as fast; never 0.
    pub speed_milli: u64,
    /// What happens to requests beyond the drive.
    pub beyond: Beyond,
}

/// What of the times of a recording stays as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// The moments at which requests came.
    Times,
    /// The times from answers to the requests that followed them.
    ThinkTimes,
}

/// What happens to requests beyond the end of the drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// There is no run.
    Refuse,
    /// They come to lie on the drive: the rest of their offset by its capacity.
    Fold,
}

impl Default for How {
    fn default() -> How {
        How {
            keep: Keep::Times,
            speed_milli: 1000,
            beyond: Beyond::Refuse,
        }
    }
}

/// Why a replay ended early.
#[derive(Debug)]
pub(super) enum Fault {
    /// The recording cannot be read any more.
    Recording(RecordingError),
    /// A request does not fit the drive.
    Unfit { request: u64, refusal: Refusal },
}

/// Where requests come from.
pub(super) type From<'a> = dyn Iterator<Item = Result<Recorded, RecordingError>> + 'a;

/// A recording that is being replayed.
pub(super) struct Replay<'a> {
    from: &'a mut From<'a>,
    how: How,
    capacity: u64,
    /// The next request.
    head: Option<Recorded>,
    fault: Option<Fault>,
    submitted: u64,
    under_way: u64,
    followed: Followed,
}

/// Which answer a request followed, and when that was given in the replay.
#[derive(Default)]
struct Followed {
    /// When requests that were submitted were answered in the recording, and their numbers here.
    were_answered: BinaryHeap<Reverse<(Instant, u64)>>,
    /// When they were answered here, for those that something may follow.
    answers: BTreeMap<u64, Option<Instant>>,
    /// The last answer before the next request, in the recording.
    last: Option<(Instant, u64)>,
    /// When the last request was submitted.
    submitted: Instant,
}

impl<'a> Replay<'a> {
    pub(super) fn new(from: &'a mut From<'a>, how: How, capacity: u64) -> Replay<'a> {
        let mut replay = Replay {
            from,
            how,
            capacity,
            head: None,
            fault: None,
            submitted: 0,
            under_way: 0,
            followed: Followed::default(),
        };
        replay.load();
        replay
    }

    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never.
    pub(super) fn next(&self) -> Option<Instant> {
        let head = self.head?;
        match self.how.keep {
            Keep::Times => Some(Instant::default() + self.scaled(Duration(head.arrived.0))),
            Keep::ThinkTimes => {
                let (from, then) = match self.followed.last {
                    Some((then, number)) => ((*self.followed.answers.get(&number)?)?, then),
                    None => (Instant::default(), Instant::default()),
                };
                let think = self.scaled(head.arrived.since(then));
                Some((from + think).max(self.followed.submitted))
            }
        }
    }

    /// Takes the next request: it is submitted now.
    ///
    /// # Panics
    /// If there is none.
    pub(super) fn take(&mut self) -> Wanted {
        let at = self.next().expect("there is a next request");
        let head = self.head.take().expect("it was just there");
        self.submitted += 1;
        self.under_way += 1;
        if self.how.keep == Keep::ThinkTimes {
            let followed = &mut self.followed;
            followed.submitted = at;
            followed.answers.insert(self.submitted, None);
            let answered = head.due + head.lag;
            followed
                .were_answered
                .push(Reverse((answered, self.submitted)));
        }
        self.load();
        head.wanted
    }

    /// The request with this number was answered at `at`.
    pub(super) fn note_answered(&mut self, request: u64, at: Instant) {
        self.under_way -= 1;
        if let Some(answer) = self.followed.answers.get_mut(&request) {
            *answer = Some(at);
        }
    }

    pub(super) fn under_way(&self) -> u64 {
        self.under_way
    }

    pub(super) fn submitted(&self) -> u64 {
        self.submitted
    }

    /// Why there is no next request although the recording has one.
    pub(super) fn take_fault(&mut self) -> Option<Fault> {
        self.fault.take()
    }

    fn scaled(&self, time: Duration) -> Duration {
        let wide = u128::from(time.0) * 1000 / u128::from(self.how.speed_milli);
        // Far enough to never come, and not too far to add to.
        Duration(u64::try_from(wide).map_or(u64::MAX >> 2, |ns| ns.min(u64::MAX >> 2)))
    }

    fn load(&mut self) {
        let Some(next) = self.from.next() else {
            return;
        };
        match next {
            Ok(recorded) => match fitted(&recorded, self.how.beyond, self.capacity) {
                Ok(wanted) => {
                    self.followed.pass(recorded.arrived);
                    self.head = Some(Recorded { wanted, ..recorded });
                }
                Err(refusal) => {
                    let request = recorded.number;
                    self.fault = Some(Fault::Unfit { request, refusal });
                }
            },
            Err(error) => self.fault = Some(Fault::Recording(error)),
        }
    }
}

impl Followed {
    /// Goes on to what was answered when a request arrived.
    fn pass(&mut self, arrived: Instant) {
        while let Some(Reverse((then, number))) = self.were_answered.peek().copied()
            && then <= arrived
        {
            self.were_answered.pop();
            if let Some((_, before)) = self.last.replace((then, number)) {
                self.answers.remove(&before);
            }
        }
    }
}

/// A request as the drive can be given it.
pub(super) fn fitted(
    recorded: &Recorded,
    beyond: Beyond,
    capacity: u64,
) -> Result<Wanted, Refusal> {
    let mut wanted = recorded.wanted;
    let end = wanted.offset.saturating_add(wanted.bytes);
    if beyond == Beyond::Fold && wanted.operation != Operation::Flush && end > capacity {
        wanted.offset %= capacity.max(1);
        wanted.offset = wanted.offset.min(capacity.saturating_sub(wanted.bytes));
    }
    let id = RequestId(recorded.number);
    let fits = Request::new(id, wanted.operation, wanted.offset, wanted.bytes, capacity);
    fits.map(|_| wanted)
}
