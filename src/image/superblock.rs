//! Owns the system area: two copies of the superblock, and the text of the profile.
//!
//! Either copy is enough to open an image; both are written once, when it is made. What can be
//! refused is refused before anything is written, and reading writes nothing. What the profile says
//! and what lies behind the system area are not known here. `docs/image-format.md` shows the bytes.

use std::io;

use crate::extent::PbaExtent;
use crate::image::error::ImageError;
use crate::medium::store::Store;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::Reader;
use crate::translation::codec::header::{self, HEADER_BYTES, Header, RecordKind, Sought};
use crate::units::{Pba, SECTOR_BYTES, Sectors, count, index};

/// Sectors of the system area, from sector 0 on.
pub const SYSTEM_SECTORS: Sectors = Sectors(64);
/// Bytes of both copies of the superblock, with which an image begins. Without them there is none.
pub const COPIES_BYTES: u64 = 2 * SECTOR_BYTES;
/// Where the profile's text begins.
pub const PROFILE_AT: Pba = Pba(2);
/// Bytes that the profile's text may have.
pub const PROFILE_BYTES_MAX: u64 = (SYSTEM_SECTORS.0 - PROFILE_AT.0) * SECTOR_BYTES;
/// Bytes that the name of the version which made the image may have.
pub const CREATED_WITH_BYTES: usize = 32;

/// Bits of `features` that this imbrex understands.
const FEATURES_KNOWN: u64 = 0;

const COPIES: [u32; 2] = [0, 1];

const LENGTH: u64 = HEADER_BYTES + 8 + 4 + 4 + 8 + 4 + 8 + 8 + 16 + 32;

const _: () = assert!(
    COPIES.len() == 2 && PROFILE_AT.0 * SECTOR_BYTES == COPIES_BYTES,
    "the copies come first, and the profile behind them"
);
const _: () = assert!(
    LENGTH <= SECTOR_BYTES && CREATED_WITH_BYTES == 32,
    "a superblock copy is one sector"
);

/// What an image says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Random; tells images apart.
    pub id: [u8; 16],
    /// Sectors of the whole image.
    pub total: Sectors,
    /// Number of the part of the profile that shapes the format.
    pub fingerprint: u64,
    /// The version of imbrex that made it: 1 to [`CREATED_WITH_BYTES`] printable ASCII characters.
    pub created_with: String,
}

/// An image about to be made.
#[derive(Clone, Debug)]
pub struct NewImage<'a> {
    /// What it says of itself. The id comes from the caller: a seed or a source of randomness.
    pub identity: Identity,
    /// The profile as its author wrote it, at most [`PROFILE_BYTES_MAX`] bytes.
    pub profile_text: &'a str,
    /// Where records of an image that lay here before could be taken for records of this one: the
    /// journal and both map halves. Zeroed.
    pub clear: &'a [PbaExtent],
}

/// A superblock as read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Superblock {
    /// What the image says of itself.
    pub identity: Identity,
    /// The profile's text.
    pub profile_text: String,
    /// The copy that cannot be used, if one of the two is damaged.
    pub damaged: Option<DamagedCopy>,
}

/// A copy of the superblock that cannot be used, while the other can.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("superblock copy {copy} is damaged; the other copy is whole and was used")]
pub struct DamagedCopy {
    /// 0 or 1.
    pub copy: u32,
    /// What is wrong with it.
    #[source]
    pub why: RecordError,
}

/// Makes an image: clears what lay here before, then writes the profile's text and both copies.
///
/// 1. Both copies are zeroed, sync. A crash leaves no image.
/// 2. `clear` is zeroed, the text written, sync. A crash leaves no image.
/// 3. Both copies are written, sync. A crash leaves an image as soon as one copy is whole.
///
/// # Panics
/// If `created_with` is not as [`Identity`] says, or a range to clear lies outside the image or in
/// the system area: defects of the caller.
pub fn write_new(store: &dyn Store, new: &NewImage<'_>) -> Result<(), ImageError> {
    let text = new.profile_text.as_bytes();
    if count(text.len()) > PROFILE_BYTES_MAX {
        return Err(ImageError::ProfileTooLong {
            bytes: count(text.len()),
        });
    }
    check_length(store, new.identity.total)?;
    let copies = COPIES.map(|copy| encode(&new.identity, text, copy));
    for extent in new.clear {
        let whole = PbaExtent::between(Pba(SYSTEM_SECTORS.0), Pba(new.identity.total.0));
        let inside = whole.is_some_and(|whole| whole.intersect(extent) == Some(*extent));
        assert!(inside, "cannot clear {extent:?}");
    }

    zero(store, Pba(0), Sectors(count(COPIES.len())))?;
    sync(store)?;
    for extent in new.clear {
        zero(store, extent.start, extent.sectors)?;
    }
    let mut padded = text.to_vec();
    padded.resize(index(PROFILE_BYTES_MAX), 0);
    write(store, PROFILE_AT, &padded)?;
    sync(store)?;
    for (copy, bytes) in COPIES.into_iter().zip(&copies) {
        write(store, address(copy), bytes)?;
    }
    sync(store)
}

