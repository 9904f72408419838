//! Owns a drive with its image in virtual time: requests, the bytes that they carry, moments.
//!
//! Time goes from one moment at which something happens to the next, and never past the last answer
//! unless the drive is left alone on purpose: what it does when idle happens then and only then.

use std::collections::BTreeMap;
use std::io;

use super::condition::AgeError;
use crate::drive::Drive;
use crate::drive::request::{Completion, Effect, Operation, Request, Whereabouts};
use crate::medium::buffers::Buffers;
use crate::medium::movement::{BufferId, RequestId};
use crate::medium::mover::Mover;
use crate::medium::store::Store;
use crate::time::Instant;
use crate::units::SECTOR_BYTES;

/// A drive, its mover, and the time of day in the model.
pub(super) struct Bench {
    pub(super) drive: Drive,
    /// None in a rehearsal: the drive does the same, and no byte moves.
    mover: Option<Mover>,
    buffers: Buffers,
    pub(super) now: Instant,
    /// Answers that are not due yet.
    pending: BTreeMap<(Instant, RequestId), Completion>,
    under_way: u64,
    pub(super) requests: u64,
}

impl Bench {
    pub(super) fn new(drive: Drive, store: Box<dyn Store>) -> Bench {
        Bench {
            mover: Some(Mover::plain(store)),
            ..Bench::rehearsal(drive)
        }
    }

    /// A bench without an image, on which the drive does what it would do with one: it never knows what
    /// the bytes are.
    pub(super) fn rehearsal(drive: Drive) -> Bench {
        Bench {
            drive,
            mover: None,
            buffers: Buffers::new(),
            now: Instant::default(),
            pending: BTreeMap::new(),
            under_way: 0,
            requests: 0,
        }
    }

    /// Writes to ranges (first byte and how many) what they hold: their own bytes, or zeroes where
    /// they hold nothing. They arrive together and are durable when they are answered, so that they
    /// share a log entry.
    pub(super) fn rewrite(&mut self, ranges: &[(u64, u64)]) -> Result<(), AgeError> {
        let mut writes = Vec::new();
        for &(offset, bytes) in ranges {
            let parts = self.drive.whereabouts(offset, bytes);
            let nothing = parts
                .iter()
                .all(|(_, place)| *place == Whereabouts::Nowhere);
            let data = if nothing {
                None
            } else {
                Some(self.read(offset, bytes)?)
            };
            writes.push((offset, bytes, data));
        }
        for (offset, bytes, data) in writes {
            let operation = match data {
                Some(_) => Operation::Write { fua: true },
                None => Operation::WriteZeroes {
                    fua: true,
                    may_deallocate: false,
                },
            };
            self.submit(operation, offset, bytes, data)?;
        }
        self.settle()
    }

    /// Writes zeroes, which take up no room in the image's file.
    pub(super) fn zero(&mut self, offset: u64, bytes: u64) -> Result<(), AgeError> {
        let operation = Operation::WriteZeroes {
            fua: false,
            may_deallocate: false,
        };
        self.submit(operation, offset, bytes, None)?;
        self.settle()
    }

    /// Makes everything written so far durable.
    pub(super) fn flush(&mut self) -> Result<(), AgeError> {
        self.submit(Operation::Flush, 0, 0, None)?;
        self.settle()
    }

    /// Lets time pass until every request is answered.
    pub(super) fn settle(&mut self) -> Result<(), AgeError> {
        while self.under_way > 0 {
            let due = self.pending.first_key_value().map(|((due, _), _)| *due);
            let deadline = self.drive.next_deadline().map(|deadline| deadline.at);
            let Some(next) = [due, deadline].into_iter().flatten().min() else {
                let why = "requests are under way and the drive waits for nothing".to_owned();
                return Err(AgeError::Stopped { why });
            };
            self.advance(next)?;
            while let Some(first) = self.pending.first_entry()
                && first.key().0 <= self.now
            {
                first.remove();
                self.under_way -= 1;
            }
        }
        Ok(())
    }

    /// Leaves the drive alone until it has nothing left to do.
    pub(super) fn leave_alone(&mut self) -> Result<(), AgeError> {
        while let Some(deadline) = self.drive.next_deadline() {
            self.advance(deadline.at)?;
        }
        Ok(())
    }

    fn read(&mut self, offset: u64, bytes: u64) -> Result<Vec<u8>, AgeError> {
        let id = self.submit(Operation::Read, offset, bytes, None)?;
        self.settle()?;
        if self.mover.is_none() {
            return Ok(Vec::new());
        }
        Ok(self.buffers.take_reply(BufferId::Request(id)))
    }

    fn submit(
        &mut self,
        operation: Operation,
        offset: u64,
        bytes: u64,
        data: Option<Vec<u8>>,
    ) -> Result<RequestId, AgeError> {
        self.requests += 1;
        let id = RequestId(self.requests);
        let capacity = self.drive.profile().drive.capacity_bytes;
        let request = Request::new(id, operation, offset, bytes, capacity)
            .expect("home bands lie on the drive");
        match data {
            _ if self.mover.is_none() => {}
            Some(data) => self.buffers.insert(BufferId::Request(id), data),
            None if operation == Operation::Read => {
                self.buffers.allocate_reply(BufferId::Request(id), bytes);
            }
            None => {}
        }
        self.under_way += 1;
        self.drive.submit(self.now, request);
        self.carry_out()?;
        Ok(id)
    }

    fn advance(&mut self, to: Instant) -> Result<(), AgeError> {
        self.now = self.now.max(to);
        self.drive.advance(self.now);
        self.carry_out()
    }

    fn carry_out(&mut self) -> Result<(), AgeError> {
        if let Some(why) = self.drive.failure() {
            let why = why.to_owned();
            return Err(AgeError::Stopped { why });
        }
        let mut effects = Vec::new();
        self.drive.drain_effects(&mut effects);
        for effect in effects {
            match (effect, &mut self.mover) {
                (Effect::Move(plan), Some(mover)) => mover.submit(plan, &mut self.buffers),
                (Effect::Complete(completion), _) => {
                    let key = (completion.due, completion.request);
                    self.pending.insert(key, completion);
                }
                (Effect::Release(buffer), Some(_)) => self.buffers.release(buffer),
                // In a rehearsal; and what comes of faults on request, of which there are none here.
                (Effect::Move(_) | Effect::Release(_), None)
                | (Effect::Hold { .. } | Effect::Resume { .. } | Effect::Note(_), _) => {}
            }
        }
        let mut finished = Vec::new();
        if let Some(mover) = &mut self.mover {
            mover.poll(&mut self.buffers, &mut finished);
        }
        for (_, outcome) in finished {
            outcome?;
        }
        Ok(())
    }

    /// First byte of an address.
    pub(super) fn byte_of(lba: crate::units::Lba) -> u64 {
        lba.0 * SECTOR_BYTES
    }
}

/// A store whose syncs do nothing: for an image that holds nothing which could be lost. It is synced
/// once, by whoever holds the store below.
pub(super) struct Unsynced(pub(super) Box<dyn Store>);

impl Store for Unsynced {
    fn bytes(&self) -> io::Result<u64> {
        self.0.bytes()
    }

    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        self.0.read_at(into, at)
    }

    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        self.0.write_at(from, at)
    }

    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()> {
        self.0.zero_at(at, bytes)
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }
}
