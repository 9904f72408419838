//! Owns what is asked of a run beyond its requests: the same load day after day, pauses put between
//! its requests, when it stops early, and whether the drive is left alone at the end.
//!
//! A load keeps a time of its own, which stands still in the pauses put into it: what was paced stays
//! paced. Nothing here runs anything.

use super::{Load, Summary};
use crate::lab::workload::Afterwards;
use crate::time::{Duration, Instant};

/// How a load is run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Course {
    /// How many times, one after the other; never 0. Each time with the next seed.
    pub days: u64,
    /// The time put between two days, and into each.
    pub pauses: Pauses,
    /// When it ends early.
    pub stop: Stop,
    /// Whether the drive is left alone at the end until it has nothing left to do.
    pub drain: bool,
}

impl Course {
    /// As the load says: once, and drained where a workload asks for that.
    pub fn of(load: Load<'_>) -> Course {
        Course {
            drain: matches!(load, Load::Made(workload) if workload.afterwards == Afterwards::Drain),
            ..Course::default()
        }
    }
}

impl Default for Course {
    /// Once, without pauses, to its end.
    fn default() -> Course {
        Course {
            days: 1,
            pauses: Pauses::default(),
            stop: Stop::default(),
            drain: false,
        }
    }
}

/// Time in which the load asks for nothing, added to what pauses it has by itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pauses {
    /// How long each is. It begins when nothing is under way.
    pub each: Duration,
    /// Requests between two; `None`: only between two days.
    pub every: Option<u64>,
}

/// When a run ends early. Without any of these it never does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stop {
    /// At this moment, whatever is not answered then.
    pub load_at: Option<Instant>,
    /// So long after the last answer, whatever the drive still has to do.
    pub drain_after: Option<Duration>,
    /// As soon as it is known that a request waited for room.
    pub out_of_room: bool,
    /// After a day that left no more staged, and no more bands dirty, than the day before: what follows is
    /// taken to be like it.
    pub settled: bool,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// All was done.
    Done,
    /// Requests were not answered by the moment at which it was to stop.
    TooLong,
    /// A request had waited for room, and it was to stop then.
    OutOfRoom,
    /// A day left no more than the one before, and it was to stop then.
    Settled,
    /// All was answered, and the drive still had something to do when it was to stop.
    NotDrained,
}

/// What came out of it.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The figures, up to where it ended.
    pub summary: Summary,
    /// How it ended.
    pub ended: Ended,
    /// Requests answered by the end of each day that was begun, those of the days before included.
    pub answered_by_day: Vec<u64>,
}

/// Where the time of the load lies in that of the drive.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shift {
    by: Duration,
    /// Requests of the days before.
    base: u64,
    pauses: Pauses,
    /// Requests since the last pause.
    since: u64,
}

impl Shift {
    pub(super) fn new(pauses: Pauses) -> Shift {
        Shift {
            pauses,
            ..Shift::default()
        }
    }

    /// When the next request comes to the drive, of a load that makes it at `next`.
    pub(super) fn comes(&self, next: Option<Instant>) -> Option<Instant> {
        next.filter(|_| !self.waits()).map(|next| next + self.by)
    }

    /// Whether the next request has to wait until nothing is under way, and for a pause.
    pub(super) fn waits(&self) -> bool {
        self.pauses.every.is_some_and(|every| self.since >= every)
    }

    /// Puts a pause before the request that comes `next`. Nothing is under way since `idle_from`.
    pub(super) fn pause(&mut self, next: Instant, idle_from: Instant) {
        let late = idle_from.since(next + self.by);
        self.by = self.by + late + self.pauses.each;
        self.since = 0;
    }

    /// Another day begins after a pause.
    pub(super) fn next_day(&mut self, submitted: u64, idle_from: Instant) {
        self.by = Duration(idle_from.0) + self.pauses.each;
        self.base += submitted;
        self.since = 0;
    }

    pub(super) fn note_submitted(&mut self) {
        self.since += 1;
    }

    /// A moment of the drive in the time of the load.
    pub(super) fn own(&self, at: Instant) -> Instant {
        Instant(at.0 - self.by.0)
    }

    /// Name by which the drive knows a request of this day, and back.
    pub(super) fn name(&self, number: u64) -> u64 {
        self.base + number
    }

    pub(super) fn number(&self, name: u64) -> u64 {
        name - self.base
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVERY_TWO: Pauses = Pauses {
        each: Duration(100),
        every: Some(2),
    };

    #[test]
    fn a_pause_begins_when_nothing_is_under_way_and_stops_the_time_of_the_load() {
        let mut shift = Shift::new(EVERY_TWO);
        assert_eq!(shift.comes(Some(Instant(7))), Some(Instant(7)));
        shift.note_submitted();
        shift.note_submitted();
        assert_eq!(shift.comes(Some(Instant(9))), None);
        // The last answer came at 30: the request meant for 9 comes at 130, one for 15 at 136.
        shift.pause(Instant(9), Instant(30));
        assert_eq!(shift.comes(Some(Instant(9))), Some(Instant(130)));
        assert_eq!(shift.comes(Some(Instant(15))), Some(Instant(136)));
        assert_eq!(shift.own(Instant(136)), Instant(15));
    }

    #[test]
    fn a_pause_is_added_to_one_that_the_load_has_by_itself() {
        let mut shift = Shift::new(EVERY_TWO);
        shift.pause(Instant(50), Instant(30));
        assert_eq!(shift.comes(Some(Instant(50))), Some(Instant(150)));
    }

    #[test]
    fn a_day_begins_after_the_last_answer_and_its_requests_have_new_names() {
        let mut shift = Shift::new(EVERY_TWO);
        shift.next_day(5, Instant(1000));
        assert_eq!(shift.comes(Some(Instant(0))), Some(Instant(1100)));
        assert_eq!((shift.name(1), shift.number(6)), (6, 1));
    }
}