/// Reads the superblock and the profile's text. A damaged copy beside a whole one is no error, but
/// is told.
pub fn read(store: &dyn Store) -> Result<Superblock, ImageError> {
    let [first, second] = COPIES.map(|copy| read_copy(store, copy));
    let (facts, damaged) = match (first?, second?) {
        (Ok(first), Ok(second)) if first == second => (first, None),
        (Ok(_), Ok(_)) => return Err(ImageError::CopiesDiffer),
        (Ok(facts), Err(why)) => (facts, Some(DamagedCopy { copy: 1, why })),
        (Err(why), Ok(facts)) => (facts, Some(DamagedCopy { copy: 0, why })),
        (Err(first), Err(second)) => return Err(unusable(first, second)),
    };
    check_length(store, facts.identity.total)?;
    Ok(Superblock {
        profile_text: read_profile(store, &facts)?,
        identity: facts.identity,
        damaged,
    })
}

/// What both copies say.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Facts {
    identity: Identity,
    profile_bytes: u32,
    profile_crc: u32,
}

fn address(copy: u32) -> Pba {
    Pba(u64::from(copy))
}

fn sought(copy: u32) -> Sought {
    Sought {
        at: address(copy),
        kinds: &[RecordKind::Superblock],
        words: "1 (superblock)",
    }
}

fn encode(identity: &Identity, text: &[u8], copy: u32) -> Vec<u8> {
    let created_with = identity.created_with.as_bytes();
    assert!(
        is_version(created_with) && created_with.len() <= CREATED_WITH_BYTES,
        "made by {created_with:?}"
    );
    let common = Header {
        kind: RecordKind::Superblock,
        epoch: 0,
        sequence: 0,
        at: address(copy),
        length: LENGTH,
    };
    let mut padded = [0; CREATED_WITH_BYTES];
    padded[..created_with.len()].copy_from_slice(created_with);
    let mut writer = header::begin(&common);
    writer.u64(FEATURES_KNOWN);
    writer.u32(copy);
    writer.count(text.len());
    writer.u64(PROFILE_AT.0);
    writer.u32(crc32c::crc32c(text));
    writer.u64(identity.total.0);
    writer.u64(identity.fingerprint);
    writer.raw(&identity.id);
    writer.raw(&padded);
    let mut bytes = header::finish(writer, &common);
    header::seal(&mut bytes);
    bytes
}

fn decode(bytes: &[u8], copy: u32) -> Result<Facts, RecordError> {
    let (_, mut reader) = header::open(bytes, &sought(copy))?;
    let facts = read_body(&mut reader, copy)?;
    reader.finish()?;
    Ok(facts)
}

fn read_body(reader: &mut Reader<'_>, copy: u32) -> Result<Facts, RecordError> {
    let features = reader.u64("features")?;
    if features & !FEATURES_KNOWN != 0 {
        return Err(reader.bad(
            "features",
            8,
            features,
            "no bit that this imbrex does not know",
        ));
    }
    let own = reader.u32("copy")?;
    if own != copy {
        return Err(reader.bad("copy", 4, u64::from(own), "the same as the address"));
    }
    let profile_bytes = reader.u32("profile_bytes")?;
    if u64::from(profile_bytes) > PROFILE_BYTES_MAX {
        let found = u64::from(profile_bytes);
        return Err(reader.bad("profile_bytes", 4, found, "at most 253952"));
    }
    let profile_at = reader.pba("profile_at")?;
    if profile_at != PROFILE_AT {
        return Err(reader.bad("profile_at", 8, profile_at.0, "2"));
    }
    let profile_crc = reader.u32("profile_crc")?;
    let total = reader.sectors("image_sectors")?;
    if total < SYSTEM_SECTORS || total.0.checked_mul(SECTOR_BYTES).is_none() {
        let expected = "at least the 64 of the system area, below 2^52";
        return Err(reader.bad("image_sectors", 8, total.0, expected));
    }
    let fingerprint = reader.u64("fingerprint")?;
    let mut id = [0; 16];
    id.copy_from_slice(reader.raw("id", 16)?);
    let padded = reader.raw("created_with", CREATED_WITH_BYTES)?;
    let used = padded
        .iter()
        .rposition(|&byte| byte != 0)
        .map_or(0, |last| last + 1);
    let version = &padded[..used];
    if !is_version(version) {
        let found = version
            .iter()
            .find(|byte| !byte.is_ascii_graphic())
            .map_or(0, |&byte| byte);
        let expected = "printable ASCII padded with zeroes";
        return Err(reader.bad("created_with", 32, u64::from(found), expected));
    }
    Ok(Facts {
        identity: Identity {
            id,
            total,
            fingerprint,
            created_with: String::from_utf8_lossy(version).into_owned(),
        },
        profile_bytes,
        profile_crc,
    })
}

