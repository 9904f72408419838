//! The image: what makes a file (or block device) a drive.
//!
//! Reading order: what can be wrong, the superblock and the profile that travels with it.

pub mod error;
pub mod superblock;
