//! Owns the way from the bytes of an image to a running translation: the ordinary way to open one.
//!
//! Recovery = the newest valid full map, its deltas, and the journal records after them, up to the
//! first that is torn. It reads only; it may run any number of times. What is damaged although a
//! record says that it was durable is an error, not an end of the journal.

use std::collections::BTreeSet;
use std::io;

use super::codec::error::RecordError;
use super::journal::Journal;
use super::keeper::{Parts, Touched, Translation};
use super::map_area::MapArea;
use super::state::State;
use crate::medium::layout::Layout;
use crate::medium::store::Store;
use crate::profile::{Profile, Staging};
use crate::units::{BandId, Pba, SECTOR_BYTES, Sectors, index};
use maps::Roots;

mod maps;
mod replay;

/// Why an image cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum RecoveryError {
    /// The backing store failed.
    #[error("sectors {at}..{end} of the image cannot be read", end = .at.0 + .sectors.0)]
    Read {
        /// First sector.
        at: Pba,
        /// How many.
        sectors: Sectors,
        /// What the store says.
        source: io::Error,
    },
    /// Neither half of the map area holds a map.
    #[error("neither map of the image can be used: {first}; {second}")]
    NoMap {
        /// What is wrong with the first half.
        first: Box<RecordError>,
        /// What is wrong with the second half.
        second: Box<RecordError>,
    },
    /// A record is damaged although a later one says that it was durable.
    #[error("the image is damaged: record {sequence} at sector {at} was durable, but {what}")]
    Damaged {
        /// Number of the record.
        sequence: u64,
        /// Where it should be.
        at: Pba,
        /// What was found.
        what: String,
    },
    /// A map or record says something that does not fit the image's profile.
    #[error("the image is damaged: {what}")]
    Impossible {
        /// What.
        what: String,
    },
}

/// What recovery found, for people.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Report {
    /// Never opened before.
    pub fresh: bool,
    /// Times the image was opened before.
    pub epoch: u64,
    /// Generation of the map that was used.
    pub generation: u64,
    /// Deltas applied after the full map.
    pub deltas: u64,
    /// Newest record that the map covers.
    pub map_sequence: u64,
    /// Journal records replayed after it.
    pub replayed: u64,
    /// Log entries among these.
    pub entries: u64,
    /// Newest record.
    pub sequence: u64,
    /// Why the journal ended where it did, when it was not at a blank or older sector.
    pub torn: Option<String>,
    /// What is wrong with the other half of the map area, when it is not blank.
    pub unusable_map: Option<String>,
}

/// A recovered translation.
#[derive(Clone, Debug)]
pub struct Recovered {
    /// Ready to plan; a map must be written before anything else ([`Translation::settle_open`]).
    pub translation: Translation,
    /// What was found.
    pub report: Report,
    /// How much of each band is written, for the guard.
    pub written: Vec<(BandId, Sectors)>,
}

/// Opens the translation that `store` holds.
pub fn recover(
    profile: &Profile,
    staging: &Staging,
    layout: &Layout,
    store: &dyn Store,
) -> Result<Recovered, RecoveryError> {
    let reader = Reader { layout, store };
    let (half, root, unusable) = match reader.newest_map()? {
        Roots::Blank => return Ok(fresh(profile, staging, layout, true)),
        Roots::Found {
            half,
            root,
            unusable,
        } => (half, root, unusable),
    };
    let mut report = Report {
        generation: root.header.generation,
        unusable_map: unusable.map(|error| error.to_string()),
        ..Report::default()
    };
    let mut state = State::restore(layout, profile.drive.formatted, &root.state)
        .map_err(|what| RecoveryError::Impossible { what })?;
    let floor = Sectors(
        u64::from(staging.merge_tracks)
            * u64::from(layout.band(layout.map_half(half)).sectors_per_track),
    );
    let covered = reader.apply_deltas(half, &root, floor, &mut state, &mut report)?;
    report.epoch = covered.epoch;
    report.map_sequence = covered.sequence;
    let end = reader.replay(&covered, &mut state, &mut report)?;
    report.sequence = end.sequence;
    let journal = Journal::resume(layout.journal(), end.at, end.sequence, covered.epoch + 1);
    let maps = MapArea::new(layout, staging.merge_tracks, half, root.header.generation);
    let written = state.written_bands(layout);
    let parts = Parts {
        state,
        journal,
        maps,
        touched: Touched::Unknown,
    };
    let mut translation = Translation::assemble(profile, staging, layout.clone(), parts, true);
    translation.entries_since_merge = u32::try_from(report.entries).unwrap_or(u32::MAX);
    Ok(Recovered {
        translation,
        report,
        written,
    })
}

/// A translation as the factory left it. `render`: whether its records are rendered for a mover.
pub fn fresh(profile: &Profile, staging: &Staging, layout: &Layout, render: bool) -> Recovered {
    let state = State::new(layout, profile.drive.formatted);
    let journal = Journal::resume(layout.journal(), layout.journal().start, 0, 1);
    let maps = MapArea::new(layout, staging.merge_tracks, 1, 0);
    // The home bands of a formatted drive hold something that no pass has written.
    let touched = if profile.drive.formatted {
        Touched::Unknown
    } else {
        Touched::These(BTreeSet::new())
    };
    let parts = Parts {
        state,
        journal,
        maps,
        touched,
    };
    let translation = Translation::assemble(profile, staging, layout.clone(), parts, render);
    Recovered {
        translation,
        report: Report {
            fresh: true,
            ..Report::default()
        },
        written: Vec::new(),
    }
}

/// Reads the image; `maps` and `replay` make sense of it.
struct Reader<'a> {
    layout: &'a Layout,
    store: &'a dyn Store,
}

impl Reader<'_> {
    fn read(&self, at: Pba, sectors: Sectors) -> Result<Vec<u8>, RecoveryError> {
        let mut bytes = vec![0; index(sectors.bytes())];
        self.store
            .read_at(&mut bytes, at.0 * SECTOR_BYTES)
            .map_err(|source| RecoveryError::Read {
                at,
                sectors,
                source,
            })?;
        Ok(bytes)
    }
}
