//! Owns the question which operations may be under way at the same time.
//!
//! A [`Touch`] is a run of bytes that an operation reads or writes. Two conflict where they share a
//! byte and at least one writes it. Nothing here knows what is in the bytes.

use super::movement::{BufferId, Place};
use crate::units::SECTOR_BYTES;

/// A run of bytes read or written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Touch {
    space: Space,
    start: u64,
    end: u64,
    writes: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Space {
    Medium,
    Scratch,
    Buffer(BufferId),
}

impl Touch {
    /// Reading `bytes` from `place`; `None` where there are none to read.
    pub(super) fn reading(place: Place, bytes: u64) -> Option<Touch> {
        Touch::of(place, bytes, false)
    }

    /// Writing `bytes` to `place`; `None` where there are none to write.
    pub(super) fn writing(place: Place, bytes: u64) -> Option<Touch> {
        Touch::of(place, bytes, true)
    }

    /// Whether bytes moved between the two places would overwrite others that are yet to be moved.
    pub(super) fn overlaps_itself(from: Place, to: Place, bytes: u64) -> bool {
        match (Touch::reading(from, bytes), Touch::writing(to, bytes)) {
            (Some(read), Some(written)) => read.conflicts(&written),
            _ => false,
        }
    }

    fn of(place: Place, bytes: u64, writes: bool) -> Option<Touch> {
        let (space, start) = match place {
            Place::Buffer { id, offset } => (Space::Buffer(id), offset),
            Place::Scratch { offset } => (Space::Scratch, offset),
            Place::Medium { pba, skip } => (Space::Medium, pba.0 * SECTOR_BYTES + skip),
            Place::Zeroes | Place::Padding | Place::Discard => return None,
        };
        Some(Touch {
            space,
            start,
            end: start + bytes,
            writes,
        })
    }

    /// Whether the order of the two can be told from the bytes.
    pub(super) fn conflicts(&self, other: &Touch) -> bool {
        (self.writes || other.writes)
            && self.space == other.space
            && self.start < other.end
            && other.start < self.end
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::movement::RequestId;
    use crate::units::Pba;

    fn scratch(offset: u64, bytes: u64, writes: bool) -> Touch {
        Touch::of(Place::Scratch { offset }, bytes, writes).expect("memory")
    }

    #[test]
    fn touches_conflict_exactly_where_they_share_a_byte_that_one_writes() {
        for a in 0..4 {
            for a_bytes in 1..4 {
                for b in 0..4 {
                    for b_bytes in 1..4 {
                        let shared = (a..a + a_bytes).any(|x| (b..b + b_bytes).contains(&x));
                        for (x, y) in [(false, false), (false, true), (true, false), (true, true)] {
                            assert_eq!(
                                scratch(a, a_bytes, x).conflicts(&scratch(b, b_bytes, y)),
                                shared && (x || y),
                                "{a}+{a_bytes} {x}, {b}+{b_bytes} {y}"
                            );
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn the_same_bytes_of_different_spaces_do_not_conflict() {
        let place = |n| Place::Buffer {
            id: BufferId::Request(RequestId(n)),
            offset: 0,
        };
        let one = Touch::writing(place(1), 10).expect("memory");
        assert!(one.conflicts(&one));
        assert!(!one.conflicts(&Touch::writing(place(2), 10).expect("memory")));
        assert!(!one.conflicts(&scratch(0, 10, true)));
        let medium = Touch::writing(Place::sector(Pba(0)), 10).expect("medium");
        assert!(!medium.conflicts(&scratch(0, 10, true)));
    }

    #[test]
    fn nothing_is_touched_by_zeroes_padding_and_discard() {
        for place in [Place::Zeroes, Place::Padding, Place::Discard] {
            assert_eq!(Touch::reading(place, 1), None);
        }
    }
}
