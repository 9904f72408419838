//! Owns the way from a path to a drive divided by structures.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use super::exit::UnusableError;
use crate::lab::ranges::Ranges;
use crate::lab::structures;
use crate::units::count;

/// Longest list that is read: millions of lines.
const LIST_BYTES_MAX: u64 = 1 << 28;

/// The ranges of the list at `path`, on a drive of `capacity` bytes.
pub(super) fn load(path: &Path, capacity: u64) -> anyhow::Result<Ranges> {
    let shown = path.display();
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(LIST_BYTES_MAX + 1).read_to_end(&mut bytes))
        .map_err(|error| UnusableError(format!("cannot read {shown}: {error}")))?;
    if count(bytes.len()) > LIST_BYTES_MAX {
        let what = format!("{shown} is longer than {LIST_BYTES_MAX} bytes: no list is that long");
        return Err(UnusableError(what).into());
    }
    let text = String::from_utf8(bytes)
        .map_err(|error| UnusableError(format!("{shown} is not a text file: {error}")))?;
    let list = structures::parse(&shown.to_string(), &text)?;
    Ok(Ranges::listed(capacity, &list))
}
