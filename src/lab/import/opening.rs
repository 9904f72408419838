//! Owns the beginning of a text that is to be imported: it is unpacked where it is packed, and what is no
//! text is refused by its first bytes.
//!
//! What the lines of the text mean is not known here.

use std::io::{BufRead, BufReader, Error, Read};

use flate2::bufread::MultiGzDecoder;

use crate::translation::codec::header::MAGIC;

const BUFFER_BYTES: usize = 1 << 18;
const GZIP: &[u8] = &[0x1f, 0x8b];
const PARQUET: &[u8] = b"PAR1";
const UTF_16: [&[u8]; 2] = [&[0xff, 0xfe], &[0xfe, 0xff]];
/// Bytes that are looked at.
const BEGINNING: usize = 4096;

/// Why something cannot be read as text.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// The system says so, or what was packed is damaged.
    #[error("it cannot be read")]
    Read(#[from] Error),
    /// It is something else.
    #[error("it is no text: {what}")]
    NoText {
        /// What it is, and what to do with that.
        what: &'static str,
    },
    /// There is more of it than is kept.
    #[error("it is longer than {} MiB: split it, or ask iostat for fewer drives", .bytes_max >> 20)]
    TooLong {
        /// Most that is read.
        bytes_max: u64,
    },
}

/// The text that comes out of `from`, which may be packed by gzip.
///
/// # Errors
/// If it cannot be read, or begins like no text.
pub(super) fn open(from: impl Read + 'static) -> Result<Box<dyn BufRead>, TextError> {
    let mut plain = BufReader::with_capacity(BUFFER_BYTES, from);
    if !plain.fill_buf()?.starts_with(GZIP) {
        check(plain.fill_buf()?)?;
        return Ok(Box::new(plain));
    }
    let mut unpacked = BufReader::with_capacity(BUFFER_BYTES, MultiGzDecoder::new(plain));
    check(unpacked.fill_buf()?)?;
    Ok(Box::new(unpacked))
}

fn check(beginning: &[u8]) -> Result<(), TextError> {
    let beginning = &beginning[..beginning.len().min(BEGINNING)];
    let what = if beginning.starts_with(&MAGIC) {
        "an image of imbrex; what is asked of it is recorded by `record` and `serve --record`"
    } else if beginning.starts_with(PARQUET) {
        "a recording already (or another Parquet file); `simulate --replay` runs it"
    } else if UTF_16.iter().any(|mark| beginning.starts_with(mark)) {
        "its characters are of two bytes each (UTF-16); turn it into UTF-8 first (iconv -f UTF-16 -t UTF-8)"
    } else if beginning.contains(&0) {
        "its first bytes hold zeroes, which no text does"
    } else {
        return Ok(());
    };
    Err(TextError::NoText { what })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Cursor, Write};

    fn packed(bytes: &[u8]) -> Vec<u8> {
        let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packer.write_all(bytes).expect("memory");
        packer.finish().expect("memory")
    }

    #[test]
    fn what_is_no_text_is_refused_by_its_first_bytes_packed_or_not() {
        let refused = |bytes: &[u8], words: &str| {
            for bytes in [bytes.to_vec(), packed(bytes)] {
                let told = open(Cursor::new(bytes)).err().expect("it is no text");
                assert!(told.to_string().contains(words), "{told}");
            }
        };
        refused(b"\x89imbrex\n and more", "an image of imbrex");
        refused(b"PAR1\x15\x04", "simulate --replay");
        refused(b"\xff\xfeT\0i\0", "UTF-16");
        refused(b"time,op\n\0\0\0", "zeroes");
    }

    #[test]
    fn text_without_end_that_is_none_is_refused_as_well() {
        let told = open(std::io::repeat(0)).err().expect("it is no text");
        assert!(matches!(told, TextError::NoText { .. }), "{told}");
    }

    #[test]
    fn text_is_read_whole_and_a_zero_far_behind_its_beginning_is_no_reason() {
        let mut text = "a line\n".repeat(1000).into_bytes();
        text.push(0);
        for bytes in [text.clone(), packed(&text)] {
            let mut back = Vec::new();
            let mut opened = open(Cursor::new(bytes)).expect("it is text");
            opened.read_to_end(&mut back).expect("memory");
            assert_eq!(back, text);
        }
    }
}
