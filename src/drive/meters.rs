//! Owns how long the arm was busy with what no host asked for, so that a waiting request can tell
//! what it waited for.

use crate::time::{Duration, Instant};
use crate::units::HomeBand;

/// What the arm is busy with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Busy {
    /// A host request, destaging, or reading ahead.
    Host,
    /// Cleaning on the drive's own account.
    Cleaning(HomeBand),
    /// Cleaning because a host request lacks room.
    Room(HomeBand),
    /// Stalled on request.
    Stalled,
}

/// Busy times up to a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reading {
    /// Cleaning on the drive's own account.
    pub cleaning: Duration,
    /// Cleaning because a host request lacked room.
    pub room: Duration,
    /// Merging the map.
    pub merge: Duration,
    /// Stalled on request.
    pub stalled: Duration,
}

/// The running totals.
#[derive(Clone, Copy, Debug, Default)]
pub struct Meters {
    total: Reading,
    current: Option<(Busy, Instant)>,
    /// The band cleaned last.
    pub band: Option<HomeBand>,
}

impl Meters {
    /// The arm begins something.
    pub fn begin(&mut self, busy: Busy, at: Instant) {
        self.current = Some((busy, at));
        if let Busy::Cleaning(band) | Busy::Room(band) = busy {
            self.band = Some(band);
        }
    }

    /// The arm is done with it.
    pub fn end(&mut self, at: Instant) {
        self.total = self.read(at);
        self.current = None;
    }

    /// The map was merged for this long, as part of what the arm is busy with.
    pub fn merged(&mut self, duration: Duration) {
        self.total.merge += duration;
    }

    /// Totals up to `at`.
    pub fn read(&self, at: Instant) -> Reading {
        let mut reading = self.total;
        match self.current {
            Some((Busy::Cleaning(_), since)) => reading.cleaning += at.since(since),
            Some((Busy::Room(_), since)) => reading.room += at.since(since),
            Some((Busy::Stalled, since)) => reading.stalled += at.since(since),
            Some((Busy::Host, _)) | None => {}
        }
        reading
    }
}

impl Reading {
    /// What was added since `earlier`.
    #[must_use]
    pub fn since(self, earlier: Reading) -> Reading {
        Reading {
            cleaning: self.cleaning - earlier.cleaning,
            room: self.room - earlier.room,
            merge: self.merge - earlier.merge,
            stalled: self.stalled - earlier.stalled,
        }
    }
}
