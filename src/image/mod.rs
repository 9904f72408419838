//! The image: what makes a file (or block device) a drive.
//!
//! Reading order: making and opening an image, the superblock and the profile that travels with
//! it, what can be wrong.

pub mod error;
pub mod open;
pub mod superblock;
