//! Owns a store in memory that keeps only what is not zero: for the image of a drive that is aged to be
//! run in virtual time.
//!
//! Such an image holds records and otherwise zeroes, terabytes of them. Nothing is ever lost from it
//! and nothing fails, so whatever was written counts as durable. A clone is a second handle.

use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::medium::store::{Store, is_zero};
use crate::units::{SECTOR_BYTES, count, index};

/// See the module's description.
#[derive(Clone, Debug)]
pub(in crate::lab) struct SparseStore {
    bytes: u64,
    /// Sectors that are not zero, by number.
    sectors: Arc<Mutex<BTreeMap<u64, Box<[u8]>>>>,
}

impl SparseStore {
    /// A store of `bytes` zeroes.
    pub(in crate::lab) fn new(bytes: u64) -> SparseStore {
        SparseStore {
            bytes,
            sectors: Arc::default(),
        }
    }

    fn sectors(&self) -> MutexGuard<'_, BTreeMap<u64, Box<[u8]>>> {
        self.sectors.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The sectors of a range of bytes, which must begin and end with whole ones.
    fn range(&self, at: u64, bytes: u64) -> io::Result<std::ops::Range<u64>> {
        let whole = at.is_multiple_of(SECTOR_BYTES) && bytes.is_multiple_of(SECTOR_BYTES);
        match at.checked_add(bytes) {
            Some(end) if whole && end <= self.bytes => Ok(at / SECTOR_BYTES..end / SECTOR_BYTES),
            _ => Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("{bytes} bytes at {at} are no sectors of {}", self.bytes),
            )),
        }
    }
}

impl Store for SparseStore {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.bytes)
    }

    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        let before = at % SECTOR_BYTES;
        let wide = (before + count(into.len())).next_multiple_of(SECTOR_BYTES);
        let range = self.range(at - before, wide)?;
        into.fill(0);
        let end = at + count(into.len());
        for (sector, held) in self.sectors().range(range) {
            // What of the sector was asked for, in bytes of the store.
            let start = sector * SECTOR_BYTES;
            let from = at.max(start);
            let to = end.min(start + SECTOR_BYTES);
            into[index(from - at)..index(to - at)]
                .copy_from_slice(&held[index(from - start)..index(to - start)]);
        }
        Ok(())
    }

    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        let range = self.range(at, count(from.len()))?;
        let mut sectors = self.sectors();
        for (sector, bytes) in range.zip(from.chunks(index(SECTOR_BYTES))) {
            if is_zero(bytes) {
                sectors.remove(&sector);
            } else {
                sectors.insert(sector, bytes.into());
            }
        }
        Ok(())
    }

    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()> {
        let range = self.range(at, bytes)?;
        let mut sectors = self.sectors();
        let held: Vec<u64> = sectors.range(range).map(|(sector, _)| *sector).collect();
        for sector in held {
            sectors.remove(&sector);
        }
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SECTORS: u64 = 12;

    #[derive(Clone, Debug)]
    enum Act {
        Write(u64, u64, u8),
        Zero(u64, u64),
    }

    fn acts() -> impl Strategy<Value = Vec<Act>> {
        let write = (0..SECTORS, 1..4u64, 0..3u8).prop_map(|(at, n, fill)| Act::Write(at, n, fill));
        let zero = (0..SECTORS, 1..6u64).prop_map(|(at, n)| Act::Zero(at, n));
        prop::collection::vec(prop_oneof![write, zero], 1..30)
    }

    proptest! {
        #[test]
        fn it_reads_as_a_plain_array_does_and_keeps_no_zeroes(acts in acts()) {
            let store = SparseStore::new(SECTORS * SECTOR_BYTES);
            let mut plain = vec![0u8; index(SECTORS * SECTOR_BYTES)];
            for act in acts {
                let (at, sectors, fill) = match act {
                    Act::Write(at, sectors, fill) => (at, sectors, Some(fill)),
                    Act::Zero(at, sectors) => (at, sectors, None),
                };
                let sectors = sectors.min(SECTORS - at);
                let (from, bytes) = (at * SECTOR_BYTES, sectors * SECTOR_BYTES);
                let run = &mut plain[index(from)..index(from + bytes)];
                run.fill(fill.unwrap_or(0));
                match fill {
                    Some(_) => store.write_at(run, from).unwrap(),
                    None => store.zero_at(from, bytes).unwrap(),
                }
            }
            let mut read = vec![1; plain.len()];
            store.read_at(&mut read, 0).unwrap();
            prop_assert_eq!(&read, &plain);
            let mut part = vec![1; 5000];
            store.read_at(&mut part, 4000).unwrap();
            prop_assert_eq!(&part[..], &plain[4000..9000]);
            let held = plain.chunks(index(SECTOR_BYTES)).filter(|s| s.iter().any(|b| *b != 0));
            prop_assert_eq!(store.sectors().len(), held.count());
        }
    }

    #[test]
    fn what_lies_past_the_end_or_between_sectors_is_refused() {
        let store = SparseStore::new(2 * SECTOR_BYTES);
        for (at, bytes) in [
            (SECTOR_BYTES, 2 * SECTOR_BYTES),
            (1, SECTOR_BYTES),
            (0, 7),
            (u64::MAX - 4095, 4096),
        ] {
            assert!(store.zero_at(at, bytes).is_err(), "{at} {bytes}");
        }
    }
}
