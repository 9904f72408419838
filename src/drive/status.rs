//! Owns what the drive tells about itself: where data lives, and a snapshot of its state.

use super::engine::Drive;
use super::request::{Status, Whereabouts};
use crate::extent::Extent;
use crate::time::Instant;
use crate::translation::state::Source;
use crate::units::{Lba, SECTOR_BYTES};

/// Most parts that one answer lists.
const PARTS_MAX: usize = 4096;

impl Drive {
    /// Where each part of a range of bytes lives, in order, without gaps; stops early after a few
    /// thousand parts. Empty only where the range is.
    pub fn whereabouts(&self, offset: u64, bytes: u64) -> Vec<(u64, Whereabouts)> {
        let end = offset
            .saturating_add(bytes)
            .min(self.profile.drive.capacity_bytes);
        let range = Extent::between(Lba(offset / SECTOR_BYTES), Lba(end.div_ceil(SECTOR_BYTES)));
        let mut parts: Vec<(u64, Whereabouts)> = Vec::new();
        let Some(range) = range.filter(|_| offset < end) else {
            return parts;
        };
        for (part, held) in self.cache.pieces(range) {
            let located = match held {
                Some(_) => vec![(part, Whereabouts::Cached)],
                None => self
                    .back
                    .locate(part)
                    .into_iter()
                    .map(|(p, source)| (p, word(source)))
                    .collect(),
            };
            for (part, place) in located {
                let from = (part.start.0 * SECTOR_BYTES).max(offset);
                let upto = (part.end().0 * SECTOR_BYTES).min(end);
                if let Some((length, last)) = parts.last_mut()
                    && *last == place
                {
                    *length += upto - from;
                } else if parts.len() == PARTS_MAX {
                    return parts;
                } else {
                    parts.push((upto - from, place));
                }
            }
        }
        parts
    }

    /// A snapshot of state and counters.
    pub fn status(&self, now: Instant) -> Status {
        let mut status = Status {
            at_ns: now.0,
            cached_bytes: self.cache.sectors().bytes(),
            counters: self.counters.clone(),
            ..Status::default()
        };
        if let (Some(translation), Some(staging)) = (self.back.translation(), &self.profile.staging)
        {
            let counts = translation.counts();
            status.staging_slots_used = translation.slots_used();
            status.staging_slots = staging.slots;
            status.extents_used = translation.extents_used();
            status.extents = staging.extents;
            status.dirty_bands = translation.dirty_bands();
            status.cleaning_band = translation.cleaning_band().map(|band| band.0);
            (status.sequence, status.map_sequence) = translation.sequences();
            status.entries_to_merge = translation.entries_to_merge();
            status.counters.entries = counts.entries;
            status.counters.merges = counts.merges;
            status.counters.bands_cleaned = counts.bands_cleaned;
        }
        status.counters = status.counters.plus(&self.base);
        status
    }
}

fn word(source: Source) -> Whereabouts {
    match source {
        Source::Home(_) => Whereabouts::Home,
        Source::Mapped(_) => Whereabouts::Staged,
        Source::Nowhere => Whereabouts::Nowhere,
    }
}
