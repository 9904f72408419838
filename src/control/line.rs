//! Owns how lines are taken from a socket: whole, and never longer than allowed.

use std::io::{self, BufRead};

/// What came.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Line {
    /// A line, without its end.
    Whole(Vec<u8>),
    /// More than a line may have. What follows cannot be told apart from it.
    TooLong,
    /// Nothing more comes. What came without an end of line is dropped.
    End,
}

/// Takes the next line of at most `bytes_max` bytes.
pub(super) fn take(from: &mut impl BufRead, bytes_max: usize) -> io::Result<Line> {
    let mut line = Vec::new();
    loop {
        let there = match from.fill_buf() {
            Ok(there) => there,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        if there.is_empty() {
            return Ok(Line::End);
        }
        let end = there.iter().position(|byte| *byte == b'\n');
        let taken = end.unwrap_or(there.len());
        if line.len() + taken > bytes_max {
            return Ok(Line::TooLong);
        }
        line.extend_from_slice(&there[..taken]);
        from.consume(taken + usize::from(end.is_some()));
        if end.is_some() {
            return Ok(Line::Whole(line));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::BufReader;

    #[test]
    fn lines_come_whole_up_to_the_limit_however_the_bytes_arrive() {
        let text = b"abc\n\nabcd\nabcde\n";
        for buffer in 1..text.len() {
            let mut from = BufReader::with_capacity(buffer, &text[..]);
            let whole = |text: &[u8]| Line::Whole(text.to_vec());
            assert_eq!(take(&mut from, 4).unwrap(), whole(b"abc"));
            assert_eq!(take(&mut from, 4).unwrap(), whole(b""));
            assert_eq!(take(&mut from, 4).unwrap(), whole(b"abcd"));
            assert_eq!(take(&mut from, 4).unwrap(), Line::TooLong);
        }
        assert_eq!(take(&mut &b"no end"[..], 9).unwrap(), Line::End);
    }
}
