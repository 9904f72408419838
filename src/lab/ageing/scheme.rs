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
    pub(super) merge: Merge,
    /// Bands cleaned so far: filling may do that, staging must not.
    pub(super) bands_cleaned: u64,
}

/// How far the next merge of the map is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Merge {
    /// Log entries between two.
    pub(super) every: u64,
    /// Log entries after which the drive merges; at least 1.
    pub(super) due: u64,
    /// The same as the next opening counts it, which knows of the entries since the map was written only,
    /// and this opening has written it: `due` or more, and `due` once the drive has merged.
    pub(super) counted: u64,
}

impl Merge {
    /// How many entries too many `entries` are for the next opening to count `wanted`; `None`: so few
    /// that no smaller number will do.
    fn surplus(self, entries: u64, wanted: u64) -> Option<u64> {
        // Once the drive has merged each number comes round; before that there is one at most.
        match entries.checked_sub(self.first_after(wanted)) {
            Some(more) => Some(more % self.every),
            None => entries.checked_sub(self.before(wanted)?),
        }
    }

    /// How many more than `entries` there have to be for the next opening to count `wanted`.
    fn lack(self, entries: u64, wanted: u64) -> u64 {
        let before = self.before(wanted);
        let first = self.first_after(wanted);
        match before.and_then(|before| before.checked_sub(entries)) {
            Some(lack) => lack,
            None if entries <= first => first - entries,
            None => (self.every - (entries - first) % self.every) % self.every,
        }
    }

    /// Entries before the drive merges after which `wanted` is counted.
    fn before(self, wanted: u64) -> Option<u64> {
        let entries = self.counted.checked_sub(wanted);
        entries.filter(|entries| *entries < self.due)
    }

    /// The fewest entries after which the drive has merged and `wanted` is counted.
    fn first_after(self, wanted: u64) -> u64 {
        self.due + self.every - wanted
    }
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
    /// Whether the next entry has to be one of twice the slots, with so many slots to go.
    pub(super) fn is_long(&self, slots_left: u64, merge: Merge) -> bool {
        let entries = slots_left / self.slots;
        self.entries_to_merge.is_some_and(|wanted| {
            let surplus = merge.surplus(entries, wanted);
            entries >= 2 && surplus.is_some_and(|surplus| surplus > 0)
        })
    }
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
    let every = start.merge.every;
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
    let to_merge = wanted.entries_to_merge;
    let more = to_merge.map_or(0, |wanted| start.merge.lack(entries, wanted));
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
    let possible = if 2 * slots_each <= start.entry_slots {
        entries / 2
    } else {
        0
    };
    let shorter = start.merge.surplus(entries, wanted);
    let shorter = shorter.filter(|shorter| *shorter <= possible);
    shorter.ok_or(AgeError::MergeOutOfReach {
        slots: entries * slots_each,
        wanted,
        fewest: entries - possible,
        most: entries,
    })
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
    use crate::units::count;

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
            merge: merge(8, 8),
            bands_cleaned: 0,
        }
    }

    fn merge(due: u64, counted: u64) -> Merge {
        let every = 8;
        Merge {
            every,
            due,
            counted,
        }
    }

    /// One entry more.
    fn counted_on(merge: Merge) -> Merge {
        let Merge {
            every,
            due,
            counted,
        } = merge;
        let (due, counted) = if due == 1 {
            (every, every)
        } else {
            (due - 1, counted - 1)
        };
        Merge {
            every,
            due,
            counted,
        }
    }

    /// Writes entries as a scheme says, by counting alone: slots in use, and after how many entries the
    /// next opening merges.
    fn carry_out(start: &Start, scheme: &Scheme) -> (u64, u64) {
        let (mut used, mut merge, mut written) = (start.slots_used, start.merge, 0);
        while scheme
            .slots_used
            .map_or(written < scheme.entries, |wanted| used < wanted)
        {
            let left = scheme
                .slots_used
                .map_or(scheme.entries - written, |wanted| wanted - used);
            let long = scheme.is_long(left, merge);
            used += scheme.slots * if long { 2 } else { 1 };
            written += 1;
            merge = counted_on(merge);
        }
        assert_eq!(written, scheme.entries);
        (used, merge.counted)
    }

    #[test]
    fn a_scheme_ends_where_it_says_or_names_what_is_in_the_way() {
        let mut reached = 0;
        for percent in [None, Some(0), Some(10), Some(50), Some(95), Some(100)] {
            for dirty in [None, Some(0), Some(1), Some(7), Some(30), Some(31)] {
                for to_merge in (0..=9).map(|n| (n > 0).then_some(n)) {
                    for (due, counted) in (1..=8).flat_map(|d| (d..=8).map(move |c| (d, c))) {
                        let mut start = start();
                        start.merge = merge(due, counted);
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
                        let (used, counted) = carry_out(&start, &scheme);
                        assert!(percent.is_none_or(|percent| used == 64 * percent / 100));
                        assert!(dirty.is_none_or(|dirty| scheme.bands == dirty));
                        assert!(to_merge.is_none_or(|wanted| counted == wanted));
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
        check(
            long,
            ask(Some(95), None, Some(3)),
            "60 more staging slots take 60 entries, and that many do not end 3 entries before",
        );
    }

    #[test]
    fn entries_too_many_and_too_few_for_a_merge_are_what_counting_one_by_one_finds() {
        for (due, counted) in (1..=8).flat_map(|due| (due..=8).map(move |c| (due, c))) {
            let mut after = vec![merge(due, counted)];
            for _ in 0..60 {
                after.push(counted_on(after[after.len() - 1]));
            }
            for (entries, wanted) in (0..40).flat_map(|n| (1..=8).map(move |w| (n, w))) {
                let is = |n: usize| after[n].counted == wanted;
                let start = after[0];
                let fewer = (0..=entries).find(|less| is(entries - less));
                let more = (0..20).find(|more| is(entries + more));
                let case = format!("{start:?}: {entries} entries, {wanted} wanted");
                let found = start.surplus(count(entries), wanted);
                assert_eq!(found, fewer.map(count), "{case}");
                let found = start.lack(count(entries), wanted);
                assert_eq!(Some(found), more.map(count), "{case}");
            }
        }
    }
}
