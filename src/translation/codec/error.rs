//! Owns what can be wrong with the bytes of a record.
//!
//! Every variant names the address of the record; none says what to do about it (the end of the
//! journal and a damaged journal look the same from here).

use crate::units::{Pba, SECTOR_BYTES};

/// Why bytes are not the record that was looked for. Offsets and lengths in bytes.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// The magic is absent: the sector was never a record, or is blank.
    #[error("sector {at}: no record here (magic {found:#018x})")]
    NotARecord {
        /// Where it was looked for.
        at: Pba,
        /// The first eight bytes, little endian; 0 where the sector is blank.
        found: u64,
    },
    /// Written by another version of the format.
    #[error(
        "sector {at}: the record has format version {found}; this imbrex reads version {expected}"
    )]
    WrongVersion {
        /// Where it was looked for.
        at: Pba,
        /// Version in the record.
        found: u16,
        /// Version understood here.
        expected: u16,
    },
    /// A record of another kind, or of none that exists.
    #[error("sector {at}: the record is of kind {found}, expected {expected}")]
    WrongKind {
        /// Where it was looked for.
        at: Pba,
        /// Kind in the record.
        found: u16,
        /// The kinds that may lie here, in words.
        expected: &'static str,
    },
    /// The record was written for another place.
    #[error("sector {at}: the record was written for sector {found}")]
    WrongAddress {
        /// Where it was looked for.
        at: Pba,
        /// The address in the record.
        found: Pba,
    },
    /// The bytes are not those that were written, or not all of them arrived.
    #[error(
        "sectors {at}..{end}: checksum {found:#010x} in the record, {computed:#010x} over its bytes",
        end = .at.0.saturating_add(.bytes / SECTOR_BYTES)
    )]
    BadChecksum {
        /// Where the record begins.
        at: Pba,
        /// Its length, padding included.
        bytes: u64,
        /// The checksum it carries.
        found: u32,
        /// The checksum of its bytes.
        computed: u32,
    },
    /// The bytes end before something that should be there.
    #[error("sector {at}: {field} needs {needed} bytes of the record, there are {given}")]
    Truncated {
        /// Where the record begins.
        at: Pba,
        /// What is cut short.
        field: &'static str,
        /// Bytes from the start of the record that would be needed.
        needed: u64,
        /// Bytes that there are.
        given: u64,
    },
    /// A field says something that no writer says.
    #[error("sector {at}, byte {offset}: {field} is {found}, expected {expected}")]
    BadField {
        /// Where the record begins.
        at: Pba,
        /// Name of the field, as in `docs/image-format.md`.
        field: &'static str,
        /// Where in the record it lies.
        offset: u64,
        /// What it says.
        found: u64,
        /// What it may say.
        expected: &'static str,
    },
}

impl RecordError {
    /// The sector that the record was looked for at.
    pub fn at(&self) -> Pba {
        match self {
            RecordError::NotARecord { at, .. }
            | RecordError::WrongVersion { at, .. }
            | RecordError::WrongKind { at, .. }
            | RecordError::WrongAddress { at, .. }
            | RecordError::BadChecksum { at, .. }
            | RecordError::Truncated { at, .. }
            | RecordError::BadField { at, .. } => *at,
        }
    }
}
