//! Owns the watch over the room around an image while it is served: says that it runs out before it
//! has, and again each time that half of the rest is gone.
//!
//! It changes nothing: a drive that finds no room fails as one whose medium failed.

use std::fs::File;
use std::path::{Path, PathBuf};

use indicatif::BinaryBytes;

use super::exit::RigError;
use super::output;
use crate::image::room::{self, RoomLeft};

/// Below this the first warning comes. No drive writes as much between two looks.
const FIRST_MARK_BYTES: u64 = 1 << 30;

/// Looks when it is told to.
pub(super) struct RoomWatch {
    file: File,
    image: PathBuf,
    mark_bytes: u64,
}

impl RoomWatch {
    /// Over the image in `file`, with a first look.
    pub(super) fn over(file: &File, image: &Path) -> Result<RoomWatch, RigError> {
        let file = file.try_clone().map_err(|source| RigError {
            doing: "open the image again",
            source,
        })?;
        let mut watch = RoomWatch {
            file,
            image: image.to_owned(),
            mark_bytes: FIRST_MARK_BYTES,
        };
        watch.look();
        Ok(watch)
    }

    /// Looks how much room is left, and says so if it is little.
    pub(super) fn look(&mut self) {
        match room::left(&self.file) {
            Ok(Some(left)) if falls_short(left, self.mark_bytes) => {
                self.mark_bytes = left.free_bytes / 2;
                output::say(&words(&self.image, left));
            }
            Ok(_) => {}
            Err(error) => log::warn!("cannot find out how much room is left: {error}"),
        }
    }
}

fn falls_short(left: RoomLeft, mark_bytes: u64) -> bool {
    left.free_bytes < left.growth_bytes && left.free_bytes < mark_bytes
}

fn words(image: &Path, left: RoomLeft) -> String {
    format!(
        "room is running out: {} are free around {}, which may still grow by {}; when none is left \
         the drive fails, and what was flushed is kept. Make room, or stop",
        BinaryBytes(left.free_bytes),
        image.display(),
        BinaryBytes(left.growth_bytes),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_falls_short_below_the_mark_and_below_what_the_image_may_need() {
        let check = |free_bytes, growth_bytes, expected| {
            let left = RoomLeft {
                free_bytes,
                growth_bytes,
            };
            assert_eq!(falls_short(left, 100), expected, "{left:?}");
        };
        check(99, 1000, true);
        check(100, 1000, false);
        check(0, 1, true);
        // All of it is there already, or fits.
        check(0, 0, false);
        check(50, 50, false);
        check(50, 51, true);
    }
}
