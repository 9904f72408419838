//! Owns the lines of a text that may be compressed: one after the other, in bounded memory.
//!
//! Always holds: whatever comes, each call returns after a bounded number of bytes.

use std::io::{BufRead, Error, Read};

use super::opening::{self, TextError};
use crate::units::count;

/// Bytes of the longest line that is read.
const LINE_BYTES_MAX: u64 = 1 << 16;
/// Bytes of the longest line that is passed over.
pub(super) const PASSED_OVER_MAX: u64 = 1 << 26;
/// What some spreadsheets write first.
const BYTE_ORDER_MARK: &[u8] = "\u{feff}".as_bytes();

/// A line, without its end.
pub(super) enum Line<'l> {
    /// Bytes that are no text have become question marks.
    Text(&'l str),
    /// Too long to be read; it was passed over.
    TooLong,
    /// Too long even for that: it may have no end.
    Endless,
}

/// The lines of a text.
pub struct Lines {
    from: Box<dyn BufRead>,
    line: Vec<u8>,
    text: String,
    number: u64,
    taken: u64,
}

impl Lines {
    /// The lines that come out of `from`, which may be compressed by gzip.
    ///
    /// # Errors
    /// If its first bytes cannot be read, or are those of no text.
    pub fn of(from: impl Read + 'static) -> Result<Lines, TextError> {
        Ok(Lines {
            from: opening::open(from)?,
            line: Vec::new(),
            text: String::new(),
            number: 0,
            taken: 0,
        })
    }

    /// Bytes of all lines so far.
    pub(super) fn taken(&self) -> u64 {
        self.taken
    }

    /// The next line and its number, from 1; nothing at the end.
    pub(super) fn next(&mut self) -> Result<Option<(u64, Line<'_>)>, Error> {
        self.line.clear();
        let mut limited = (&mut self.from).take(LINE_BYTES_MAX);
        if limited.read_until(b'\n', &mut self.line)? == 0 {
            return Ok(None);
        }
        self.number += 1;
        self.taken += count(self.line.len());
        let ended = self.line.last() == Some(&b'\n');
        if !ended && limited.limit() == 0 {
            let line = if self.pass_over()? {
                Line::TooLong
            } else {
                Line::Endless
            };
            return Ok(Some((self.number, line)));
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

    /// To the end of the line; whether it came.
    fn pass_over(&mut self) -> Result<bool, Error> {
        let mut passed = 0;
        while passed < PASSED_OVER_MAX {
            let buffer = self.from.fill_buf()?;
            if buffer.is_empty() {
                return Ok(true);
            }
            let end = buffer.iter().position(|byte| *byte == b'\n');
            let used = end.map_or(buffer.len(), |at| at + 1);
            self.from.consume(used);
            passed += count(used);
            self.taken += count(used);
            if end.is_some() {
                return Ok(true);
            }
        }
        Ok(false)
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
                    Line::Endless => panic!("line {number} has an end"),
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
    fn a_line_without_end_is_told_and_not_waited_for() {
        let mut lines = Lines::of(std::io::repeat(b'x')).expect("it may be text");
        let line = lines.next().expect("memory");
        assert!(matches!(line, Some((1, Line::Endless))));
        assert!(lines.taken() < 2 * PASSED_OVER_MAX);
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
