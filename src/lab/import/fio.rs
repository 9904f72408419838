//! Owns fio's I/O logs of versions 2 and 3: their lines, and how each tells the time.
//!
//! Version 2 has `wait` lines in microseconds between the requests; version 3 has the microseconds since
//! the start in front of each line.

use super::devices::Devices;
use super::number::{TimeUnit, whole_number};
use super::report::{Parsed, Skip};
use crate::drive::request::Operation;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Version {
    Two,
    Three,
}

/// Reads the lines of one log.
pub(super) struct FioLog {
    unit: TimeUnit,
    version: Option<Version>,
    /// Time so far, in version 2.
    clock_ns: u64,
    pub(super) devices: Devices,
    pub(super) waits: u64,
}

impl FioLog {
    pub(super) fn new(unit: TimeUnit, devices: Devices) -> FioLog {
        FioLog {
            unit,
            version: None,
            clock_ns: 0,
            devices,
            waits: 0,
        }
    }

    /// Whether the times of requests are known.
    pub(super) fn has_times(&self) -> bool {
        self.version != Some(Version::Two) || self.waits > 0
    }

    pub(super) fn line(&mut self, text: &str, out: &mut Vec<Parsed>) -> Result<(), Skip> {
        let text = text.trim();
        let Some(version) = self.version else {
            self.version = Some(match text {
                "fio version 2 iolog" => Version::Two,
                "fio version 3 iolog" => Version::Three,
                _ => {
                    return Err(Skip::Wrong(
                        "does not begin with \"fio version 2 iolog\" or 3".to_owned(),
                    ));
                }
            });
            return Err(Skip::Form("the head of the log"));
        };
        let mut words = text.split_ascii_whitespace();
        if version == Version::Three {
            let at = words.next().and_then(|word| self.unit.read(word));
            self.clock_ns = at.ok_or(Skip::Bad("it does not begin with a time"))?;
        }
        let file = words.next().ok_or(Skip::Bad("an empty line"))?;
        let action = words.next().ok_or(Skip::Bad("it names no action"))?;
        let mut number = || words.next().and_then(whole_number);
        let operation = match action {
            "read" => Operation::Read,
            "write" => Operation::Write { fua: false },
            "trim" => Operation::Trim,
            "sync" | "datasync" => Operation::Flush,
            "add" | "open" | "close" => return Err(Skip::Aside("opening and closing of files")),
            "wait" if version == Version::Two => {
                let us = number().ok_or(Skip::Bad("it does not say how long to wait"))?;
                let ns = us.checked_mul(1_000);
                let clock = ns.and_then(|ns| self.clock_ns.checked_add(ns));
                self.clock_ns = clock.ok_or(Skip::Bad("a time beyond all bounds"))?;
                self.waits += 1;
                return Err(Skip::Aside("a wait"));
            }
            _ => return Err(Skip::Bad("its action is not known")),
        };
        let place = match operation {
            Operation::Flush => Some((0, 0)),
            _ => number().zip(number()),
        };
        let (offset, bytes) = place.ok_or(Skip::Bad("offset and length are missing"))?;
        self.devices.note(file);
        out.push(Parsed {
            at_ns: self.clock_ns,
            operation,
            offset,
            bytes,
            took_ns: None,
        });
        Ok(())
    }
}
