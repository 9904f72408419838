//! Owns the bytes of a list of changes, as journal records and map deltas carry it.
//!
//! The length is known without encoding. What a change means is not known here, but no decoded
//! extent is empty and no range runs backwards.

use crate::translation::change::Change;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::{EXTENT_BYTES, Reader, Writer};
use crate::units::{Sectors, count};

const STAGE: u8 = 1;
const APPEND: u8 = 2;
const DIVERT: u8 = 3;
const TRIM: u8 = 4;
const CLEANED: u8 = 5;

/// Bytes of the shortest change: what bounds the number of changes in a record.
pub const CHANGE_BYTES_MIN: u64 = 1 + EXTENT_BYTES;

/// Bytes that [`write()`] will append for `changes`.
pub fn bytes_of(changes: &[Change]) -> u64 {
    changes.iter().map(bytes_of_one).sum()
}

fn bytes_of_one(change: &Change) -> u64 {
    1 + match change {
        Change::Stage { extents, .. } => 8 + 8 + 4 + count(extents.len()) * EXTENT_BYTES,
        Change::Append { .. } => 4 + 8 + 8,
        Change::Divert { keep, .. } => 4 + 4 + 8 + 8 + 4 + count(keep.len()) * EXTENT_BYTES,
        Change::Trim { .. } => EXTENT_BYTES,
        Change::Cleaned { keep, .. } => 4 + 4 + 8 + 4 + count(keep.len()) * EXTENT_BYTES,
    }
}

/// Appends changes. Their number is a field of the record.
pub fn write(writer: &mut Writer, changes: &[Change]) {
    for change in changes {
        write_one(writer, change);
    }
}

fn write_one(writer: &mut Writer, change: &Change) {
    match change {
        Change::Stage {
            extents,
            at,
            slot_sectors,
        } => {
            writer.u8(STAGE);
            writer.u64(at.0);
            writer.u64(slot_sectors.0);
            writer.extents(extents);
        }
        Change::Append { band, from, upto } => {
            assert!(from <= upto, "a range that runs backwards: {change:?}");
            writer.u8(APPEND);
            writer.u32(band.0);
            writer.u64(from.0);
            writer.u64(upto.0);
        }
        Change::Divert {
            band,
            spare,
            from,
            upto,
            keep,
        } => {
            assert!(from <= upto, "a range that runs backwards: {change:?}");
            writer.u8(DIVERT);
            writer.u32(band.0);
            writer.u32(spare.0);
            writer.u64(from.0);
            writer.u64(upto.0);
            writer.extents(keep);
        }
        Change::Trim { extent } => {
            writer.u8(TRIM);
            writer.extent(extent);
        }
        Change::Cleaned {
            band,
            at,
            written,
            keep,
        } => {
            writer.u8(CLEANED);
            writer.u32(band.0);
            writer.u32(at.0);
            writer.u64(written.0);
            writer.extents(keep);
        }
    }
}

/// Takes so many changes; the number must have come from [`Reader::count`].
pub fn read(reader: &mut Reader<'_>, entries: usize) -> Result<Vec<Change>, RecordError> {
    let mut changes = Vec::with_capacity(entries);
    for _ in 0..entries {
        changes.push(read_one(reader)?);
    }
    Ok(changes)
}

fn read_one(reader: &mut Reader<'_>) -> Result<Change, RecordError> {
    Ok(match reader.u8("tag")? {
        STAGE => Change::Stage {
            at: reader.pba("stage.at")?,
            slot_sectors: reader.sectors("stage.slot_sectors")?,
            extents: reader.extents("stage.extents")?,
        },
        APPEND => {
            let band = reader.home("append.band")?;
            let (from, upto) = range(reader, "append.from", "append.upto")?;
            Change::Append { band, from, upto }
        }
        DIVERT => {
            let band = reader.home("divert.band")?;
            let spare = reader.band("divert.spare")?;
            let (from, upto) = range(reader, "divert.from", "divert.upto")?;
            Change::Divert {
                band,
                spare,
                from,
                upto,
                keep: reader.extents("divert.keep")?,
            }
        }
        TRIM => Change::Trim {
            extent: reader.extent("trim.start", "trim.sectors")?,
        },
        CLEANED => Change::Cleaned {
            band: reader.home("cleaned.band")?,
            at: reader.band("cleaned.at")?,
            written: reader.sectors("cleaned.written")?,
            keep: reader.extents("cleaned.keep")?,
        },
        tag => return Err(reader.bad("tag", 1, u64::from(tag), "1 to 5")),
    })
}

fn range(
    reader: &mut Reader<'_>,
    from_field: &'static str,
    upto_field: &'static str,
) -> Result<(Sectors, Sectors), RecordError> {
    let from = reader.sectors(from_field)?;
    let upto = reader.sectors(upto_field)?;
    if from > upto {
        return Err(reader.bad(upto_field, 8, upto.0, "no less than where the range begins"));
    }
    Ok((from, upto))
}
