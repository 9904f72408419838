//! Owns the narrow interface to whatever holds the bytes of an image.
//!
//! Positions are bytes from the start of the image. A store knows nothing of what lies where. What
//! was written is durable only after [`Store::sync`].

use std::io;

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
