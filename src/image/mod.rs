//! The image: what makes a file (or block device) a drive.
//!
//! Reading order: making and opening an image, the superblock and the profile that travels with
//! it, what can be wrong; then where the bytes lie: [`backing`] creates and opens the place safely,
//! asking `room` whether a filesystem can keep its promise, [`device`] and [`mounts`] whether anyone
//! uses a disk, [`signature`] what is on it, and [`lock`] keeps a second server away.

pub mod open;
pub mod superblock;
pub mod error;

pub mod backing;
pub mod backing_error;
pub mod device;
pub mod lock;
pub mod mounts;
mod room;
pub mod signature;
