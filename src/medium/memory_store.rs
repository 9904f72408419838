//! Owns a store in memory that tells live bytes from durable ones, for tests of power cuts and of
//! failing operations.
//!
//! Sparse by sector of 4096 bytes: what was never written reads as zeroes and takes no memory. A
//! clone is a second handle to the same bytes.
//!
//! # Fault model
//! - **Power cut** ([`MemoryStore::power_cut`]): of each sector written since the last successful
//!   sync, the caller decides whether it holds the former durable bytes, the newest bytes, or a mix
//!   by eighths of 512 bytes. Versions between the two are never seen, eighths are never torn, and
//!   sectors that were not written since are never touched.
//! - **Failing operation** ([`MemoryStore::fail_nth`]): exactly one operation fails with `EIO`. A
//!   failed read, write or zeroing does nothing. A failed sync makes nothing durable, and what was
//!   waiting for it stays at the mercy of a power cut until it is written again and synced: a later
//!   sync does not bring it back.
//! - It never returns wrong bytes, never loses what a sync made durable, and never grows.

use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::file_store::check_end;
use super::store::Store;
use crate::units::{SECTOR_BYTES, count, index};

/// What a power cut leaves of a sector that was written since the last sync.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// The bytes as last synced.
    Lost,
    /// The newest bytes.
    Kept,
    /// The newest bytes where the bit of the eighth is set, from the lowest bit up; else the bytes
    /// as last synced.
    Torn(u8),
}

/// See the module's description.
#[derive(Clone, Debug)]
pub struct MemoryStore {
    inner: Arc<Mutex<Inner>>,
}

type Sector = Box<[u8]>;

#[derive(Debug, Default)]
struct Inner {
    bytes: u64,
    durable: BTreeMap<u64, Sector>,
    /// Newest bytes of sectors written since the last sync.
    live: BTreeMap<u64, Live>,
    operations: u64,
    syncs: u64,
    fail_at: Option<u64>,
}

#[derive(Debug)]
struct Live {
    sector: Sector,
    /// A sync of these bytes has failed.
    doomed: bool,
}

impl MemoryStore {
    /// A store of `bytes` zeroes.
    pub fn new(bytes: u64) -> MemoryStore {
        MemoryStore::of(Inner {
            bytes,
            ..Inner::default()
        })
    }

    fn of(inner: Inner) -> MemoryStore {
        MemoryStore {
            inner: Arc::new(Mutex::new(inner)),
        }
    }

    /// What another start of the machine finds if the power goes now: a new store, all of it
    /// durable. `fate` is asked once for each sector at stake, in ascending order. This store
    /// stays as it is, so that many cuts can be tried at the same point.
    #[must_use]
    pub fn power_cut(&self, fate: &mut dyn FnMut(u64) -> Fate) -> MemoryStore {
        let inner = self.lock();
        let mut durable = inner.durable.clone();
        for (at, live) in &inner.live {
            let kept = match fate(*at) {
                Fate::Lost => 0,
                Fate::Kept => u8::MAX,
                Fate::Torn(eighths) => eighths,
            };
            let sector = durable.entry(*at).or_insert_with(zeroes);
            let eighth = sector.len() / 8;
            for part in (0..8).filter(|part| kept & (1 << part) != 0) {
                let range = part * eighth..(part + 1) * eighth;
                sector[range.clone()].copy_from_slice(&live.sector[range]);
            }
        }
        MemoryStore::of(Inner {
            bytes: inner.bytes,
            durable,
            ..Inner::default()
        })
    }

    /// Lets the `n`-th operation from now on fail (1 is the next): reads, writes, zeroings and
    /// syncs count alike.
    pub fn fail_nth(&self, n: u64) {
        let mut inner = self.lock();
        inner.fail_at = Some(inner.operations + n);
    }

    /// Operations so far, failed ones included.
    pub fn operations(&self) -> u64 {
        self.lock().operations
    }

    /// Syncs so far, failed ones included.
    pub fn syncs(&self) -> u64 {
        self.lock().syncs
    }

    /// Sectors that a power cut would decide on.
    pub fn sectors_at_stake(&self) -> usize {
        self.lock().live.len()
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // A test that panicked elsewhere does not make the bytes wrong.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn begin(&mut self) -> io::Result<()> {
        self.operations += 1;
        if self.fail_at == Some(self.operations) {
            return Err(io::Error::from_raw_os_error(libc::EIO));
        }
        Ok(())
    }

    fn newest(&self, sector: u64) -> Option<&Sector> {
        match self.live.get(&sector) {
            Some(live) => Some(&live.sector),
            None => self.durable.get(&sector),
        }
    }

    /// Hands each touched sector's newest bytes to `change`, with the range in it and the range of
    /// the caller's bytes.
    fn change(
        &mut self,
        at: u64,
        bytes: u64,
        mut change: impl FnMut(&mut [u8], std::ops::Range<usize>),
    ) {
        for part in parts(at, bytes) {
            let mut sector = self.newest(part.sector).cloned().unwrap_or_else(zeroes);
            change(&mut sector[part.within], part.of_caller);
            let doomed = false;
            self.live.insert(part.sector, Live { sector, doomed });
        }
    }
}

/// One sector's share of a run of bytes.
struct Part {
    sector: u64,
    within: std::ops::Range<usize>,
    of_caller: std::ops::Range<usize>,
}

