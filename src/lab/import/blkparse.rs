//! Owns the default text of `blkparse`: which lines are requests, and what their letters mean.
//!
//! `major,minor cpu sequence seconds.nanoseconds pid event letters sector + sectors [process]`, as the
//! tool's manual describes it. Zeroing requests bear the letter of writes there.

use super::devices::Devices;
use super::number::{TimeUnit, whole_number};
use super::report::{Parsed, Skip};
use crate::drive::request::Operation;

const SECTOR_BYTES: u64 = 512;

/// The event of a request's life that counts as its arrival.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// It was queued: as the filesystem asked, before anything is merged (`Q`).
    Queued,
    /// It was put into the queue of the scheduler (`I`).
    Inserted,
    /// It went to the drive (`D`).
    Issued,
    /// The drive answered it (`C`).
    Completed,
}

impl Event {
    fn letter(self) -> &'static str {
        match self {
            Event::Queued => "Q",
            Event::Inserted => "I",
            Event::Issued => "D",
            Event::Completed => "C",
        }
    }
}

/// Reads the lines of one trace.
pub(super) struct Blkparse {
    event: Event,
    pub(super) devices: Devices,
    /// The tool's own summary has begun.
    ended: bool,
}

/// What the letters of a request say.
struct Letters {
    flush_first: bool,
    operation: Option<Operation>,
}

impl Blkparse {
    pub(super) fn new(event: Event, devices: Devices) -> Blkparse {
        Blkparse {
            event,
            devices,
            ended: false,
        }
    }

    pub(super) fn line(&mut self, text: &str, out: &mut Vec<Parsed>) -> Result<(), Skip> {
        const SUMMARY: Skip = Skip::Form("the tool's own summary");
        if self.ended || text.trim().is_empty() {
            return Err(SUMMARY);
        }
        let mut words = text.split_ascii_whitespace();
        let device = words.next().unwrap_or_default();
        if device.starts_with("CPU") || device.starts_with("Total") {
            self.ended = true;
            return Err(SUMMARY);
        }
        let [_, _, time, _, event] = std::array::from_fn(|_| words.next().unwrap_or_default());
        let bad = || Skip::Bad("not a line of blkparse's default text");
        if !device.contains(',') {
            return Err(bad());
        }
        let at_ns = TimeUnit::Seconds.read(time).ok_or_else(bad)?;
        if event != self.event.letter() {
            return Err(match event {
                "" => bad(),
                _ => Skip::Aside("another event of a request"),
            });
        }
        let letters = words.next().ok_or_else(bad)?;
        let letters = Letters::read(letters).ok_or(Skip::Bad("its letters mean no operation"))?;
        self.devices.note(device);
        let request = |operation, offset, bytes| Parsed {
            at_ns,
            operation,
            offset,
            bytes,
            took_ns: None,
        };
        if letters.flush_first {
            out.push(request(Operation::Flush, 0, 0));
        }
        let Some(operation) = letters.operation else {
            return Ok(());
        };
        let sector = words.next().and_then(whole_number);
        let sectors = match words.next() {
            Some("+") => words.next().and_then(whole_number),
            _ => None,
        };
        match (sector, sectors) {
            (Some(sector), Some(sectors)) => {
                let bytes = |sectors: u64| sectors.checked_mul(SECTOR_BYTES);
                let (offset, bytes) = bytes(sector)
                    .zip(bytes(sectors))
                    .ok_or(Skip::Bad("a sector beyond all bounds"))?;
                out.push(request(operation, offset, bytes));
                Ok(())
            }
            // A flush is shown as a write of nothing.
            _ if letters.flush_first => Ok(()),
            _ => Err(Skip::Bad("it names no sectors")),
        }
    }
}

impl Letters {
    /// An `F` before the operation is a flush, one behind it is FUA.
    fn read(letters: &str) -> Option<Letters> {
        let (flush_first, rest) = match letters.strip_prefix('F') {
            Some(rest) => (true, rest),
            None => (false, letters),
        };
        let mut chars = rest.chars();
        let first = chars.next();
        let fua = chars.any(|letter| letter == 'F');
        let operation = match first {
            Some('R') => Some(Operation::Read),
            Some('W') => Some(Operation::Write { fua }),
            Some('D') => Some(Operation::Trim),
            Some('N' | 'S') | None if flush_first => None,
            _ => return None,
        };
        Some(Letters {
            flush_first,
            operation,
        })
    }
}
