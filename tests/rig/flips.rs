//! Bits that flip in the metadata of an image at rest. Whatever flips, what the drive says to hold is
//! what it held: the damage is refused, or told, or of no consequence.
//!
//! One case is left out, as in `docs/cli.md`: a record at the very end of the journal, which no later
//! one vouches for, looks the same damaged or torn by a power cut, and is dropped with a remark.

use imbrex::image::{check, open};
use imbrex::medium::layout::Layout;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::store::Store;

use imbrex::units::Pba;

use super::Rig;
use super::run::Dice;

const SECTOR: usize = 4096;

/// Sectors that hold metadata, and something in it.
fn metadata(store: &MemoryStore, layout: &Layout) -> Vec<u64> {
    let halves = [0, 1].map(|half| layout.band(layout.map_half(half)).extent());
    let areas = [layout.system(), layout.journal(), halves[0], halves[1]];
    let sectors = areas
        .into_iter()
        .flat_map(|area| area.start.0..area.end().0);
    let used = |at: &u64| sector(store, *at).iter().any(|byte| *byte != 0);
    sectors.filter(used).collect()
}

fn sector(store: &MemoryStore, at: u64) -> Vec<u8> {
    let mut bytes = vec![0; SECTOR];
    store.read_at(&mut bytes, at * 4096).unwrap();
    bytes
}

/// What is said of a comparison that fails.
struct ToldOnPanic(String);

impl Drop for ToldOnPanic {
    fn drop(&mut self) {
        if std::thread::panicking() {
            println!("{}", self.0);
        }
    }
}

impl Rig {
    /// Takes the image as it would be found now, flips a bit of it that the dice choose, and opens
    /// it. This rig stays as it is.
    pub(crate) fn flip_a_bit(&mut self, dice: &mut Dice) {
        let Some(translation) = self.opened.drive.translation() else {
            return;
        };
        let layout = translation.layout().clone();
        let store = self.store.power_cut(&mut |_| Fate::Kept);
        let before = open::open(&store, false).unwrap().report;
        let sectors = metadata(&store, &layout);
        let many = u64::try_from(sectors.len()).unwrap();
        let at = sectors[usize::try_from(dice.below(many)).unwrap()];
        let mut bytes = sector(&store, at);
        // Half of them where records begin.
        let within = if dice.one_in(2) { 128 } else { 4096 };
        let byte = usize::try_from(dice.below(within)).unwrap();
        bytes[byte] ^= 1 << dice.below(8);
        store.write_at(&bytes, at * 4096).unwrap();
        store.sync().unwrap();
        let checked = check::check(&store, None);
        let opened = open::open(&store, false);
        assert_eq!(store.sectors_at_stake(), 0, "looking writes nothing");
        let what = match (checked, opened) {
            (Err(_), Err(_)) => "bit flips refused",
            (Ok(_), Ok(opened))
                if layout.journal().contains(Pba(at))
                    && opened.report.sequence < before.sequence =>
            {
                "bit flips like a torn tail"
            }
            (Ok(checked), Ok(opened)) => {
                let report = &opened.report;
                let _told = ToldOnPanic(format!("bit of byte {byte} of sector {at}: {report:?}"));
                self.with_store(store).compare();
                if checked.is_clean() {
                    "bit flips without consequence"
                } else {
                    "bit flips told"
                }
            }
            (checked, opened) => panic!("bit {byte} of {at}: {checked:?}, {:?}", opened.err()),
        };
        self.tally.add(what, 1);
    }
}
