//! What each sector of 4096 bytes may hold, were the power to fail now.
//!
//! A sector is eight blocks of 512 bytes and each block carries a pattern made of its address and of
//! the version of the write it came from; version 0 is zeroes. The ledger keeps for each sector the
//! states it went through since the newest one that was promised to be durable: after a power cut it
//! holds exactly one of these, as a whole. What was found after a power cut is durable from then on.
//!
//! A sector has one writer at a time, so its states have an order; that is the caller's part.

use std::ops::Range;

pub(crate) const SECTOR_BYTES: usize = 4096;
pub(crate) const BLOCK_BYTES: usize = 512;
const BLOCKS: usize = SECTOR_BYTES / BLOCK_BYTES;
const WORD_BYTES: usize = 8;

/// Versions of the blocks of a sector.
type State = [u64; BLOCKS];

/// A sector.
struct Sector {
    /// From the newest durable state to the newest one that was asked for; never empty.
    states: Vec<State>,
    /// How many states came before the first of these.
    forgotten: u64,
    /// Number of the newest acknowledged state.
    acknowledged: u64,
}

/// All sectors that are written to.
pub(crate) struct Ledger {
    sectors: Vec<Sector>,
    versions: u64,
}

/// What was acknowledged at some moment.
pub(crate) struct Snapshot(Vec<u64>);

impl Ledger {
    /// Of a new drive, all zeroes.
    pub(crate) fn new(sectors: usize) -> Ledger {
        let sector = || Sector {
            states: vec![[0; BLOCKS]],
            forgotten: 0,
            acknowledged: 0,
        };
        Ledger {
            sectors: (0..sectors).map(|_| sector()).collect(),
            versions: 0,
        }
    }

    /// Notes that a range of blocks is about to be written, and returns what to write.
    pub(crate) fn write(&mut self, blocks: Range<usize>) -> Vec<u8> {
        self.versions += 1;
        let version = self.versions;
        self.change(blocks.clone(), version);
        blocks.flat_map(|block| pattern(block, version)).collect()
    }

    /// Notes that a range of blocks is about to be zeroed or trimmed.
    pub(crate) fn clear(&mut self, blocks: Range<usize>) {
        self.change(blocks, 0);
    }

    fn change(&mut self, blocks: Range<usize>, version: u64) {
        for index in sectors_of(&blocks) {
            let sector = &mut self.sectors[index];
            let mut state = *sector.states.last().expect("never empty");
            for (number, block) in state.iter_mut().enumerate() {
                if blocks.contains(&(index * BLOCKS + number)) {
                    *block = version;
                }
            }
            sector.states.push(state);
        }
    }

    /// The newest change of each of these sectors was acknowledged; `durable`: with that promise.
    pub(crate) fn acknowledge(&mut self, blocks: &Range<usize>, durable: bool) {
        for index in sectors_of(blocks) {
            let sector = &mut self.sectors[index];
            sector.acknowledged = sector.newest();
            if durable {
                sector.promise(sector.acknowledged);
            }
        }
    }

    /// What a flush that is sent now promises once it is answered.
    pub(crate) fn before_flush(&self) -> Snapshot {
        Snapshot(
            self.sectors
                .iter()
                .map(|sector| sector.acknowledged)
                .collect(),
        )
    }

    pub(crate) fn flushed(&mut self, snapshot: &Snapshot) {
        for (sector, number) in self.sectors.iter_mut().zip(&snapshot.0) {
            sector.promise(*number);
        }
    }

    /// Insists that a running drive shows the newest state.
    pub(crate) fn expect_newest(&self, first_sector: usize, bytes: &[u8]) {
        for (index, found) in (first_sector..).zip(bytes.chunks(SECTOR_BYTES)) {
            let newest = self.sectors[index].states.last().expect("never empty");
            assert!(
                found == content(index, newest),
                "while it ran, sector {index} showed {}, not the newest of {:?}",
                describe(index, found),
                self.sectors[index].states
            );
        }
    }

