//! Owns the journal record: what changed, and the checksums of the payload that came with it.
//!
//! Its length follows from the counts alone ([`journal_sectors`]), so a planner that builds no
//! bytes knows it too. The checksums of payloads and of the record itself are filled in by whoever
//! writes it. Which record follows which is not known here.

use crate::translation::change::Change;
use crate::translation::codec::changes::{self, CHANGE_BYTES_MIN};
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::Reader;
use crate::translation::codec::header::{self, HEADER_BYTES, Header, RecordKind, Sought};
use crate::units::{Pba, SECTOR_BYTES, Sectors, count};

/// Bytes of one payload span in the record.
const SPAN_BYTES: u64 = 20;

/// What a journal record says of itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JournalHeader {
    /// How often the image had been opened: counted up at each open, never less than in the record
    /// before.
    pub epoch: u64,
    /// Its place in the order of changes: one more than the record before, across epochs.
    pub sequence: u64,
    /// Everything up to and including this sequence number was durable when this record was made.
    pub durable: u64,
    /// Its own address.
    pub at: Pba,
    /// Sectors of the journal that it takes: its own ([`journal_sectors`]) or more. The next
    /// record begins right after them unless it goes to the journal's first sector.
    pub sectors: Sectors,
}

/// Payload that a journal record vouches for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PayloadSpan {
    /// First sector.
    pub at: Pba,
    /// Its length: whole sectors, at least one.
    pub bytes: u64,
    /// CRC-32C of its bytes. Filled in by the mover when it writes the record (see
    /// [`crate::medium::movement::Seal`]).
    pub crc: u32,
}

/// A decoded journal record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JournalRecord {
    /// What it says of itself.
    pub header: JournalHeader,
    /// The payload that must be there for the record to count.
    pub payload: Vec<PayloadSpan>,
    /// The changes, in order.
    pub changes: Vec<Change>,
}

/// Sectors of an encoded record with so many payload spans and these changes.
pub fn journal_sectors(payload_spans: usize, changes: &[Change]) -> Sectors {
    Sectors::holding(journal_bytes(payload_spans, changes))
}

fn journal_bytes(payload_spans: usize, changes: &[Change]) -> u64 {
    HEADER_BYTES + 8 + 8 + 4 + 4 + count(payload_spans) * SPAN_BYTES + changes::bytes_of(changes)
}

/// The record's bytes, padded with zeroes to whole sectors, its own checksum not filled in, and
/// the byte offset of each span's checksum in it.
///
/// # Panics
/// On what a planner never asks for: fewer `sectors` than the record has, a `durable` past its own
/// sequence, a span that is not whole sectors, an empty extent, a record longer than
/// [`RecordKind::sectors_max`].
pub fn encode_journal(
    header: &JournalHeader,
    payload: &[PayloadSpan],
    changes: &[Change],
) -> (Vec<u8>, Vec<u64>) {
    let common = Header {
        kind: RecordKind::Journal,
        epoch: header.epoch,
        sequence: header.sequence,
        at: header.at,
        length: journal_bytes(payload.len(), changes),
    };
    assert!(
        header.durable <= header.sequence,
        "durable before it was made: {header:?}"
    );
    assert!(
        header.sectors >= common.sectors(),
        "{header:?} takes fewer sectors than its {}",
        common.sectors()
    );
    let mut writer = header::begin(&common);
    writer.u64(header.durable);
    writer.u64(header.sectors.0);
    writer.count(payload.len());
    writer.count(changes.len());
    let mut crc_offsets = Vec::with_capacity(payload.len());
    for span in payload {
        assert!(
            span.bytes > 0 && span.bytes.is_multiple_of(SECTOR_BYTES),
            "payload that is not whole sectors: {span:?}"
        );
        writer.u64(span.at.0);
        writer.u64(span.bytes);
        crc_offsets.push(writer.offset());
        writer.u32(span.crc);
    }
    changes::write(&mut writer, changes);
    (header::finish(writer, &common), crc_offsets)
}

/// How many sectors must be read to decode the record that begins with `first_sector`, looked for
/// at `at`. At most [`RecordKind::sectors_max`]; bound it by what is left of the journal too. The
/// checksum is not looked at.
pub fn peek_sectors(first_sector: &[u8], at: Pba) -> Result<Sectors, RecordError> {
    Ok(header::peek(first_sector, &sought(at))?.sectors())
}

/// Decodes the journal record at the front of `bytes`, looked for at `at`.
pub fn decode_journal(bytes: &[u8], at: Pba) -> Result<JournalRecord, RecordError> {
    let (common, mut reader) = header::open(bytes, &sought(at))?;
    let record = read_body(&common, &mut reader)?;
    reader.finish()?;
    Ok(record)
}

pub(super) fn sought(at: Pba) -> Sought {
    Sought {
        at,
        kinds: &[RecordKind::Journal],
        words: "2 (journal)",
    }
}

pub(super) fn read_body(
    common: &Header,
    reader: &mut Reader<'_>,
) -> Result<JournalRecord, RecordError> {
    let durable = reader.u64("durable")?;
    if durable > common.sequence {
        return Err(reader.bad("durable", 8, durable, "no more than the record's sequence"));
    }
    let sectors = reader.sectors("sectors")?;
    if sectors < common.sectors() || common.at.0.checked_add(sectors.0).is_none() {
        return Err(reader.bad("sectors", 8, sectors.0, "at least the record's own length"));
    }
    let spans = reader.count("spans", SPAN_BYTES)?;
    let changes = reader.count("changes", CHANGE_BYTES_MIN)?;
    let mut payload = Vec::with_capacity(spans);
    for _ in 0..spans {
        payload.push(read_span(reader)?);
    }
    Ok(JournalRecord {
        header: JournalHeader {
            epoch: common.epoch,
            sequence: common.sequence,
            durable,
            at: common.at,
            sectors,
        },
        payload,
        changes: changes::read(reader, changes)?,
    })
}

fn read_span(reader: &mut Reader<'_>) -> Result<PayloadSpan, RecordError> {
    let at = reader.pba("span.at")?;
    let bytes = reader.u64("span.bytes")?;
    if !bytes.is_multiple_of(SECTOR_BYTES) {
        return Err(reader.bad("span.bytes", 8, bytes, "a multiple of 4096"));
    }
    reader.check_run("span.bytes", at.0, Sectors(bytes / SECTOR_BYTES))?;
    let crc = reader.u32("span.crc")?;
    Ok(PayloadSpan { at, bytes, crc })
}
