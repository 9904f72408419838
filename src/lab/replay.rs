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
    from: Box<From<'a>>,
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
    pub(super) fn new(from: Box<From<'a>>, how: How, capacity: u64) -> Replay<'a> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn recorded(number: u64, arrived: u64, due: u64, offset: u64) -> Recorded {
        Recorded {
            number,
            wanted: Wanted {
                operation: Operation::Read,
                offset,
                bytes: 4096,
            },
            arrived: Instant(arrived),
            due: Instant(due),
            lag: Duration::ZERO,
        }
    }

    /// Replays on a drive that takes so long for each request: when each was submitted.
    fn submitted(requests: &[Recorded], how: How, took: &[u64]) -> Vec<u64> {
        let from = requests.iter().copied().map(Ok);
        let mut replay = Replay::new(Box::new(from), how, 1 << 30);
        let mut pending: BTreeSet<(Instant, u64)> = BTreeSet::new();
        let mut seen = Vec::new();
        loop {
            let due = pending.first().copied();
            match (replay.next(), due) {
                (Some(at), due) if due.is_none_or(|(due, _)| at < due) => {
                    replay.take();
                    let took = took[seen.len()];
                    pending.insert((at + Duration(took), replay.submitted()));
                    seen.push(at.0);
                }
                (_, Some((due, number))) => {
                    pending.remove(&(due, number));
                    replay.note_answered(number, due);
                }
                (_, None) => break,
            }
        }
        assert!(replay.take_fault().is_none() && replay.under_way() == 0);
        assert_eq!(seen.len(), requests.len());
        seen
    }

    const THINK: How = How {
        keep: Keep::ThinkTimes,
        speed_milli: 1000,
        beyond: Beyond::Refuse,
    };

    #[test]
    fn times_are_kept_whatever_the_drive_does_and_scaled_where_asked() {
        let requests =
            [(1, 100, 150), (2, 300, 310), (3, 310, 900)].map(|(n, a, d)| recorded(n, a, d, 0));
        let slow = [10_000; 3];
        let how = How::default();
        assert_eq!(submitted(&requests, how, &slow), [100, 300, 310]);
        let speed = |speed_milli| How { speed_milli, ..how };
        assert_eq!(submitted(&requests, speed(2000), &slow), [50, 150, 155]);
        assert_eq!(submitted(&requests, speed(500), &slow), [200, 600, 620]);
    }

    #[test]
    fn think_times_count_from_the_answer_that_a_request_followed() {
        // The third came 20 after the first was answered, while the second was under way; the fourth
        // 5 after the second was.
        let requests = [(1, 0, 100), (2, 10, 200), (3, 120, 130), (4, 205, 210)]
            .map(|(n, a, d)| recorded(n, a, d, 0));
        // As fast as then: all as it was.
        assert_eq!(
            submitted(&requests, THINK, &[100, 190, 10, 5]),
            [0, 10, 120, 205]
        );
        // The first takes 1000, the second 50: it is answered at 60, and the fourth waits for the third,
        // behind which it came.
        assert_eq!(
            submitted(&requests, THINK, &[1000, 50, 10, 5]),
            [0, 10, 1020, 1020]
        );
        // Twice as fast.
        let how = How {
            speed_milli: 2000,
            ..THINK
        };
        assert_eq!(
            submitted(&requests, how, &[100, 200, 10, 5]),
            [0, 5, 110, 207]
        );
    }

    #[test]
    fn without_answers_one_is_under_way_at_a_time() {
        let requests = [(1, 0), (2, 10), (3, 30)].map(|(n, at)| recorded(n, at, at, 0));
        assert_eq!(submitted(&requests, THINK, &[7, 7, 7]), [0, 17, 44]);
    }

    #[test]
    fn what_lies_beyond_is_refused_or_comes_to_lie_on_the_drive() {
        let capacity = 1 << 20;
        let at = |offset| recorded(1, 0, 0, offset);
        for offset in [
            0,
            capacity - 4096,
            capacity,
            capacity + 4096,
            7 * capacity - 512,
        ] {
            let folded = fitted(&at(offset), Beyond::Fold, capacity).expect("it is folded");
            assert!(folded.offset + 4096 <= capacity);
            let inside = offset + 4096 <= capacity;
            assert_eq!(folded.offset == offset, inside, "{offset}");
            let refused = fitted(&at(offset), Beyond::Refuse, capacity);
            assert_eq!(refused.is_ok(), inside, "{offset}");
        }
        let folded = fitted(&at(3 * capacity + 8192), Beyond::Fold, capacity);
        assert_eq!(folded.map(|wanted| wanted.offset), Ok(8192));
        // Larger than the drive.
        assert!(fitted(&at(0), Beyond::Fold, 4095).is_err());
    }

    #[test]
    fn a_recording_that_breaks_off_is_a_fault_and_no_end() {
        let broken = RecordingError::Row {
            path: "x".into(),
            request: 2,
            what: "gone".to_owned(),
        };
        let from = [Ok(recorded(1, 0, 0, 0)), Err(broken)].into_iter();
        let mut replay = Replay::new(Box::new(from), How::default(), 1 << 30);
        replay.take();
        assert_eq!(replay.next(), None);
        assert!(matches!(replay.take_fault(), Some(Fault::Recording(_))));
    }
}
