//! Owns the arithmetic of ageing: which entries lead from the state that a drive is in to the one that
//! is wanted, or which number is in the way.
//!
//! Pure functions of numbers; it knows neither drives nor places. An entry has some pieces, each in a
//! band of its own, and takes a whole number of slots. Entries of twice the slots are used where a
//! merge of the map is to be a certain number of entries away: fewer entries for the same slots.

use super::condition::{AgeError, Wanted};

/// The state of a drive, and its limits.
#[derive(Clone, Copy, Debug)]
pub(super) struct Start {
    pub(super) slots: u64,
    pub(super) slots_used: u64,
    pub(super) extents_free: u64,
    /// Sectors of data that the staging area takes more.
    pub(super) sectors_free: u64,
    pub(super) dirty_bands: u64,
    /// Bands that can become dirty.
    pub(super) clean_bands: u64,
    /// Sectors of the smallest band.
    pub(super) band_sectors: u64,
    pub(super) slot_sectors: u64,
    /// Slots of the longest entry that is staged.
    pub(super) entry_slots: u64,
    /// Pieces that can share an entry.
    pub(super) entry_pieces: u64,
    pub(super) merge_every: u64,
    pub(super) entries_to_merge: u64,
    /// Bands cleaned so far: filling may do that, staging must not.
    pub(super) bands_cleaned: u64,
}

/// Entries to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Scheme {
    /// Slots in use at the end, where that was said.
    pub(super) slots_used: Option<u64>,
    /// Entries that lead there, if no slot is freed meanwhile.
    pub(super) entries: u64,
    /// Dirty bands at the end, where that was said.
    pub(super) dirty_bands: Option<u64>,
    /// Entries until the map is merged, at the end, where that was said.
    pub(super) entries_to_merge: Option<u64>,
    /// Clean bands to become dirty; 0: those that are dirty take more.
    pub(super) bands: u64,
    /// Pieces of an entry.
    pub(super) pieces: u64,
    /// Slots of an entry.
    pub(super) slots: u64,
    /// Sectors of a piece.
    pub(super) piece_sectors: u64,
    /// Sectors of the first piece of an entry of twice the slots.
    pub(super) long_sectors: u64,
    /// Sectors from one place for a piece to the next.
    pub(super) unit_sectors: u64,
}

impl Scheme {
    /// Whether the next entry has to be one of twice the slots, with so many slots to go and the map
    /// so many entries from its merge.
    pub(super) fn is_long(&self, slots_left: u64, entries_to_merge: u64, every: u64) -> bool {
        let entries = slots_left / self.slots;
        self.entries_to_merge.is_some_and(|wanted| {
            entries >= 2 && surplus(entries, entries_to_merge, wanted, every) > 0
        })
    }
}

/// How many entries too many `entries` are for the merge to be `wanted` away, when it is `now` away.
fn surplus(entries: u64, now: u64, wanted: u64, every: u64) -> u64 {
    // After `now` entries the map is merged, and then after each `every` of them.
    (every - now % every + entries + wanted) % every
}

/// How many pieces there are and where the slots go.
#[derive(Clone, Copy, Debug)]
struct Amounts {
    /// Slots to be used.
    slots: u64,
    /// Bands to become dirty, where that was said or follows.
    bands: Option<u64>,
    /// Slots of an entry.
    each: u64,
}

/// Which entries to write.
pub(super) fn scheme(start: &Start, wanted: &Wanted) -> Result<Scheme, AgeError> {
    let amounts = amounts(start, wanted)?;
    let entries = amounts.slots / amounts.each;
    let long = long_entries(start, wanted, entries, amounts.each)?;
    let written = entries - long;
    let bands = amounts
        .bands
        .unwrap_or_else(|| written.min(start.clean_bands));
    if bands > start.clean_bands {
        return Err(AgeError::TooFewBands {
            wanted: bands + start.dirty_bands,
            bands: start.clean_bands + start.dirty_bands,
        });
    }
    if (entries == 0) != (bands == 0) && !(bands == 0 && start.dirty_bands > 0) {
        let slots = amounts.slots;
        return Err(AgeError::Contradiction { slots, bands });
    }
    let pieces = bands.div_ceil(written.max(1)).max(1);
    if pieces > start.entry_pieces || (pieces > 1 && amounts.each > 1) {
        return Err(AgeError::TooFewSlots {
            bands,
            needed: bands.div_ceil(start.entry_pieces),
            each: start.entry_pieces,
            slots: amounts.slots,
        });
    }
    let slot = start.slot_sectors;
    let (piece_sectors, long_sectors) = match amounts.each {
        1 => (1, slot + 1),
        each => (each * slot, 2 * each * slot),
    };
    let scheme = Scheme {
        slots_used: (wanted.staging_percent).map(|_| start.slots_used + entries * amounts.each),
        entries: written,
        dirty_bands: wanted.dirty_bands,
        entries_to_merge: wanted.entries_to_merge,
        bands,
        pieces,
        slots: amounts.each,
        piece_sectors,
        long_sectors,
        unit_sectors: if long > 0 {
            long_sectors
        } else {
            piece_sectors
        },
    };
    check_room(start, &scheme, long)?;
    Ok(scheme)
}

