//! Owns how a drive is divided into ranges that figures are summed by: of equal width, its home bands,
//! or the structures of a list.
//!
//! Always holds: every byte of the drive belongs to one owner; what a list leaves out belongs to one
//! owner of its own, the last.

use super::structures::{NOT_LISTED, Structure};
use crate::medium::layout::Layout;
use crate::units::{HomeBand, count, index};

/// Most ranges of equal width.
pub const RANGES_MAX: u64 = 1 << 20;

/// Whom figures are summed by: an index into [`Ranges::owners`].
pub type OwnerId = usize;

/// A range, or all ranges of a structure.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Owner {
    /// What it is called, for people.
    pub name: String,
    /// First byte of the first of its ranges.
    pub start_bytes: u64,
    /// One past the last byte of the last of its ranges.
    pub end_bytes: u64,
    /// Bytes of all of them.
    pub bytes: u64,
}

/// A drive in ranges.
#[derive(Clone, Debug)]
pub struct Ranges {
    way: Way,
    owners: Vec<Owner>,
    capacity: u64,
}

#[derive(Clone, Debug)]
enum Way {
    Equal {
        width: u64,
    },
    /// Ends and owners, in ascending order, without a gap.
    Parts(Vec<(u64, OwnerId)>),
}

impl Ranges {
    /// Ranges of `width` bytes, the last perhaps shorter. Widened to keep their number below
    /// [`RANGES_MAX`].
    ///
    /// # Panics
    /// If the drive has no bytes.
    pub fn equal(capacity: u64, width: u64) -> Ranges {
        assert!(capacity > 0, "a drive holds something");
        let width = width.max(capacity.div_ceil(RANGES_MAX)).max(1);
        let starts = (0..capacity.div_ceil(width)).map(|i| i * width);
        let owners = starts.map(|start| {
            let end = (start + width).min(capacity);
            owner(format!("{start} to {end}"), (start, end))
        });
        Ranges {
            owners: owners.collect(),
            way: Way::Equal { width },
            capacity,
        }
    }

    /// The home bands of a drive.
    pub fn bands(layout: &Layout) -> Ranges {
        let capacity = layout.capacity().bytes();
        let extents = (0..layout.home_bands()).map(|band| layout.home_extent(HomeBand(band)));
        let (mut owners, mut parts) = (Vec::new(), Vec::new());
        for (band, extent) in extents.enumerate() {
            let start = extent.start.0 * crate::units::SECTOR_BYTES;
            let end = (start + extent.sectors.bytes()).min(capacity);
            parts.push((end, owners.len()));
            owners.push(owner(format!("band {band}"), (start, end)));
        }
        Ranges {
            way: Way::Parts(parts),
            owners,
            capacity,
        }
    }

    /// By structures, those of one name together; `layout`-independent. Parts beyond the drive are
    /// left out. The last owner is what the list does not name.
    pub fn listed(capacity: u64, structures: &[Structure]) -> Ranges {
        let mut owners: Vec<Owner> = Vec::new();
        let mut parts: Vec<(u64, OwnerId)> = Vec::new();
        let mut names = std::collections::BTreeMap::new();
        let mut gaps: Vec<(u64, u64)> = Vec::new();
        let mut at = 0;
        for structure in structures.iter().filter(|s| s.start < capacity) {
            let end = structure.end.min(capacity);
            let known = names.entry(structure.name.as_str());
            let id = *known.or_insert_with(|| {
                owners.push(owner(
                    structure.name.clone(),
                    (structure.start, structure.start),
                ));
                owners.len() - 1
            });
            owners[id].end_bytes = end;
            owners[id].bytes += end - structure.start;
            if structure.start > at {
                gaps.push((at, structure.start));
                parts.push((structure.start, OwnerId::MAX));
            }
            parts.push((end, id));
            at = end;
        }
        if at < capacity {
            gaps.push((at, capacity));
            parts.push((capacity, OwnerId::MAX));
        }
        let rest = owners.len();
        for (_, id) in parts.iter_mut().filter(|(_, id)| *id == OwnerId::MAX) {
            *id = rest;
        }
        let span = gaps.first().zip(gaps.last());
        let span = span.map_or((0, 0), |(first, last)| (first.0, last.1));
        let bytes = gaps.iter().map(|(start, end)| end - start).sum();
        owners.push(Owner {
            bytes,
            ..owner(NOT_LISTED.to_owned(), span)
        });
        Ranges {
            way: Way::Parts(parts),
            owners,
            capacity,
        }
    }

