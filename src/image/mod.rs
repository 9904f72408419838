//! The image: where its bytes lie, how that place is created, and how it is opened safely.

pub mod backing;
mod device;
pub mod mounts;
pub mod signature;
