//! Owns the narrow interface to whatever holds the bytes of an image.
//!
//! Positions are bytes from the start of the image. A store knows nothing of what lies where. What
//! was written is durable only after [`Store::sync`].

use std::io;

/// Whether all of `bytes` is zero, compared in long steps: one byte at a time takes many times as long.
pub fn is_zero(bytes: &[u8]) -> bool {
    static ZEROES: [u8; 4096] = [0; 4096];
    let mut pieces = bytes.chunks(ZEROES.len());
    pieces.all(|piece| piece == &ZEROES[..piece.len()])
}

/// Holds the bytes of an image.
pub trait Store: Send {
    /// Bytes there are. Fixed while open.
    fn bytes(&self) -> io::Result<u64>;
    /// Fills `into` from position `at`. Never short: past the end is an error.
    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()>;
    /// Writes all of `from` at position `at`.
    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()>;
    /// Makes `bytes` from position `at` read as zeroes, deallocating where it can.
    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()>;
    /// Makes everything written so far durable.
    fn sync(&self) -> io::Result<()>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_byte_anywhere_is_not_zero() {
        for bytes in [0, 1, 4095, 4096, 4097, 9000] {
            let mut all = vec![0; bytes];
            assert!(is_zero(&all), "{bytes}");
            for at in (0..bytes).step_by(61).chain(bytes.checked_sub(1)) {
                all[at] = 1;
                assert!(!is_zero(&all), "{at} of {bytes}");
                all[at] = 0;
            }
        }
    }
}
