//! Owns what the mover must know of the bytes it carries: the checksums of a record.
//!
//! A seal covers the source bytes of movements. Where the source is the medium, the bytes are
//! looked up where the movement has put them, so it must be done before the record is sealed.

use super::buffers::Buffers;
use super::movement::{Movement, Place, Record, Step};
use crate::units::{count, index};

const ZEROES: [u8; 4096] = [0; 4096];

/// Where the bytes of a sealed movement are found in memory; `None` for those that need no look
/// (zeroes) or are left out (padding).
///
/// # Panics
/// If they are nowhere: from the medium to nobody. A defect of the planner.
pub(super) fn sealed_source(movement: &Movement) -> Option<Place> {
    match (movement.from, movement.to) {
        (Place::Buffer { .. } | Place::Scratch { .. }, _) => Some(movement.from),
        (Place::Medium { .. }, Place::Buffer { .. } | Place::Scratch { .. }) => Some(movement.to),
        (Place::Zeroes | Place::Padding, _) => None,
        (from, to) => panic!("a seal over bytes that nobody keeps: {from:?} to {to:?}"),
    }
}

/// The movements under the seals of a record.
pub(super) fn sealed<'a>(
    record: &'a Record,
    steps: &'a [Step],
) -> impl Iterator<Item = &'a Movement> {
    let ranges = record.seals.iter().map(|seal| seal.over.clone());
    ranges.flatten().map(|step| movement_of(steps, step))
}

/// Fills in checksums.
pub(super) struct Sealer {
    /// What 1, 2, 4 ... blocks of zeroes make of a checksum.
    doublings: Vec<Zeroes>,
}

impl Sealer {
    pub(super) fn new() -> Sealer {
        let doublings = std::iter::successors(Some(Zeroes::block()), |run| Some(run.twice()));
        Sealer {
            doublings: doublings.take(index(u64::BITS.into())).collect(),
        }
    }

    /// The bytes of a record with its checksums filled in.
    pub(super) fn seal(
        &self,
        record: &mut Record,
        steps: &[Step],
        buffers: &mut Buffers,
    ) -> Vec<u8> {
        let mut bytes = std::mem::take(&mut record.bytes);
        for seal in &record.seals {
            let mut crc = 0;
            for step in seal.over.clone() {
                crc = self.append(crc, movement_of(steps, step), buffers);
            }
            let at = index(seal.at);
            bytes[at..at + 4].copy_from_slice(&crc.to_le_bytes());
        }
        let crc = crc32c::crc32c(&bytes[Record::CRC_AT + 4..]);
        bytes[Record::CRC_AT..Record::CRC_AT + 4].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    fn append(&self, mut crc: u32, movement: &Movement, buffers: &mut Buffers) -> u32 {
        let Some(place) = sealed_source(movement) else {
            return if movement.from == Place::Zeroes {
                self.append_zeroes(crc, movement.bytes)
            } else {
                crc
            };
        };
        for (piece, bytes) in Buffers::pieces(place, movement.bytes) {
            crc = crc32c::crc32c_append(crc, buffers.piece(piece, bytes));
        }
        crc
    }

    /// The checksum after `bytes` more zero bytes: a zeroed gigabyte costs as little as a sector.
    fn append_zeroes(&self, crc: u32, bytes: u64) -> u32 {
        let mut crc = crc32c::crc32c_append(crc, &ZEROES[..index(bytes % count(ZEROES.len()))]);
        let blocks = bytes / count(ZEROES.len());
        for (power, run) in self.doublings.iter().enumerate() {
            if blocks >> power & 1 == 1 {
                crc = run.after(crc);
            }
        }
        crc
    }
}

fn movement_of(steps: &[Step], step: usize) -> &Movement {
    match &steps[step] {
        Step::Move(movement) => movement,
        other => panic!("a seal over step {step}, which moves nothing: {other:?}"),
    }
}

/// What a run of zeroes makes of a checksum. That is affine over the bits of the checksum: the
/// exclusive sum of a constant and of one column for each bit that is set.
#[derive(Clone, Copy)]
struct Zeroes {
    columns: [u32; 32],
    constant: u32,
}

impl Zeroes {
    fn block() -> Zeroes {
        let constant = crc32c::crc32c_append(0, &ZEROES);
        Zeroes {
            columns: std::array::from_fn(|bit| crc32c::crc32c_append(1 << bit, &ZEROES) ^ constant),
            constant,
        }
    }

    fn after(&self, crc: u32) -> u32 {
        let columns = self.columns.iter().enumerate();
        let set = columns.filter(|(bit, _)| crc >> bit & 1 == 1);
        set.fold(self.constant, |sum, (_, column)| sum ^ column)
    }

    fn twice(&self) -> Zeroes {
        let constant = self.after(self.constant);
        Zeroes {
            columns: std::array::from_fn(|bit| self.after(self.after(1 << bit)) ^ constant),
            constant,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn zeroes_count_as_so_many_zero_bytes(before in any::<Vec<u8>>(), bytes in 0..1_000_000_usize) {
            let mut all = before.clone();
            all.resize(before.len() + bytes, 0);
            prop_assert_eq!(
                Sealer::new().append_zeroes(crc32c::crc32c(&before), count(bytes)),
                crc32c::crc32c(&all)
            );
        }
    }
}
