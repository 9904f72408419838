//! Owns how writes of a recording that follow one another without a gap become larger ones.
//!
//! A host that writes in larger requests has collected the bytes first: the joined request comes when
//! the last of its parts came, and counts as answered when that was. Nothing else changes: no byte is
//! left out, added or moved past another request.

use super::recording::{Recorded, RecordingError};
use crate::drive::request::Operation;

/// The requests of `from`, neighbouring writes joined up to `bytes_max` each.
pub(super) fn joined<I>(from: I, bytes_max: u64) -> Joined<I>
where
    I: Iterator<Item = Result<Recorded, RecordingError>>,
{
    Joined {
        from,
        bytes_max,
        held: None,
    }
}

/// See [`joined`].
pub(super) struct Joined<I> {
    from: I,
    bytes_max: u64,
    held: Option<Result<Recorded, RecordingError>>,
}

impl<I> Iterator for Joined<I>
where
    I: Iterator<Item = Result<Recorded, RecordingError>>,
{
    type Item = Result<Recorded, RecordingError>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut first = match self.held.take().or_else(|| self.from.next())? {
            Ok(first) => first,
            error => return Some(error),
        };
        loop {
            match self.from.next() {
                Some(Ok(next)) if goes_on(&first, &next, self.bytes_max) => {
                    let (offset, bytes) = (first.wanted.offset, first.wanted.bytes);
                    first = next;
                    first.wanted.offset = offset;
                    first.wanted.bytes += bytes;
                }
                other => {
                    self.held = other;
                    return Some(Ok(first));
                }
            }
        }
    }
}

/// Whether both are such writes that the second goes on where the first ends.
fn goes_on(first: &Recorded, next: &Recorded, bytes_max: u64) -> bool {
    let (a, b) = (&first.wanted, &next.wanted);
    matches!(a.operation, Operation::Write { .. })
        && a.operation == b.operation
        && a.offset + a.bytes == b.offset
        && a.bytes + b.bytes <= bytes_max
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::generator::Wanted;
    use crate::time::{Duration, Instant};

    fn recorded(number: u64, operation: Operation, offset: u64, bytes: u64) -> Recorded {
        Recorded {
            number,
            wanted: Wanted {
                operation,
                offset,
                bytes,
            },
            arrived: Instant(number * 10),
            due: Instant(number * 10 + 5),
            lag: Duration::ZERO,
        }
    }

    fn run(requests: &[Recorded], bytes_max: u64) -> Vec<(u64, u64, u64)> {
        joined(requests.iter().copied().map(Ok), bytes_max)
            .map(|request| request.expect("all are good"))
            .map(|r| (r.arrived.0, r.wanted.offset, r.wanted.bytes))
            .collect()
    }

    const WRITE: Operation = Operation::Write { fua: false };

    #[test]
    fn neighbours_become_one_that_comes_with_the_last_of_them() {
        let all = [
            recorded(1, WRITE, 0, 10),
            recorded(2, WRITE, 10, 10),
            recorded(3, WRITE, 20, 10),
            recorded(4, WRITE, 40, 10),
            recorded(5, Operation::Read, 50, 10),
            recorded(6, Operation::Read, 60, 10),
            recorded(7, WRITE, 70, 10),
            recorded(8, Operation::Write { fua: true }, 80, 10),
        ];
        let apart = [
            (40, 40, 10),
            (50, 50, 10),
            (60, 60, 10),
            (70, 70, 10),
            (80, 80, 10),
        ];
        assert_eq!(run(&all, 100), [&[(30, 0, 30)], &apart[..]].concat());
        assert_eq!(
            run(&all, 20),
            [&[(20, 0, 20), (30, 20, 10)], &apart[..]].concat()
        );
        assert_eq!(run(&all, 0).len(), all.len());
    }
}
