//! The byte formats of records: journal and map. Bytes in, values out; no I/O.
//!
//! Every record says what it is: magic, format version, kind, epoch, sequence, own address, length
//! and a CRC-32C over everything after it. Hostile bytes are refused with the place and the field
//! that is wrong; they never panic and never cost more memory than a small multiple of their own
//! length. `docs/image-format.md` shows the same bytes; a test compares the two.
//!
//! Reading order: what can be wrong, single fields, the header that all records share, lists of
//! changes, the journal record, the state in a map, the map records.

pub mod changes;
pub mod error;
pub mod field;
pub mod header;
pub mod map_record;
pub mod map_state;
pub mod record;

#[cfg(test)]
pub(crate) mod document;
#[cfg(test)]
mod tests;