    /// Insists that after a power cut a sector holds one of its states; that one is durable now.
    pub(crate) fn after_cut(&mut self, index: usize, found: &[u8]) {
        let sector = &mut self.sectors[index];
        let state = sector
            .states
            .iter()
            .rev()
            .find(|state| found == content(index, state));
        let Some(state) = state.copied() else {
            panic!(
                "after the power cut sector {index} holds {}; what was promised or asked for later is \
                 one of {:?}",
                describe(index, found),
                sector.states
            );
        };
        sector.forgotten = sector.newest() + 1;
        sector.acknowledged = sector.forgotten;
        sector.states = vec![state];
    }

    /// States that a power cut now could bring back, over all sectors: how much there is to lose.
    pub(crate) fn undecided(&self) -> usize {
        self.sectors
            .iter()
            .map(|sector| sector.states.len() - 1)
            .sum()
    }
}

impl Sector {
    fn newest(&self) -> u64 {
        self.forgotten + u64::try_from(self.states.len() - 1).expect("few")
    }

    /// State `number` is durable: none before it can come back.
    fn promise(&mut self, number: u64) {
        if let Some(older) = number.checked_sub(self.forgotten) {
            self.states.drain(..usize::try_from(older).expect("few"));
            self.forgotten = number;
        }
    }
}

/// Sectors that a range of blocks touches.
fn sectors_of(blocks: &Range<usize>) -> Range<usize> {
    blocks.start / BLOCKS..blocks.end.div_ceil(BLOCKS)
}

/// The bytes of a block: its address and version over and over, or zeroes.
fn pattern(block: usize, version: u64) -> [u8; BLOCK_BYTES] {
    let mut bytes = [0; BLOCK_BYTES];
    if version > 0 {
        let address = u64::try_from(block).expect("64-bit host");
        for (turn, word) in bytes.chunks_mut(WORD_BYTES).enumerate() {
            let value = if turn % 2 == 0 { address } else { version };
            word.copy_from_slice(&value.to_le_bytes());
        }
    }
    bytes
}

fn content(sector: usize, state: &State) -> Vec<u8> {
    let blocks = state.iter().enumerate();
    blocks
        .flat_map(|(number, version)| pattern(sector * BLOCKS + number, *version))
        .collect()
}

/// Versions found, or what else is there, for people.
fn describe(sector: usize, found: &[u8]) -> String {
    let blocks = found
        .chunks(BLOCK_BYTES)
        .enumerate()
        .map(|(number, block)| {
            let word = |at: usize| {
                let word = block[at * WORD_BYTES..][..WORD_BYTES].try_into();
                u64::from_le_bytes(word.expect("eight bytes"))
            };
            if block == pattern(sector * BLOCKS + number, word(1)) {
                format!("{}", word(1))
            } else {
                format!("{:#x}/{:#x}..", word(0), word(1))
            }
        });
    format!("[{}]", blocks.collect::<Vec<_>>().join(", "))
}

mod tests {
    use super::*;

    #[test]
    fn the_ledger_forgets_what_a_flush_left_behind_and_nothing_else() {
        let mut ledger = Ledger::new(2);
        let first = ledger.write(0..8);
        ledger.acknowledge(&(0..8), false);
        let snapshot = ledger.before_flush();
        let second = ledger.write(8..12);
        ledger.flushed(&snapshot);
        assert_eq!(ledger.undecided(), 1);
        ledger.after_cut(0, &first);
        let mut whole = second;
        whole.resize(SECTOR_BYTES, 0);
        ledger.after_cut(1, &whole);
        assert_eq!(ledger.undecided(), 0);
    }

    #[test]
    #[should_panic(expected = "after the power cut sector 0 holds")]
    fn the_ledger_refuses_a_state_from_before_the_flush() {
        let mut ledger = Ledger::new(1);
        ledger.write(0..8);
        ledger.acknowledge(&(0..8), true);
        ledger.after_cut(0, &[0; SECTOR_BYTES]);
    }

    #[test]
    #[should_panic(expected = "after the power cut sector 0 holds")]
    fn the_ledger_refuses_a_torn_sector() {
        let mut ledger = Ledger::new(1);
        let mut torn = ledger.write(0..8);
        torn[SECTOR_BYTES / 2..].fill(0);
        ledger.after_cut(0, &torn);
    }
}
