//! Owns the mark by which texts that decide what comes out are told apart: their length and their sum.
//!
//! Same text, same mark, on every machine. It is no guard against somebody who wants two texts to have
//! the same.

use crate::units::count;

/// The mark of a text, 16 hexadecimal digits or more.
pub fn of(text: &str) -> String {
    let sum = count(text.len()) << 32 | u64::from(crc32c::crc32c(text.as_bytes()));
    format!("{sum:016x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_letter_and_another_length_have_other_marks() {
        // RFC 3720, B.4: the sum of 32 bytes of zeroes.
        assert_eq!(of(&"\0".repeat(32)), "000000208a9136aa");
        let marks = ["", "a", "b", "aa", "ab"].map(of);
        for (at, mark) in marks.iter().enumerate() {
            assert!(!marks[..at].contains(mark), "{marks:?}");
        }
    }
}
