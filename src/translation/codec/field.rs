//! Owns single fields of a record: little-endian numbers, counts and extents.
//!
//! A [`Reader`] never reads past the record's own length and names the field it stopped at. It
//! does not know in which order fields come.

use crate::extent::LbaExtent;
use crate::translation::codec::error::RecordError;
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors, count, index};

/// Bytes of an extent: start and length.
pub const EXTENT_BYTES: u64 = 16;
/// Where whatever counts openings, maps or records ends.
const COUNTER_MAX: u64 = 1 << 62;

/// Appends fields.
#[derive(Debug)]
pub struct Writer {
    bytes: Vec<u8>,
}

impl Writer {
    /// An empty writer with room for `capacity` bytes.
    pub fn with_capacity(capacity: u64) -> Writer {
        Writer {
            bytes: Vec::with_capacity(index(capacity)),
        }
    }

    /// Bytes written so far: the offset of the next field.
    pub fn offset(&self) -> u64 {
        count(self.bytes.len())
    }

    /// Everything written.
    pub fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }

    /// Appends bytes as they are.
    pub fn raw(&mut self, value: &[u8]) {
        self.bytes.extend_from_slice(value);
    }

    /// Appends one byte.
    pub fn u8(&mut self, value: u8) {
        self.bytes.push(value);
    }

    /// Appends two bytes.
    pub fn u16(&mut self, value: u16) {
        self.raw(&value.to_le_bytes());
    }

    /// Appends four bytes.
    pub fn u32(&mut self, value: u32) {
        self.raw(&value.to_le_bytes());
    }

    /// Appends eight bytes.
    pub fn u64(&mut self, value: u64) {
        self.raw(&value.to_le_bytes());
    }

    /// Appends the lowest `bytes` bytes of a number.
    ///
    /// # Panics
    /// If that is not all of it.
    pub fn short(&mut self, value: u64, bytes: u64) {
        let all = value.to_le_bytes();
        let (low, high) = all.split_at(index(bytes));
        assert!(
            high.iter().all(|byte| *byte == 0),
            "{value} in {bytes} bytes"
        );
        self.raw(low);
    }

    /// Appends the number of entries of a table in four bytes.
    ///
    /// # Panics
    /// If there are 2^32 of them: no record is that long.
    pub fn count(&mut self, entries: usize) {
        self.u32(u32::try_from(entries).expect("a record holds fewer than 2^32 entries"));
    }

    /// Appends an extent.
    pub fn extent(&mut self, extent: &LbaExtent) {
        assert!(extent.sectors.0 > 0, "empty extent at {}", extent.start);
        self.u64(extent.start.0);
        self.u64(extent.sectors.0);
    }

    /// Appends a counted list of extents.
    pub fn extents(&mut self, extents: &[LbaExtent]) {
        self.count(extents.len());
        for extent in extents {
            self.extent(extent);
        }
    }
}

/// Takes fields off the front of a record.
#[derive(Debug)]
pub struct Reader<'a> {
    at: Pba,
    bytes: &'a [u8],
    position: usize,
    /// Every field taken, for the test that compares the layout with its document.
    #[cfg(test)]
    pub(crate) seen: Vec<(usize, usize, &'static str)>,
}

