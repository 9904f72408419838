//! Owns the way from a path to an opened image, the same for every command.
//!
//! The file is locked for as long as it is open: for reading together with others, for writing alone.

use std::fmt::Write as _;
use std::fs::File;
use std::os::unix::fs::FileTypeExt as _;
use std::path::Path;

use anyhow::Context as _;

use super::exit::SealedError;

use crate::image::backing::{self, OpenOptions};
use crate::image::open::{self, Opened};
use crate::medium::file_store::FileStore;

/// How an image is opened.
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    /// Nothing is written, not even what recovery found.
    pub(super) read_only: bool,
    /// It lies on a block device.
    pub(super) block_device: bool,
}

/// Opens the file (or device) of an image and locks it.
pub(super) fn backing(path: &Path, way: Way) -> anyhow::Result<(File, FileStore)> {
    let options = OpenOptions {
        read_only: way.read_only,
        block_device: way.block_device,
    };
    let file = backing::open_backing(path, options)?;
    let again = file
        .try_clone()
        .with_context(|| format!("cannot open {} again", path.display()))?;
    let store = FileStore::new(again).with_context(|| format!("cannot read {}", path.display()))?;
    Ok((file, store))
}

/// How what an image holds is read where no option says what it lies on.
pub(super) fn to_read(path: &Path) -> Way {
    let found = std::fs::metadata(path);
    Way {
        read_only: true,
        block_device: found.is_ok_and(|found| found.file_type().is_block_device()),
    }
}

/// Opens an image whose profile may be seen: the drive in it, recovered, and the file for a mover.
pub(super) fn open(path: &Path, way: Way) -> anyhow::Result<(Opened, File)> {
    let found = open_any(path, way)?;
    if found.0.sealed.is_some() {
        return Err(SealedError::new(path).into());
    }
    Ok(found)
}

/// The same for an image that may be sealed; who asks for it shows nothing then that would tell its keys.
pub(super) fn open_any(path: &Path, way: Way) -> anyhow::Result<(Opened, File)> {
    let (file, store) = backing(path, way)?;
    let opened = open::open(&store, way.read_only).with_context(|| cannot_use(path))?;
    if let Some(damaged) = &opened.damaged {
        log::warn!("{}: {damaged}: {}", path.display(), damaged.why);
    }
    Ok((opened, file))
}

/// The headline of an error while opening.
pub(super) fn cannot_use(path: &Path) -> String {
    format!("{} cannot be used as an image", path.display())
}

/// What recovery found, in a sentence.
pub(super) fn recovery_words(opened: &Opened) -> String {
    let report = &opened.report;
    if opened.drive.translation().is_none() {
        return "nothing to recover: a conventional drive keeps no map".to_owned();
    }
    if report.fresh {
        return "new: never opened before".to_owned();
    }
    let mut words = format!(
        "opened {} before; map of generation {} with {} up to record {}, then {} replayed",
        times(report.epoch, "time"),
        report.generation,
        times(report.deltas, "delta"),
        report.map_sequence,
        times(report.replayed, "journal record"),
    );
    if let Some(torn) = &report.torn {
        let _ = write!(
            words,
            "; the journal ends where a power cut tore it ({torn})"
        );
    }
    if let Some(unusable) = &report.unusable_map {
        let _ = write!(words, "; the other map cannot be used ({unusable})");
    }
    words
}

fn times(count: u64, noun: &str) -> String {
    if count == 1 {
        format!("1 {noun}")
    } else {
        format!("{count} {noun}s")
    }
}

/// An identity as people compare it: 32 hexadecimal digits.
pub(super) fn id_words(id: &[u8; 16]) -> String {
    format!("{:032x}", u128::from_be_bytes(*id))
}
