//! Owns the arm's answers: how long, and what for.
//!
//! Plain values that add up: the parts of a timing sum to its end minus its start.

use std::ops::Index;

use crate::medium::movement::{Movement, Purpose, Step};
use crate::time::{Duration, Instant};
use crate::units::{Pba, Sectors};

/// When a plan would be done, and where its time went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timing {
    /// When it is done.
    pub end: Instant,
    /// Moving the arm and switching heads.
    pub seek: Duration,
    /// Waiting for a sector to come round.
    pub rotation: Duration,
    /// Passing over sectors, and flash.
    pub transfer: Duration,
    /// Out-of-band revolutions.
    pub out_of_band: Duration,
    /// What a fault on request added. The arm adds nothing here, and no purpose counts it.
    pub held_up: Duration,
    /// The longest wait of a single access for its sectors to come round.
    pub longest_turn: Duration,
    /// Time and bytes by purpose.
    pub by_purpose: Uses,
}

/// Time and bytes of the medium by purpose.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Uses([Use; Purpose::ALL.len()]);

/// What one purpose took.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Use {
    /// Time of the arm (or of the flash).
    pub time: Duration,
    /// Bytes moved, padding included.
    pub bytes: u64,
}

/// Time of a single access by its parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Access {
    /// Moving the arm and switching heads.
    pub seek: Duration,
    /// Waiting for a sector to come round.
    pub rotation: Duration,
    /// Passing over sectors, and flash.
    pub transfer: Duration,
    /// When the first sector begins to pass.
    pub first_sector_begins: Instant,
    /// When the last sector has passed.
    pub end: Instant,
}

/// Sectors that a step accesses.
#[derive(Clone, Copy, Debug)]
pub(super) struct Target {
    /// First sector.
    pub(super) pba: Pba,
    /// How many.
    pub(super) sectors: Sectors,
    /// Whether it writes.
    pub(super) write: bool,
    /// Whether its sectors are wanted in order: what follows takes them as they pass.
    pub(super) in_order: bool,
}

impl Target {
    /// What of the medium a movement accesses, if the arm moves for it.
    pub(super) fn of(movement: &Movement) -> Option<Target> {
        if movement.buffered {
            return None;
        }
        let (write, run) = match movement.writes() {
            Some(run) => (true, run),
            None => (false, movement.reads()?),
        };
        Some(Target {
            pba: run.0,
            sectors: run.1,
            write,
            in_order: movement.purpose == Purpose::ReadAhead,
        })
    }

    /// The part of this log entry that a step adds.
    pub(super) fn continued(&self, step: &Step) -> Option<Target> {
        match step {
            Step::Move(movement) if movement.purpose == Purpose::Stage => Target::of(movement)
                .filter(|more| more.write && more.pba == self.pba + self.sectors),
            _ => None,
        }
    }
}

impl Access {
    /// An access that takes no time.
    pub(super) fn none(at: Instant) -> Access {
        Access {
            seek: Duration::ZERO,
            rotation: Duration::ZERO,
            transfer: Duration::ZERO,
            first_sector_begins: at,
            end: at,
        }
    }

    /// An access that moves the arm for `seek` and then transfers at once.
    pub(super) fn at_once(start: Instant, seek: Duration, transfer: Duration) -> Access {
        Access {
            seek,
            rotation: Duration::ZERO,
            transfer,
            first_sector_begins: start + seek,
            end: start + seek + transfer,
        }
    }
}

impl Timing {
    /// Nothing done yet.
    pub fn at(start: Instant) -> Timing {
        Timing {
            end: start,
            seek: Duration::ZERO,
            rotation: Duration::ZERO,
            transfer: Duration::ZERO,
            out_of_band: Duration::ZERO,
            held_up: Duration::ZERO,
            longest_turn: Duration::ZERO,
            by_purpose: Uses::default(),
        }
    }

    /// Adds an access that began where the timing ended.
    pub(super) fn add(&mut self, purpose: Purpose, access: &Access, bytes: u64) {
        let time = access.end.since(self.end);
        self.seek += access.seek;
        self.rotation += access.rotation;
        self.transfer += access.transfer;
        self.longest_turn = self.longest_turn.max(access.rotation);
        self.end = access.end;
        self.by_purpose.add(purpose, time, bytes);
    }

    /// Adds out-of-band revolutions.
    pub(super) fn add_out_of_band(&mut self, purpose: Purpose, time: Duration, bytes: u64) {
        self.out_of_band += time;
        self.end += time;
        self.by_purpose.add(purpose, time, bytes);
    }
}

impl Uses {
    /// Each purpose with what it took, in the order of [`Purpose::ALL`].
    pub fn iter(&self) -> impl Iterator<Item = (Purpose, Use)> + '_ {
        Purpose::ALL.into_iter().zip(self.0)
    }

    fn add(&mut self, purpose: Purpose, time: Duration, bytes: u64) {
        let used = &mut self.0[place(purpose)];
        used.time += time;
        used.bytes += bytes;
    }
}

impl Index<Purpose> for Uses {
    type Output = Use;
    fn index(&self, purpose: Purpose) -> &Use {
        &self.0[place(purpose)]
    }
}

/// Place of a purpose in [`Purpose::ALL`].
fn place(purpose: Purpose) -> usize {
    match purpose {
        Purpose::HostRead => 0,
        Purpose::HostWrite => 1,
        Purpose::Bypass => 2,
        Purpose::Stage => 3,
        Purpose::OutOfBand => 4,
        Purpose::MapMerge => 5,
        Purpose::PartialRead => 6,
        Purpose::CleanRead => 7,
        Purpose::CleanGather => 8,
        Purpose::CleanCopy => 9,
        Purpose::CleanVerify => 10,
        Purpose::CleanWrite => 11,
        Purpose::ReadAhead => 12,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn purposes_are_told_apart_in_the_order_of_the_list() {
        let mut uses = Uses::default();
        for (bytes, purpose) in (1..).zip(Purpose::ALL) {
            uses.add(purpose, Duration(bytes * 10), bytes);
        }
        for ((purpose, used), bytes) in uses.iter().zip(1..) {
            assert_eq!(uses[purpose], used);
            assert_eq!(used.bytes, bytes);
            assert_eq!(used.time, Duration(bytes * 10));
        }
    }
}