fn is_version(bytes: &[u8]) -> bool {
    !bytes.is_empty() && bytes.iter().all(u8::is_ascii_graphic)
}

/// A copy, or what is wrong with it; the outer error is the backing store's.
fn read_copy(store: &dyn Store, copy: u32) -> Result<Result<Facts, RecordError>, ImageError> {
    let at = address(copy);
    let there = length_of(store)?.saturating_sub(Sectors(at.0).bytes());
    // A store too short to hold the copy is seen by decoding, which says so.
    let bytes = match there.min(SECTOR_BYTES) {
        0 => Vec::new(),
        bytes => read_bytes(store, at, bytes)?,
    };
    Ok(decode(&bytes, copy))
}

fn unusable(first: RecordError, second: RecordError) -> ImageError {
    let absent = |error: &RecordError| match error {
        RecordError::NotARecord { .. } => true,
        RecordError::Truncated { field, .. } => *field == "magic",
        _ => false,
    };
    if absent(&first) && absent(&second) {
        return ImageError::NotAnImage;
    }
    match (&first, &second) {
        (
            RecordError::WrongVersion {
                found, expected, ..
            },
            RecordError::WrongVersion { found: other, .. },
        ) if found == other => ImageError::WrongVersion {
            found: *found,
            expected: *expected,
        },
        _ => ImageError::NoSuperblock {
            first: Box::new(first),
            second: Box::new(second),
        },
    }
}

fn read_profile(store: &dyn Store, facts: &Facts) -> Result<String, ImageError> {
    let bytes = u64::from(facts.profile_bytes);
    let text = read_bytes(store, PROFILE_AT, bytes)?;
    let computed = crc32c::crc32c(&text);
    if computed != facts.profile_crc {
        return Err(ImageError::ProfileDamaged {
            at: PROFILE_AT,
            bytes,
            found: facts.profile_crc,
            computed,
        });
    }
    String::from_utf8(text).map_err(|error| ImageError::ProfileNotText {
        at: PROFILE_AT,
        byte: count(error.utf8_error().valid_up_to()),
    })
}

fn check_length(store: &dyn Store, total: Sectors) -> Result<(), ImageError> {
    let (needed, given) = (total.bytes(), length_of(store)?);
    if given < needed {
        return Err(ImageError::Truncated { needed, given });
    }
    Ok(())
}

fn length_of(store: &dyn Store) -> Result<u64, ImageError> {
    store.bytes().map_err(failed("learn the length", Pba(0)))
}

fn read_bytes(store: &dyn Store, at: Pba, bytes: u64) -> Result<Vec<u8>, ImageError> {
    let mut into = vec![0; index(bytes)];
    store
        .read_at(&mut into, Sectors(at.0).bytes())
        .map_err(failed("read", at))?;
    Ok(into)
}

fn write(store: &dyn Store, at: Pba, from: &[u8]) -> Result<(), ImageError> {
    store
        .write_at(from, Sectors(at.0).bytes())
        .map_err(failed("write", at))
}

fn zero(store: &dyn Store, at: Pba, sectors: Sectors) -> Result<(), ImageError> {
    store
        .zero_at(Sectors(at.0).bytes(), sectors.bytes())
        .map_err(failed("write zeroes", at))
}

fn sync(store: &dyn Store) -> Result<(), ImageError> {
    store
        .sync()
        .map_err(failed("make the system area durable", Pba(0)))
}

fn failed(action: &'static str, at: Pba) -> impl FnOnce(io::Error) -> ImageError {
    move |source| ImageError::Io {
        action,
        at: Sectors(at.0).bytes(),
        source,
    }
}

#[cfg(test)]
mod tests;
