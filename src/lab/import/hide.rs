//! Owns how offsets are hidden: pieces of the drive change places, and nothing inside of a piece does.
//!
//! What lies in one piece stays together and in its order, so whatever depends on neighbours in a band
//! stays as it was; sizes and times stay. Who has the key and the size can turn it back.

use std::fmt;

use crate::lab::dice::Dice;
use crate::units::{count, index};

/// Most pieces of a drive.
pub(super) const PIECES_MAX: u64 = 1 << 24;

/// Decides which piece goes where. It undoes the hiding, so nothing shows it.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Key(u64);

impl Key {
    /// The key that is this number.
    pub fn new(number: u64) -> Key {
        Key(number)
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(not shown)")
    }
}

/// How offsets are hidden.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hide {
    /// Bytes of the traced drive.
    pub drive_bytes: u64,
    /// Bytes of a piece: about a band.
    pub piece_bytes: u64,
    /// Decides which piece goes where.
    pub key: Key,
}

/// The places of all pieces.
pub(super) struct Places {
    hide: Hide,
    places: Vec<u32>,
}

impl Places {
    /// `None` if there would be no piece, or too many.
    pub(super) fn new(hide: Hide) -> Option<Places> {
        let pieces = hide.drive_bytes.checked_div(hide.piece_bytes)?;
        if pieces == 0 || pieces > PIECES_MAX {
            return None;
        }
        let mut places: Vec<u32> = (0..u32::try_from(pieces).ok()?).collect();
        let mut dice = Dice::new(hide.key.0);
        for at in (1..places.len()).rev() {
            let other = dice.below(count(at) + 1);
            places.swap(at, index(other));
        }
        Some(Places { hide, places })
    }

    /// Where a request goes that began at `offset`; `None` beyond the drive. What follows the last
    /// whole piece stays where it is.
    pub(super) fn place(&self, offset: u64, bytes: u64) -> Option<u64> {
        let end = offset.checked_add(bytes)?;
        if end > self.hide.drive_bytes {
            return None;
        }
        let (piece, inside) = (
            offset / self.hide.piece_bytes,
            offset % self.hide.piece_bytes,
        );
        let place = self
            .places
            .get(index(piece))
            .map_or(piece, |p| u64::from(*p));
        let moved = place * self.hide.piece_bytes + inside;
        // One that goes on into the next piece may not end on the drive any more.
        Some(moved.min(self.hide.drive_bytes - bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const HIDE: Hide = Hide {
        drive_bytes: 1_000_500,
        piece_bytes: 1_000,
        key: Key(9),
    };

    #[test]
    fn pieces_change_places_and_keep_what_is_in_them() {
        let places = Places::new(HIDE).expect("a thousand pieces");
        let begins: BTreeSet<u64> = (0..1000)
            .map(|piece| {
                let begin = places.place(piece * 1000, 1).expect("on the drive");
                let inside = places.place(piece * 1000 + 700, 300).expect("on the drive");
                assert_eq!(inside, begin + 700);
                assert_eq!(begin % 1000, 0);
                begin / 1000
            })
            .collect();
        assert_eq!(begins, (0..1000).collect());
        let moved = (0..1000).filter(|piece| places.place(piece * 1000, 1) != Some(piece * 1000));
        assert!(moved.count() > 950);
    }

    #[test]
    fn nothing_leaves_the_drive() {
        let places = Places::new(HIDE).expect("a thousand pieces");
        assert_eq!(places.place(1_000_400, 200), None);
        assert_eq!(places.place(u64::MAX, 200), None);
        for offset in (0..998_000).step_by(777) {
            let moved = places.place(offset, 2_500).expect("on the drive");
            assert!(moved + 2_500 <= 1_000_500);
        }
        assert!(
            Places::new(Hide {
                piece_bytes: 0,
                ..HIDE
            })
            .is_none()
        );
        assert!(
            Places::new(Hide {
                drive_bytes: 999,
                ..HIDE
            })
            .is_none()
        );
    }

    #[test]
    fn a_key_is_not_shown() {
        let hide = Hide {
            key: Key::new(987_654_321),
            ..HIDE
        };
        let shown = format!("{hide:?} {hide:#?}");
        assert!(!shown.contains("987654321"), "{shown}");
    }
}
