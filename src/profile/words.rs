//! Owns the words that a profile uses for its closed choices, in both directions.
//!
//! Each table lists every variant once. Nothing here knows which key takes which word.

use crate::profile::{BandChoice, CleaningStep, CleaningStyle, Personality, Place, QueueOrder};

/// Words and what they stand for.
pub(crate) type Words<T> = [(&'static str, T)];

pub(super) const PERSONALITY: &Words<Personality> = &[
    ("drive-managed", Personality::DriveManaged),
    ("conventional", Personality::Conventional),
];
pub(super) const QUEUE_ORDER: &Words<QueueOrder> = &[
    ("arrival", QueueOrder::Arrival),
    ("nearest", QueueOrder::Nearest),
    ("elevator", QueueOrder::Elevator),
];
pub(super) const PLACE: &Words<Place> = &[
    ("outer", Place::Outer),
    ("middle", Place::Middle),
    ("inner", Place::Inner),
];
pub(super) const STYLE: &Words<CleaningStyle> = &[
    ("aggressive", CleaningStyle::Aggressive),
    ("lazy", CleaningStyle::Lazy),
];
pub(super) const CHOICE: &Words<BandChoice> = &[
    ("oldest", BandChoice::Oldest),
    ("fullest", BandChoice::Fullest),
    ("ascending", BandChoice::Ascending),
];
pub(super) const STEP: &Words<CleaningStep> =
    &[("track", CleaningStep::Track), ("band", CleaningStep::Band)];
/// Whether zeroing that may deallocate is a discard.
pub(super) const ZEROES: &Words<bool> = &[("write", false), ("deallocate", true)];

/// What a staging area is made of, before its own keys are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum StagingKind {
    Disk,
    Flash,
}

pub(super) const STAGING_KIND: &Words<StagingKind> =
    &[("disk", StagingKind::Disk), ("flash", StagingKind::Flash)];

/// Where staging tracks lie, before the number of regions is read: `None` is spread.
pub(super) const STAGING_PLACE: &Words<Option<Place>> = &[
    ("outer", Some(Place::Outer)),
    ("middle", Some(Place::Middle)),
    ("inner", Some(Place::Inner)),
    ("spread", None),
];

/// The words of a table alone.
pub(crate) fn list<T>(table: &Words<T>) -> Vec<&'static str> {
    table.iter().map(|(word, _)| *word).collect()
}

/// The word for a value.
pub(crate) fn word<T: PartialEq>(table: &Words<T>, value: &T) -> &'static str {
    let found = table.iter().find(|(_, known)| known == value);
    found.expect("a table of words lists every variant").0
}
