//! Ageing: brings an image to a stated condition by running its drive in virtual time.
//!
//! Reading order: what is wanted, what was reached and what can be in the way (`condition`), what the
//! bands hold (`survey`), which writes lead there (`scheme`, with the places in `scatter`), the drive
//! and its mover in virtual time (`bench`), the steps (`run`); an image in memory for drives that are
//! run in virtual time (`sparse_store`). The drive is the production drive and the bytes really move, so
//! the image is one that such a drive would have left. What a host reads never changes: where the image
//! holds data, its own bytes are written again; where it holds nothing, zeroes are. Same image, wish and
//! seed give the same image, byte for byte.

mod bench;
pub mod condition;
pub mod run;
mod scatter;
mod scheme;
pub(super) mod sparse_store;
mod survey;
