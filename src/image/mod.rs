//! The image: what makes a file (or block device) a drive, and where its bytes lie.
//!
//! Reading order: making and opening an image, the superblock and the profile that travels with
//! it (in an `envelope` where nobody is to see it), checking a whole image, copying one ([`copying`] to
//! a file, [`overwriting`] a device), what can be wrong (of a sealed image said in a `discreet` way). Then
//! the place the image lies on: [`backing`] creates and opens it; it asks `room` whether a filesystem can
//! keep its promise, [`device`] and [`mounts`] whether anyone uses a disk, [`signature`] what is on it,
//! and [`lock`] keeps a second server away.

pub mod check;
pub mod copying;
pub mod discreet;
pub mod envelope;
pub mod error;
pub mod open;
pub mod overwriting;
pub mod superblock;

pub mod backing;
pub mod backing_error;
pub mod device;
pub mod lock;
pub mod mounts;
#[cfg(test)]
pub(crate) mod programs;
pub mod room;
pub mod signature;
