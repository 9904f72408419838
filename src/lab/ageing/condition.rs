//! Owns the words of ageing: the condition that is wanted, the one that was reached, and what is in
//! the way of it, with the numbers.

use crate::medium::mover::MoverError;
use crate::units::counted;

/// The condition that an image is to be in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Start of everything that looks random.
    pub seed: u64,
    /// Share of the home bands that hold data, in percent.
    pub filled_percent: Option<u64>,
    /// Which bands are filled for that.
    pub order: FillOrder,
    /// Share of the staging area's slots in use, in percent.
    pub staging_percent: Option<u64>,
    /// Bands with staged sectors.
    pub dirty_bands: Option<u64>,
    /// Log entries after which the map is merged, as the next opening counts.
    pub entries_to_merge: Option<u64>,
}

impl Wanted {
    /// Whether it takes a staging area or a map to be in this condition.
    pub fn stages(&self) -> bool {
        self.staging_percent.is_some()
            || self.dirty_bands.is_some()
            || self.entries_to_merge.is_some()
    }
}

/// Which bands are filled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FillOrder {
    /// From the first address on.
    #[default]
    Sequential,
    /// Here and there, in no order.
    Scattered,
}

/// The condition that an image was brought to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Reached {
    /// Bands that hold data.
    pub filled_bands: u64,
    /// Bands that there are for the host's data.
    pub home_bands: u64,
    /// Log slots in use.
    pub staging_slots_used: u64,
    /// Log slots there are.
    pub staging_slots: u64,
    /// Map extents in use.
    pub extents_used: u64,
    /// Map extents allowed.
    pub extents: u64,
    /// Bands with staged sectors.
    pub dirty_bands: u64,
    /// Log entries after which the map is merged, as the next opening counts.
    pub entries_to_merge: u64,
    /// Requests that it took.
    pub requests: u64,
    /// Nanoseconds of the drive's time that it took.
    pub model_ns: u64,
}

/// Why an image was not brought to the condition.
#[derive(Debug, thiserror::Error)]
pub enum AgeError {
    /// Nothing to age.
    #[error(
        "a conventional drive stages nothing and keeps no map, so there is no condition to bring it to"
    )]
    Conventional,
    /// Bands that hold data cannot be emptied.
    #[error(
        "{wanted} % of {home_bands} bands are {wanted_bands}, and {filled_bands} hold data already: ageing takes nothing away, ask for more or make a new image"
    )]
    FilledAlready {
        /// Share asked for.
        wanted: u64,
        /// In bands.
        wanted_bands: u64,
        /// Bands that hold data.
        filled_bands: u64,
        /// Bands in all.
        home_bands: u64,
    },
    /// More slots in use than wanted.
    #[error(
        "{used} staging slots are in use already, and {wanted} are asked for: the drive has nothing more to clean by itself, ask for more or make a new image"
    )]
    StagedAlready {
        /// Slots asked for.
        wanted: u64,
        /// Slots in use.
        used: u64,
    },
    /// More bands dirty than wanted.
    #[error(
        "{} dirty already, and {wanted} asked for: the drive has nothing more to clean by itself, ask for more or make a new image",
        counted(*.dirty, "band")
    )]
    DirtyAlready {
        /// Bands asked for.
        wanted: u64,
        /// Dirty bands.
        dirty: u64,
    },
    /// More bands than there are.
    #[error("{wanted} dirty bands are asked for, and the drive has {bands} that can become dirty")]
    TooFewBands {
        /// Bands asked for.
        wanted: u64,
        /// Bands there are.
        bands: u64,
    },
    /// Too few entries for so many bands.
    #[error(
        "{bands} dirty bands take at least {needed} staging slots (of {each} pieces at most), and {slots} are asked for or free"
    )]
    TooFewSlots {
        /// Bands to become dirty.
        bands: u64,
        /// Slots needed.
        needed: u64,
        /// Pieces of a slot.
        each: u64,
        /// Slots to be used.
        slots: u64,
    },
    /// No slot to be used, and bands to become dirty, or the other way round.
    #[error(
        "{slots} more staging slots in use and {bands} more dirty bands do not go together: ask for both or neither"
    )]
    Contradiction {
        /// Slots to be used.
        slots: u64,
        /// Bands to become dirty.
        bands: u64,
    },
    /// The map is full first.
    #[error(
        "{slots} staging slots take at least {needed} extents of the map with the largest entries there are, and {free} are free"
    )]
    TooFewExtents {
        /// Slots to be used.
        slots: u64,
        /// Extents needed.
        needed: u64,
        /// Extents left.
        free: u64,
    },
    /// The limit of the staging area in bytes comes first.
    #[error(
        "{slots} staging slots would hold {needed} sectors of data, and the staging area takes {limit} more"
    )]
    TooFewBytes {
        /// Slots to be used.
        slots: u64,
        /// Sectors of data.
        needed: u64,
        /// Sectors that it takes.
        limit: u64,
    },
    /// The chosen bands are too small.
    #[error(
        "{} to take {pieces} pieces of {sectors} sectors, and the smallest has room for {room}: ask for more dirty bands or a smaller share of the staging area",
        counted(*.bands, "band")
    )]
    BandsTooSmall {
        /// Bands that share the pieces.
        bands: u64,
        /// Pieces in all.
        pieces: u64,
        /// Sectors of a piece.
        sectors: u64,
        /// Pieces for which the smallest band has room.
        room: u64,
    },
    /// Not a number of entries before a merge.
    #[error("the map is merged every {every} entries: ask for 1 to {every}, not {wanted}")]
    MergeTooFar {
        /// Entries asked for.
        wanted: u64,
        /// Entries between two merges.
        every: u64,
    },
    /// The number of entries cannot be reached with so many slots.
    #[error(
        "{slots} more staging slots take {}, and that many do not end {wanted} entries before a merge of the map; leave one of the two out or change it by a few",
        entries(*.fewest, *.most)
    )]
    MergeOutOfReach {
        /// Slots to be used.
        slots: u64,
        /// Entries asked for.
        wanted: u64,
        /// Fewest entries that take so many slots.
        fewest: u64,
        /// Most entries that do.
        most: u64,
    },
    /// The image failed.
    #[error("the image failed while its drive was run: {0}")]
    Mover(#[from] MoverError),
    /// The image could not be synced.
    #[error("the image cannot be synced")]
    Sync(#[source] std::io::Error),
    /// The drive stopped: a defect of imbrex.
    #[error("the drive stopped: {why}")]
    Stopped {
        /// Its account.
        why: String,
    },
    /// The drive did something else than was foreseen.
    #[error(
        "the drive came to another condition than was asked for: {slots} slots in use (wanted {wanted_slots}), {dirty} dirty bands (wanted {wanted_dirty}), a merge in {entries} entries (wanted {wanted_entries}); its staging area may have no room for this"
    )]
    Missed {
        /// Slots in use.
        slots: u64,
        /// Slots foreseen.
        wanted_slots: u64,
        /// Dirty bands.
        dirty: u64,
        /// Dirty bands foreseen.
        wanted_dirty: u64,
        /// Entries until the map is merged.
        entries: u64,
        /// Entries foreseen.
        wanted_entries: u64,
    },
}

/// So many entries, or from so many to so many.
fn entries(fewest: u64, most: u64) -> String {
    if fewest == most {
        counted(most, "entry")
    } else {
        format!("{fewest} to {most} entries")
    }
}
