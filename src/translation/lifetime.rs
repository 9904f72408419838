//! Owns what is counted from the making of an image on, as its map keeps it.
//!
//! Always holds: it follows from the changes alone, so that recovery counts what operation counted.
//! What a power cut took away was never counted by anyone.

use super::change::Change;
use crate::units::Sectors;

/// Counts since the image was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lifetime {
    /// Log entries.
    pub entries: u64,
    /// Sectors of the host in them.
    pub staged: Sectors,
    /// Bands that were given a new home: by cleaning, or by the host, which wrote all of one in sequence.
    pub bands_renewed: u64,
    /// Sectors of these homes.
    pub rewritten: Sectors,
}

impl Lifetime {
    /// Counts a change. An image may claim anything, so nothing here can overflow.
    pub fn count(&mut self, change: &Change) {
        let more = |sectors: &mut Sectors, by: u64| sectors.0 = sectors.0.saturating_add(by);
        match change {
            Change::Stage { extents, .. } => {
                self.entries = self.entries.saturating_add(1);
                for extent in extents {
                    more(&mut self.staged, extent.sectors.0);
                }
            }
            Change::Cleaned { written, .. } => {
                self.bands_renewed = self.bands_renewed.saturating_add(1);
                more(&mut self.rewritten, written.0);
            }
            Change::Append { .. } | Change::Divert { .. } | Change::Trim { .. } => {}
        }
    }
}