    /// Everyone that figures can be summed by.
    pub fn owners(&self) -> &[Owner] {
        &self.owners
    }

    /// Whose byte `offset` is; beyond the drive: whose its last byte is.
    pub fn at(&self, offset: u64) -> OwnerId {
        let offset = offset.min(self.capacity - 1);
        match &self.way {
            Way::Equal { width } => index(offset / width),
            Way::Parts(parts) => parts[parts.partition_point(|(end, _)| *end <= offset)].1,
        }
    }

    /// Hands `bytes` from `offset` on to `each`, part by part with whom it belongs to. What lies beyond
    /// the drive is left out.
    pub fn split(&self, offset: u64, bytes: u64, mut each: impl FnMut(OwnerId, u64)) {
        let end = offset.saturating_add(bytes).min(self.capacity);
        let mut at = offset;
        while at < end {
            let (owner, upto) = match &self.way {
                Way::Equal { width } => (index(at / width), (at / width + 1) * width),
                Way::Parts(parts) => {
                    let (upto, owner) = parts[parts.partition_point(|(end, _)| *end <= at)];
                    (owner, upto)
                }
            };
            let upto = upto.min(end);
            each(owner, upto - at);
            at = upto;
        }
    }

    /// How many owners there are.
    pub fn len(&self) -> u64 {
        count(self.owners.len())
    }

    /// Never: every drive has at least one.
    pub fn is_empty(&self) -> bool {
        self.owners.is_empty()
    }
}

fn owner(name: String, (start_bytes, end_bytes): (u64, u64)) -> Owner {
    Owner {
        name,
        start_bytes,
        end_bytes,
        bytes: end_bytes - start_bytes,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;
    use proptest::prelude::*;

    fn structure(start: u64, end: u64, name: &str) -> Structure {
        let name = name.to_owned();
        Structure { start, end, name }
    }

    #[test]
    fn structures_of_one_name_are_one_owner_and_gaps_another() {
        let list = [
            structure(10, 20, "a"),
            structure(20, 30, "b"),
            structure(40, 50, "a"),
            structure(90, 200, "c"),
        ];
        let ranges = Ranges::listed(100, &list);
        let seen: Vec<(&str, u64)> = ranges
            .owners()
            .iter()
            .map(|owner| (owner.name.as_str(), owner.bytes))
            .collect();
        assert_eq!(seen, [("a", 20), ("b", 10), ("c", 10), ("not listed", 60)]);
        let mut parts = Vec::new();
        ranges.split(15, 100, |owner, bytes| parts.push((owner, bytes)));
        let expected = [(0, 5), (1, 10), (3, 10), (0, 10), (3, 40), (2, 10)];
        assert_eq!(parts, expected);
    }

    #[test]
    fn home_bands_cover_the_drive() {
        let tiny = Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap();
        let layout = Layout::new(&tiny).unwrap();
        let ranges = Ranges::bands(&layout);
        let bytes: u64 = ranges.owners().iter().map(|owner| owner.bytes).sum();
        assert_eq!(bytes, tiny.drive.capacity_bytes);
        assert_eq!(ranges.len(), u64::from(layout.home_bands()));
        assert!(!ranges.is_empty());
    }

    proptest! {
        #[test]
        fn splitting_agrees_with_every_single_byte(
            cuts in prop::collection::btree_set(0..120_u64, 0..10),
            width in 1..130_u64,
            offset in 0..130_u64,
            bytes in 0..130_u64,
        ) {
            let cuts: Vec<u64> = cuts.into_iter().collect();
            let named = ["x", "y", "z"];
            let list: Vec<Structure> = cuts
                .chunks_exact(2)
                .enumerate()
                .map(|(i, pair)| structure(pair[0], pair[1], named[i % 3]))
                .collect();
            for ranges in [Ranges::listed(100, &list), Ranges::equal(100, width)] {
                let all: u64 = ranges.owners().iter().map(|owner| owner.bytes).sum();
                prop_assert_eq!(all, 100);
                let mut expected = vec![0; ranges.owners().len()];
                for byte in offset..(offset + bytes).min(100) {
                    expected[ranges.at(byte)] += 1;
                }
                let mut told = vec![0; expected.len()];
                ranges.split(offset, bytes, |owner, bytes| told[owner] += bytes);
                prop_assert_eq!(told, expected);
            }
        }
    }
}
