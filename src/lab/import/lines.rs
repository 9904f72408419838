//! Owns the lines of a text that may be compressed: one after the other, in bounded memory.

use std::io::{BufRead, BufReader, Error, Read};

use flate2::bufread::MultiGzDecoder;

/// Bytes of the longest line that is read.
const LINE_BYTES_MAX: u64 = 1 << 16;
const BUFFER_BYTES: usize = 1 << 18;
const GZIP: [u8; 2] = [0x1f, 0x8b];
/// What some spreadsheets write first.
const BYTE_ORDER_MARK: &[u8] = "\u{feff}".as_bytes();

/// A line, without its end.
pub(super) enum Line<'l> {
    /// Bytes that are no text have become question marks.
    Text(&'l str),
    /// Too long to be read; it was passed over.
    TooLong,
}

/// The lines of a text.
pub struct Lines {
    from: Box<dyn BufRead>,
    line: Vec<u8>,
    text: String,
    number: u64,
}

impl Lines {
    /// The lines that come out of `from`, which may be compressed by gzip.
    ///
    /// # Errors
    /// If its first bytes cannot be read.
    pub fn of(from: impl Read + 'static) -> Result<Lines, Error> {
        let mut plain = BufReader::with_capacity(BUFFER_BYTES, from);
        let from: Box<dyn BufRead> = if plain.fill_buf()?.starts_with(&GZIP) {
            Box::new(BufReader::with_capacity(
                BUFFER_BYTES,
                MultiGzDecoder::new(plain),
            ))
        } else {
            Box::new(plain)
        };
        Ok(Lines {
            from,
            line: Vec::new(),
            text: String::new(),
            number: 0,
        })
    }

    /// The next line and its number, from 1; nothing at the end.
    pub(super) fn next(&mut self) -> Result<Option<(u64, Line<'_>)>, Error> {
        self.line.clear();
        let mut limited = (&mut self.from).take(LINE_BYTES_MAX);
        if limited.read_until(b'\n', &mut self.line)? == 0 {
            return Ok(None);
        }
        self.number += 1;
        let ended = self.line.last() == Some(&b'\n');
        if !ended && limited.limit() == 0 {
            self.pass_over()?;
            return Ok(Some((self.number, Line::TooLong)));
        }
        while matches!(self.line.last(), Some(b'\n' | b'\r')) {
            self.line.pop();
        }
        if self.number == 1 && self.line.starts_with(BYTE_ORDER_MARK) {
            self.line.drain(..BYTE_ORDER_MARK.len());
        }
        let text = if let Ok(text) = std::str::from_utf8(&self.line) {
            text
        } else {
            self.text = String::from_utf8_lossy(&self.line).into_owned();
            &self.text
        };
        Ok(Some((self.number, Line::Text(text))))
    }

    /// To the end of the line.
    fn pass_over(&mut self) -> Result<(), Error> {
        loop {
            let buffer = self.from.fill_buf()?;
            if buffer.is_empty() {
                return Ok(());
            }
            let end = buffer.iter().position(|byte| *byte == b'\n');
            let used = end.map_or(buffer.len(), |at| at + 1);
            self.from.consume(used);
            if end.is_some() {
                return Ok(());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Cursor, Write};

    fn read(bytes: Vec<u8>) -> Vec<(u64, Option<String>)> {
        let mut lines = Lines::of(Cursor::new(bytes)).expect("memory");
        let mut all = Vec::new();
        while let Some((number, line)) = lines.next().expect("memory") {
            all.push((
                number,
                match line {
                    Line::Text(text) => Some(text.to_owned()),
                    Line::TooLong => None,
                },
            ));
        }
        all
    }

    #[test]
    fn lines_are_numbered_and_long_ones_passed_over() {
        let long = "x".repeat(200_000);
        let found = read(format!("a\r\n{long}\n\nlast").into_bytes());
        let text = |text: &str| Some(text.to_owned());
        assert_eq!(
            found,
            [(1, text("a")), (2, None), (3, text("")), (4, text("last"))]
        );
        assert_eq!(read(b"\xff1\n".to_vec())[0].1.as_deref(), Some("\u{fffd}1"));
    }

    #[test]
    fn compressed_text_is_read_like_plain_text() {
        let mut packed = Vec::new();
        for part in ["a\nb", "c\n"] {
            let mut one = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            one.write_all(part.as_bytes()).expect("memory");
            // Parts that were compressed one by one and joined.
            packed.extend(one.finish().expect("memory"));
        }
        assert_eq!(read(packed), read(b"a\nbc\n".to_vec()));
    }
}