fn parts(at: u64, bytes: u64) -> impl Iterator<Item = Part> {
    let end = at + bytes;
    (at / SECTOR_BYTES..end.div_ceil(SECTOR_BYTES)).map(move |sector| {
        let start = sector * SECTOR_BYTES;
        let (from, upto) = (at.max(start), end.min(start + SECTOR_BYTES));
        Part {
            sector,
            within: index(from - start)..index(upto - start),
            of_caller: index(from - at)..index(upto - at),
        }
    })
}

fn zeroes() -> Sector {
    vec![0; index(SECTOR_BYTES)].into_boxed_slice()
}

impl Store for MemoryStore {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.lock().bytes)
    }

    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        let mut inner = self.lock();
        inner.begin()?;
        check_end(inner.bytes, at, count(into.len()))?;
        for part in parts(at, count(into.len())) {
            let target = &mut into[part.of_caller];
            match inner.newest(part.sector) {
                Some(sector) => target.copy_from_slice(&sector[part.within]),
                None => target.fill(0),
            }
        }
        Ok(())
    }

    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        let mut inner = self.lock();
        inner.begin()?;
        check_end(inner.bytes, at, count(from.len()))?;
        inner.change(at, count(from.len()), |sector, of_caller| {
            sector.copy_from_slice(&from[of_caller]);
        });
        Ok(())
    }

    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()> {
        let mut inner = self.lock();
        inner.begin()?;
        check_end(inner.bytes, at, bytes)?;
        inner.change(at, bytes, |sector, _| sector.fill(0));
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        let mut inner = self.lock();
        inner.syncs += 1;
        if let Err(error) = inner.begin() {
            inner.live.values_mut().for_each(|live| live.doomed = true);
            return Err(error);
        }
        let live = std::mem::take(&mut inner.live);
        for (at, live) in live {
            if live.doomed {
                inner.live.insert(at, live);
            } else {
                inner.durable.insert(at, live.sector);
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(store: &MemoryStore) -> Vec<u8> {
        let mut bytes = vec![0xee; index(store.bytes().expect("size"))];
        store.read_at(&mut bytes, 0).expect("read");
        bytes
    }

    proptest! {
        #[test]
        fn live_bytes_equal_those_of_an_array(
            operations in prop::collection::vec((0..5_u8, 0..20_000_u64, 0..9_000_u64, any::<u8>()), 1..20)
        ) {
            let store = MemoryStore::new(20_000);
            let mut plain = vec![0; 20_000];
            for (kind, at, bytes, value) in operations {
                let bytes = bytes.min(20_000 - at);
                let range = index(at)..index(at + bytes);
                match kind {
                    0 => store.sync().expect("sync"),
                    1 => {
                        store.zero_at(at, bytes).expect("zero");
                        plain[range].fill(0);
                    }
                    _ => {
                        store.write_at(&vec![value; index(bytes)], at).expect("write");
                        plain[range].fill(value);
                    }
                }
                prop_assert!(all(&store) == plain);
            }
        }
    }

    #[test]
    fn a_power_cut_decides_only_on_what_was_not_synced() {
        let store = MemoryStore::new(3 * SECTOR_BYTES);
        store.write_at(&[1; 3 * 4096], 0).expect("write");
        store.sync().expect("sync");
        store.write_at(&[2; 2 * 4096], 4096).expect("write");
        assert_eq!(store.sectors_at_stake(), 2);
        let mut asked = Vec::new();
        let after = store.power_cut(&mut |sector| {
            asked.push(sector);
            if sector == 1 {
                Fate::Torn(0b1000_0001)
            } else {
                Fate::Kept
            }
        });
        assert_eq!(asked, [1, 2]);
        let bytes = all(&after);
        let expected = |at: usize| match at {
            0..4096 | 4608..7680 => 1,
            _ => 2,
        };
        assert!(
            bytes
                .iter()
                .enumerate()
                .all(|(at, byte)| *byte == expected(at))
        );
        assert_eq!(after.sectors_at_stake(), 0);
        assert!(
            all(&store)[4096..].iter().all(|byte| *byte == 2),
            "the store itself goes on"
        );
    }

    #[test]
    fn exactly_the_nth_operation_fails() {
        let store = MemoryStore::new(SECTOR_BYTES);
        store.fail_nth(3);
        store.write_at(&[1; 4096], 0).expect("first");
        store.sync().expect("second");
        let failed = store.write_at(&[2; 4096], 0).expect_err("third");
        assert_eq!(failed.raw_os_error(), Some(libc::EIO));
        assert_eq!(all(&store), [1; 4096]);
        assert_eq!((store.operations(), store.syncs()), (4, 1));
    }

    #[test]
    fn a_failed_sync_is_not_made_good_by_the_next_one() {
        let store = MemoryStore::new(2 * SECTOR_BYTES);
        store.write_at(&[1; 8192], 0).expect("write");
        store.fail_nth(1);
        store.sync().expect_err("it fails");
        store.write_at(&[2; 4096], 4096).expect("write again");
        store.sync().expect("it works");
        let after = all(&store.power_cut(&mut |_| Fate::Lost));
        assert!(after[..4096].iter().all(|byte| *byte == 0));
        assert!(after[4096..].iter().all(|byte| *byte == 2));
    }

    #[test]
    fn nothing_lies_past_the_end() {
        let store = MemoryStore::new(SECTOR_BYTES);
        assert!(store.write_at(&[0; 2], 4095).is_err());
        assert!(store.zero_at(4096, 1).is_err());
        assert!(store.read_at(&mut [0; 1], 4096).is_err());
    }
}