fn amounts(start: &Start, wanted: &Wanted) -> Result<Amounts, AgeError> {
    let every = start.merge_every;
    if let Some(wanted) = wanted.entries_to_merge.filter(|w| !(1..=every).contains(w)) {
        return Err(AgeError::MergeTooFar { wanted, every });
    }
    let bands = match wanted.dirty_bands {
        None => None,
        Some(wanted) if wanted < start.dirty_bands => {
            let dirty = start.dirty_bands;
            return Err(AgeError::DirtyAlready { wanted, dirty });
        }
        Some(wanted) => Some(wanted - start.dirty_bands),
    };
    let Some(percent) = wanted.staging_percent else {
        let slots = fewest_slots(start, wanted, bands.unwrap_or(0))?;
        let each = 1;
        return Ok(Amounts { slots, bands, each });
    };
    let all = start.slots * percent / 100;
    let Some(slots) = all.checked_sub(start.slots_used) else {
        return Err(AgeError::StagedAlready {
            wanted: all,
            used: start.slots_used,
        });
    };
    // One extent for each entry, and larger entries where these do not suffice.
    let each = slots.div_ceil(start.extents_free.max(1)).max(1);
    if each > start.entry_slots || (slots > 0 && start.extents_free == 0) {
        return Err(AgeError::TooFewExtents {
            slots,
            needed: slots.div_ceil(start.entry_slots),
            free: start.extents_free,
        });
    }
    Ok(Amounts { slots, bands, each })
}

/// Where nothing was said of slots: as few as make the bands dirty and leave the merge where it should
/// be.
fn fewest_slots(start: &Start, wanted: &Wanted, bands: u64) -> Result<u64, AgeError> {
    let free = start.slots - start.slots_used;
    let pieces = bands.div_ceil(free.max(1)).max(1);
    let entries = bands.div_ceil(pieces);
    let more = wanted.entries_to_merge.map_or(0, |wanted| {
        let every = start.merge_every;
        let over = surplus(entries, start.entries_to_merge, wanted, every);
        (every - over) % every
    });
    if entries + more > free {
        return Err(AgeError::TooFewSlots {
            bands,
            needed: entries + more,
            each: start.entry_pieces,
            slots: free,
        });
    }
    Ok(entries + more)
}

/// How many of the entries have to be replaced, two by one of twice the slots.
fn long_entries(
    start: &Start,
    wanted: &Wanted,
    entries: u64,
    slots_each: u64,
) -> Result<u64, AgeError> {
    let Some(wanted) = wanted.entries_to_merge else {
        return Ok(0);
    };
    let shorter = surplus(entries, start.entries_to_merge, wanted, start.merge_every);
    let possible = if 2 * slots_each <= start.entry_slots {
        entries / 2
    } else {
        0
    };
    if shorter > possible {
        return Err(AgeError::MergeOutOfReach {
            slots: entries * slots_each,
            wanted,
            shorter,
            possible,
        });
    }
    Ok(shorter)
}

