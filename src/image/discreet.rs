//! Owns how the failure of a sealed image is told: what was done and what the system says, and no place
//! in the image, which would tell what it hides.

use crate::medium::mover::{MoverError, StoreOperation};

/// What a mover could not do.
pub fn words(error: &MoverError) -> String {
    let doing = match error.operation {
        StoreOperation::Read => "reading",
        StoreOperation::Write => "writing",
        StoreOperation::Zero => "zeroing",
        StoreOperation::Sync => "syncing",
    };
    format!("{doing} the image failed: {}", error.cause)
}
