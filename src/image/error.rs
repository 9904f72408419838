//! Owns why an image cannot be made or opened.
//!
//! Every variant says what is wrong and where. What a caller does about it is not known here.

use std::io;

use crate::image::superblock::PROFILE_BYTES_MAX;
use crate::translation::codec::error::RecordError;
use crate::units::Pba;

/// Why an image cannot be made or opened.
#[derive(Debug, thiserror::Error)]
pub enum ImageError {
    /// Neither copy of the superblock has ever been written.
    #[error(
        "this is not an imbrex image: there is no superblock in sectors 0 and 1 (a device is left so by a restore that was interrupted: create and restore again)"
    )]
    NotAnImage,
    /// Made by another version of the format.
    #[error(
        "the image has format version {found}; this imbrex reads version {expected}: open it with \
         the imbrex that made it"
    )]
    WrongVersion {
        /// Version of the image.
        found: u16,
        /// Version understood here.
        expected: u16,
    },
    /// No copy of the superblock can be used.
    #[error("no copy of the superblock can be used: copy 0: {first}; copy 1: {second}")]
    NoSuperblock {
        /// What is wrong with copy 0.
        first: Box<RecordError>,
        /// What is wrong with copy 1.
        second: Box<RecordError>,
    },
    /// Both copies are valid, yet of different images.
    #[error(
        "the two copies of the superblock (sectors 0 and 1) are both valid and differ: parts of \
         two images lie here"
    )]
    CopiesDiffer,
    /// The backing store is shorter than the image.
    #[error(
        "the image takes {needed} bytes, the backing store has {given}: it was cut short or made too \
         short"
    )]
    Truncated {
        /// Bytes of the image.
        needed: u64,
        /// Bytes of the backing store.
        given: u64,
    },
    /// The profile's text is not what was written.
    #[error(
        "the profile's text in the image (sector {at}, {bytes} bytes) is damaged: checksum \
         {found:#010x} in the superblock, {computed:#010x} over the text"
    )]
    ProfileDamaged {
        /// First sector of the text.
        at: Pba,
        /// Its length.
        bytes: u64,
        /// Checksum in the superblock.
        found: u32,
        /// Checksum of the text.
        computed: u32,
    },
    /// The profile's text is whole, but not text.
    #[error("the profile's text in the image (sector {at}) is not UTF-8 from byte {byte} on")]
    ProfileNotText {
        /// First sector of the text.
        at: Pba,
        /// Offset of the first byte that is not.
        byte: u64,
    },
    /// The profile's text does not fit into the image.
    #[error("the profile's text has {bytes} bytes; an image holds at most {PROFILE_BYTES_MAX}")]
    ProfileTooLong {
        /// Its length.
        bytes: u64,
    },
    /// The backing store failed.
    #[error("the backing store failed: cannot {action} (at byte {at})")]
    Io {
        /// What was tried.
        action: &'static str,
        /// Where, in bytes from the start of the image.
        at: u64,
        /// What the system says.
        source: io::Error,
    },
}
