//! Owns the header that all records share, their checksum and their padding.
//!
//! A record takes whole sectors; what lies after its length is zero and covered by the checksum
//! like all the rest. A sealed record passes [`open`]; nothing else does. What follows the header
//! is not known here.

use crate::medium::movement::Record;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::field::{Reader, Writer};
use crate::units::{Pba, SECTOR_BYTES, Sectors, count, index};

/// First bytes of every record. Not text, so that no text file begins with it.
pub const MAGIC: [u8; 8] = *b"\x89imbrex\n";
/// Version of all formats of the image together.
pub const FORMAT_VERSION: u16 = 2;
/// Bytes of the header.
pub const HEADER_BYTES: u64 = 48;
/// Byte offset of the record's length.
pub const LENGTH_AT: u64 = 40;

const _: () = assert!(
    Record::CRC_AT == MAGIC.len(),
    "the mover writes the checksum right after the magic"
);

/// What a record is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// A copy of the superblock.
    Superblock,
    /// A journal record.
    Journal,
    /// A full map.
    MapFull,
    /// Changes of a map since the one before.
    MapDelta,
}

impl RecordKind {
    /// The number in the record.
    pub fn code(self) -> u16 {
        match self {
            RecordKind::Superblock => 1,
            RecordKind::Journal => 2,
            RecordKind::MapFull => 3,
            RecordKind::MapDelta => 4,
        }
    }

    fn from_code(code: u16) -> Option<RecordKind> {
        [
            RecordKind::Superblock,
            RecordKind::Journal,
            RecordKind::MapFull,
            RecordKind::MapDelta,
        ]
        .into_iter()
        .find(|kind| kind.code() == code)
    }

    /// The longest record of this kind. A reader never has to allocate more.
    pub fn sectors_max(self) -> Sectors {
        match self {
            RecordKind::Superblock => Sectors(1),
            RecordKind::Journal => Sectors(4 << 10),
            RecordKind::MapFull | RecordKind::MapDelta => Sectors(1 << 20),
        }
    }
}

/// The header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// What the record is.
    pub kind: RecordKind,
    /// How often the image had been opened.
    pub epoch: u64,
    /// Its place in the order of changes.
    pub sequence: u64,
    /// Its own address.
    pub at: Pba,
    /// Bytes of header and body, padding excluded.
    pub length: u64,
}

impl Header {
    /// Sectors that the record takes.
    pub fn sectors(&self) -> Sectors {
        Sectors::holding(self.length)
    }
}

/// Which record is looked for.
#[derive(Clone, Copy, Debug)]
pub struct Sought {
    /// Where.
    pub at: Pba,
    /// Of one of these kinds.
    pub kinds: &'static [RecordKind],
    /// The kinds in words, for the error.
    pub words: &'static str,
}

/// Begins a record whose length will be `length` bytes. The body follows.
pub fn begin(header: &Header) -> Writer {
    let mut writer = Writer::with_capacity(header.sectors().bytes());
    writer.raw(&MAGIC);
    writer.u32(0);
    writer.u16(FORMAT_VERSION);
    writer.u16(header.kind.code());
    writer.u64(header.epoch);
    writer.u64(header.sequence);
    writer.u64(header.at.0);
    writer.u64(header.length);
    assert_eq!(writer.offset(), HEADER_BYTES, "header of another length");
    writer
}

/// Ends a record: pads it to whole sectors. Its checksum is left to [`seal`] or to the mover.
///
/// # Panics
/// If the body is not as long as the header said or longer than records of its kind may be:
/// a defect of the length prediction or of the planner.
pub fn finish(writer: Writer, header: &Header) -> Vec<u8> {
    assert_eq!(
        writer.offset(),
        header.length,
        "length of a {:?} record",
        header.kind
    );
    assert!(
        header.sectors() <= header.kind.sectors_max(),
        "a {:?} record of {} sectors",
        header.kind,
        header.sectors()
    );
    let mut bytes = writer.into_bytes();
    bytes.resize(index(header.sectors().bytes()), 0);
    bytes
}

/// Fills in the checksum, as the mover does when it writes a record.
///
/// # Panics
/// If `record` is not whole sectors.
pub fn seal(record: &mut [u8]) {
    assert!(
        !record.is_empty() && count(record.len()).is_multiple_of(SECTOR_BYTES),
        "a record of {} bytes",
        record.len()
    );
    let crc = crc32c::crc32c(&record[Record::CRC_AT + 4..]);
    record[Record::CRC_AT..Record::CRC_AT + 4].copy_from_slice(&crc.to_le_bytes());
}

/// Reads the header at the front of `bytes`, enough to know how much to read. The checksum is not
/// looked at: only [`open`] tells whether any of it is true. The length is within what records of
/// the kind may have.
pub fn peek(bytes: &[u8], sought: &Sought) -> Result<Header, RecordError> {
    let (header, _crc) = read_header(&mut Reader::new(bytes, sought.at), sought)?;
    Ok(header)
}

/// Checks the record at the front of `bytes` and hands out its body. Bytes after the record are
/// not looked at.
pub fn open<'a>(bytes: &'a [u8], sought: &Sought) -> Result<(Header, Reader<'a>), RecordError> {
    let (header, found) = read_header(&mut Reader::new(bytes, sought.at), sought)?;
    let needed = header.sectors().bytes();
    let Some(record) = bytes.get(..index(needed)) else {
        return Err(RecordError::Truncated {
            at: sought.at,
            field: "record",
            needed,
            given: count(bytes.len()),
        });
    };
    let computed = crc32c::crc32c(&record[Record::CRC_AT + 4..]);
    if computed != found {
        return Err(RecordError::BadChecksum {
            at: sought.at,
            bytes: needed,
            found,
            computed,
        });
    }
    let (body, padding) = record.split_at(index(header.length));
    if let Some(dirty) = padding.iter().position(|&byte| byte != 0) {
        return Err(RecordError::BadField {
            at: sought.at,
            field: "padding",
            offset: header.length + count(dirty),
            found: u64::from(padding[dirty]),
            expected: "0",
        });
    }
    let mut reader = Reader::new(body, sought.at);
    read_header(&mut reader, sought)?;
    Ok((header, reader))
}

fn read_header(reader: &mut Reader<'_>, sought: &Sought) -> Result<(Header, u32), RecordError> {
    let at = sought.at;
    let magic = reader.u64("magic")?;
    if magic != u64::from_le_bytes(MAGIC) {
        return Err(RecordError::NotARecord { at, found: magic });
    }
    let crc = reader.u32("crc")?;
    let version = reader.u16("version")?;
    if version != FORMAT_VERSION {
        return Err(RecordError::WrongVersion {
            at,
            found: version,
            expected: FORMAT_VERSION,
        });
    }
    let code = reader.u16("kind")?;
    let kind = RecordKind::from_code(code).filter(|kind| sought.kinds.contains(kind));
    let Some(kind) = kind else {
        return Err(RecordError::WrongKind {
            at,
            found: code,
            expected: sought.words,
        });
    };
    let epoch = reader.counter("epoch")?;
    let sequence = reader.counter("sequence")?;
    let own = reader.pba("at")?;
    if own != at {
        return Err(RecordError::WrongAddress { at, found: own });
    }
    let length = reader.u64("length")?;
    if length < HEADER_BYTES || Sectors::holding(length) > kind.sectors_max() {
        let expected = "at least the header, at most the longest record of its kind";
        return Err(reader.bad("length", 8, length, expected));
    }
    let header = Header {
        kind,
        epoch,
        sequence,
        at,
        length,
    };
    Ok((header, crc))
}