impl<'a> Reader<'a> {
    /// Reads `bytes`, the record at `at`, from its first byte.
    pub fn new(bytes: &'a [u8], at: Pba) -> Reader<'a> {
        Reader {
            at,
            bytes,
            position: 0,
            #[cfg(test)]
            seen: Vec::new(),
        }
    }

    /// Offset of the next field.
    pub fn offset(&self) -> u64 {
        count(self.position)
    }

    /// Bytes after the last field taken.
    pub fn remaining(&self) -> u64 {
        count(self.bytes.len() - self.position)
    }

    /// Takes `bytes` bytes as they are.
    pub fn raw(&mut self, field: &'static str, bytes: usize) -> Result<&'a [u8], RecordError> {
        let rest = &self.bytes[self.position..];
        let Some(value) = rest.get(..bytes) else {
            return Err(RecordError::Truncated {
                at: self.at,
                field,
                needed: self.offset().saturating_add(count(bytes)),
                given: count(self.bytes.len()),
            });
        };
        #[cfg(test)]
        self.seen.push((self.position, bytes, field));
        self.position += bytes;
        Ok(value)
    }

    fn array<const N: usize>(&mut self, field: &'static str) -> Result<[u8; N], RecordError> {
        let value = self.raw(field, N)?;
        Ok(value.try_into().expect("raw gives as much as asked"))
    }

    /// Takes one byte.
    pub fn u8(&mut self, field: &'static str) -> Result<u8, RecordError> {
        Ok(u8::from_le_bytes(self.array(field)?))
    }

    /// Takes two bytes.
    pub fn u16(&mut self, field: &'static str) -> Result<u16, RecordError> {
        Ok(u16::from_le_bytes(self.array(field)?))
    }

    /// Takes four bytes.
    pub fn u32(&mut self, field: &'static str) -> Result<u32, RecordError> {
        Ok(u32::from_le_bytes(self.array(field)?))
    }

    /// Takes eight bytes.
    pub fn u64(&mut self, field: &'static str) -> Result<u64, RecordError> {
        Ok(u64::from_le_bytes(self.array(field)?))
    }

    /// Takes a number that counts up by one at a time. One above 2^62 is refused, so that
    /// whoever goes on counting never overflows.
    pub fn counter(&mut self, field: &'static str) -> Result<u64, RecordError> {
        let value = self.u64(field)?;
        if value > COUNTER_MAX {
            let expected = "at most 2^62: no drive counts further in its life";
            return Err(self.bad(field, 8, value, expected));
        }
        Ok(value)
    }

    /// Takes a number of `bytes` bytes, at most eight.
    pub fn short(&mut self, field: &'static str, bytes: u64) -> Result<u64, RecordError> {
        let bytes = index(bytes);
        let mut all = [0; 8];
        all[..bytes].copy_from_slice(self.raw(field, bytes)?);
        Ok(u64::from_le_bytes(all))
    }

    /// Takes a place on the medium.
    pub fn pba(&mut self, field: &'static str) -> Result<Pba, RecordError> {
        Ok(Pba(self.u64(field)?))
    }

    /// Takes a length.
    pub fn sectors(&mut self, field: &'static str) -> Result<Sectors, RecordError> {
        Ok(Sectors(self.u64(field)?))
    }

    /// Takes a physical band.
    pub fn band(&mut self, field: &'static str) -> Result<BandId, RecordError> {
        Ok(BandId(self.u32(field)?))
    }

    /// Takes a home band.
    pub fn home(&mut self, field: &'static str) -> Result<HomeBand, RecordError> {
        Ok(HomeBand(self.u32(field)?))
    }

    /// Takes the number of entries of a table of at least `entry_bytes` each. Refuses more than
    /// the rest of the record could hold, so that the caller may allocate for all of them.
    pub fn count(&mut self, field: &'static str, entry_bytes: u64) -> Result<usize, RecordError> {
        let entries = u64::from(self.u32(field)?);
        if entries.saturating_mul(entry_bytes) > self.remaining() {
            return Err(self.bad(field, 4, entries, "no more than fit in the record"));
        }
        Ok(index(entries))
    }

    /// Takes an extent: not empty, and its end is an address.
    pub fn extent(
        &mut self,
        start: &'static str,
        length: &'static str,
    ) -> Result<LbaExtent, RecordError> {
        let first = Lba(self.u64(start)?);
        let sectors = self.sectors(length)?;
        self.check_run(length, first.0, sectors)?;
        Ok(LbaExtent::new(first, sectors))
    }

    /// Takes a counted list of extents.
    pub fn extents(&mut self, field: &'static str) -> Result<Vec<LbaExtent>, RecordError> {
        let entries = self.count(field, EXTENT_BYTES)?;
        let mut extents = Vec::with_capacity(entries);
        for _ in 0..entries {
            extents.push(self.extent("extent.start", "extent.sectors")?);
        }
        Ok(extents)
    }

    /// Refuses a run, whose length was the field just taken, that is empty or has no end.
    pub fn check_run(
        &self,
        length: &'static str,
        start: u64,
        sectors: Sectors,
    ) -> Result<(), RecordError> {
        if sectors.0 == 0 || start.checked_add(sectors.0).is_none() {
            return Err(self.bad(length, 8, sectors.0, "at least 1, ending below 2^64"));
        }
        Ok(())
    }

    /// Accounts for the field just taken, of `field_bytes`, that says what it may not.
    pub fn bad(
        &self,
        field: &'static str,
        field_bytes: u64,
        found: u64,
        expected: &'static str,
    ) -> RecordError {
        RecordError::BadField {
            at: self.at,
            field,
            offset: self.offset() - field_bytes,
            found,
            expected,
        }
    }

    /// Refuses what is left over after the last field.
    pub fn finish(&self) -> Result<(), RecordError> {
        if self.remaining() > 0 {
            return Err(RecordError::BadField {
                at: self.at,
                field: "length",
                offset: crate::translation::codec::header::LENGTH_AT,
                found: count(self.bytes.len()),
                expected: "the end of the last field",
            });
        }
        Ok(())
    }
}
