//! Owns the changes of the translation's durable state.
//!
//! The state changes only by applying a [`Change`], in operation and in recovery alike: what a
//! record on the medium says is a list of these.

use crate::extent::LbaExtent;
use crate::units::{BandId, HomeBand, Pba, Sectors};

/// One change of the durable state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// A log entry: the extents' payload lies one after another from `at` on; the entry takes
    /// `slot_sectors` of its staging band in all (padding included).
    Stage {
        /// Host ranges in order of their payload; a later one wins where two overlap.
        extents: Vec<LbaExtent>,
        /// First sector of the payload.
        at: Pba,
        /// Sectors of the band that the entry takes.
        slot_sectors: Sectors,
    },
    /// A direct write continued the pass of the band's own place: sectors `from..upto` of the band
    /// are at home now.
    Append {
        /// The band.
        band: HomeBand,
        /// First sector of the band that was written.
        from: Sectors,
        /// End of what the pass has written.
        upto: Sectors,
    },
    /// A pass over a spare: sectors `from..upto` of the band now live in `spare` at the same
    /// offsets, except for the ranges in `keep` (written anew meanwhile).
    Divert {
        /// The band.
        band: HomeBand,
        /// The spare that the pass fills.
        spare: BandId,
        /// First sector of the band that was written.
        from: Sectors,
        /// End of what the pass has written.
        upto: Sectors,
        /// Host ranges whose newest data is elsewhere.
        keep: Vec<LbaExtent>,
    },
    /// The host no longer needs the range.
    Trim {
        /// The range.
        extent: LbaExtent,
    },
    /// The band is clean: its home is `at`, written up to `written`; every mapped range of it is
    /// forgotten except for `keep`. Its former place and any spare it used are free.
    Cleaned {
        /// The band.
        band: HomeBand,
        /// Its place from now on.
        at: BandId,
        /// Sectors of it that the pass wrote; the rest was never written.
        written: Sectors,
        /// Host ranges whose newest data is elsewhere.
        keep: Vec<LbaExtent>,
    },
}
