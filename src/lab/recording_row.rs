//! Owns what a row of a recording may say: it comes from a file, and that may come from anywhere.

use super::generator::Wanted;
use super::recording::Recorded;
use crate::drive::request::Operation;
use crate::time::{Duration, Instant};

/// A row as it stands in the file.
pub(super) struct Raw<'r> {
    pub(super) number: u64,
    pub(super) operation: &'r str,
    pub(super) fua: bool,
    pub(super) may_deallocate: bool,
    /// Offset, bytes, arrived, due, lag.
    pub(super) numbers: [i64; 5],
}

impl Raw<'_> {
    /// What it says, if that makes sense.
    pub(super) fn check(&self) -> Result<Recorded, String> {
        let fua = self.fua;
        let operation = match self.operation {
            "read" => Operation::Read,
            "write" => Operation::Write { fua },
            "flush" => Operation::Flush,
            "trim" => Operation::Trim,
            "write-zeroes" => Operation::WriteZeroes {
                fua,
                may_deallocate: self.may_deallocate,
            },
            other => {
                return Err(format!(
                    "its operation is {other:?}, not read, write, flush, trim or write-zeroes"
                ));
            }
        };
        // Half of 2^63 ns are 146 years.
        let bounded = |value: i64| u64::try_from(value).ok().filter(|v| *v < 1 << 62);
        let checked = self.numbers.map(bounded);
        let [
            Some(offset),
            Some(bytes),
            Some(arrived),
            Some(due),
            Some(lag),
        ] = checked
        else {
            return Err(format!(
                "of its offset, bytes, arrived_ns, due_ns and lag_ns ({:?}) one is below 0 or \
                 beyond all bounds",
                self.numbers
            ));
        };
        if due < arrived {
            return Err(format!(
                "due at {due} ns, before it arrived at {arrived} ns"
            ));
        }
        Ok(Recorded {
            number: self.number,
            wanted: Wanted {
                operation,
                offset,
                bytes,
            },
            arrived: Instant(arrived),
            due: Instant(due),
            lag: Duration(lag),
        })
    }
}