fn check_room(start: &Start, scheme: &Scheme, long: u64) -> Result<(), AgeError> {
    let all = scheme.entries * scheme.pieces;
    let slots = (scheme.entries + long) * scheme.slots;
    if all > start.extents_free {
        return Err(AgeError::TooFewExtents {
            slots,
            needed: all,
            free: start.extents_free,
        });
    }
    let sectors = all * scheme.piece_sectors + long * (scheme.long_sectors - scheme.piece_sectors);
    if sectors > start.sectors_free {
        return Err(AgeError::TooFewBytes {
            slots,
            needed: sectors,
            limit: start.sectors_free,
        });
    }
    let bands = if scheme.bands > 0 {
        scheme.bands
    } else {
        start.dirty_bands
    };
    let room = start.band_sectors / scheme.unit_sectors;
    if bands > 0 && all.div_ceil(bands) > room {
        return Err(AgeError::BandsTooSmall {
            bands,
            pieces: all,
            sectors: scheme.unit_sectors,
            room,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn start() -> Start {
        Start {
            slots: 64,
            slots_used: 0,
            extents_free: 126,
            sectors_free: 512,
            dirty_bands: 0,
            clean_bands: 30,
            band_sectors: 48,
            slot_sectors: 8,
            entry_slots: 2,
            entry_pieces: 8,
            merge_every: 8,
            entries_to_merge: 8,
            bands_cleaned: 0,
        }
    }

    /// Writes entries as a scheme says, by counting alone.
    fn carry_out(start: &Start, scheme: &Scheme) -> (u64, u64) {
        let (mut used, mut to_merge, mut written) = (start.slots_used, start.entries_to_merge, 0);
        while scheme
            .slots_used
            .map_or(written < scheme.entries, |wanted| used < wanted)
        {
            let left = scheme
                .slots_used
                .map_or(scheme.entries - written, |wanted| wanted - used);
            let long = scheme.is_long(left, to_merge, start.merge_every);
            used += scheme.slots * if long { 2 } else { 1 };
            written += 1;
            to_merge -= 1;
            if to_merge == 0 {
                to_merge = start.merge_every;
            }
        }
        assert_eq!(written, scheme.entries);
        (used, to_merge)
    }

    #[test]
    fn a_scheme_ends_where_it_says_or_names_what_is_in_the_way() {
        let mut reached = 0;
        for percent in [None, Some(0), Some(10), Some(50), Some(95), Some(100)] {
            for dirty in [None, Some(0), Some(1), Some(7), Some(30), Some(31)] {
                for to_merge in (0..=9).map(|n| (n > 0).then_some(n)) {
                    for now in 1..=8 {
                        let mut start = start();
                        start.entries_to_merge = now;
                        let wanted = Wanted {
                            staging_percent: percent,
                            dirty_bands: dirty,
                            entries_to_merge: to_merge,
                            ..Wanted::default()
                        };
                        let Ok(scheme) = scheme(&start, &wanted) else {
                            continue;
                        };
                        reached += 1;
                        let (used, merge) = carry_out(&start, &scheme);
                        assert!(percent.is_none_or(|percent| used == 64 * percent / 100));
                        assert!(dirty.is_none_or(|dirty| scheme.bands == dirty));
                        assert!(to_merge.is_none_or(|wanted| merge == wanted));
                    }
                }
            }
        }
        assert!(reached > 500, "only {reached} can be reached");
    }

    #[test]
    fn each_limit_is_named_with_its_numbers() {
        let ask = |percent, dirty, to_merge| Wanted {
            staging_percent: percent,
            dirty_bands: dirty,
            entries_to_merge: to_merge,
            ..Wanted::default()
        };
        let check = |start: Start, wanted: Wanted, words: &str| {
            let error = scheme(&start, &wanted).expect_err("it is in the way");
            assert!(error.to_string().contains(words), "{error}");
        };
        check(start(), ask(None, Some(31), None), "the drive has 30");
        check(start(), ask(None, None, Some(9)), "every 8 entries");
        check(start(), ask(Some(0), Some(3), None), "0 more staging slots");
        check(start(), ask(Some(95), Some(1), None), "1 band to take 60");
        check(
            start(),
            ask(Some(2), Some(30), None),
            "at least 4 staging slots",
        );
        let dirty = Start {
            dirty_bands: 5,
            slots_used: 20,
            ..start()
        };
        check(dirty, ask(None, Some(3), None), "5 bands dirty already");
        check(
            dirty,
            ask(Some(10), None, None),
            "20 staging slots are in use",
        );
        let few_extents = Start {
            extents_free: 20,
            ..start()
        };
        check(
            few_extents,
            ask(Some(95), None, None),
            "at least 30 extents",
        );
        let few_bytes = Start {
            sectors_free: 40,
            ..start()
        };
        check(few_bytes, ask(Some(95), None, None), "takes 40 more");
        let long = Start {
            entry_slots: 1,
            ..start()
        };
        check(long, ask(Some(95), None, Some(3)), "two slots each");
    }
}
