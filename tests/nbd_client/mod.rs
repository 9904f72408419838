//! As much of an NBD client as end-to-end tests need: one request at a time over a Unix socket.
//!
//! A server that goes away in the middle is an answer like others; one that breaks the protocol fails
//! the test.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

const READ: u16 = 0;
const WRITE: u16 = 1;
const FLUSH: u16 = 3;
const TRIM: u16 = 4;
const ZERO: u16 = 6;

const FORCE_UNIT_ACCESS: u16 = 1;

const OPTION_GO: u32 = 7;
const REPLY_ACK: u32 = 1;

/// Why there is no answer of the kind hoped for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoAnswer {
    /// The server says this error number.
    Error(u32),
    /// The connection is gone.
    Gone,
}

pub(crate) struct Client(UnixStream);

impl Client {
    pub(crate) fn connect(socket: &Path) -> Client {
        let stream = UnixStream::connect(socket).expect("it listens");
        let mut client = Client(stream);
        client.shake_hands().expect("the server stays");
        client
    }

    fn shake_hands(&mut self) -> Result<(), NoAnswer> {
        assert_eq!(&self.take::<16>()?, b"NBDMAGICIHAVEOPT");
        self.take::<2>()?;
        let mut hello = 3u32.to_be_bytes().to_vec();
        hello.extend(b"IHAVEOPT");
        for number in [OPTION_GO, 6, 0] {
            hello.extend(number.to_be_bytes());
        }
        hello.extend([0; 2]);
        self.give(&hello)?;
        loop {
            self.take::<12>()?;
            let kind = u32::from_be_bytes(self.take()?);
            let bytes = u32::from_be_bytes(self.take()?);
            self.take_many(bytes)?;
            if kind == REPLY_ACK {
                return Ok(());
            }
            assert_eq!(kind >> 31, 0, "the option was refused");
        }
    }

    pub(crate) fn read(&mut self, offset: u64, bytes: u32) -> Result<Vec<u8>, NoAnswer> {
        self.ask(READ, 0, (offset, bytes), &[])?;
        self.take_many(bytes)
    }

    pub(crate) fn write(&mut self, offset: u64, data: &[u8]) -> Result<(), NoAnswer> {
        self.ask(WRITE, 0, (offset, length(data)), data)
    }

    /// With force unit access: once answered, it is durable.
    pub(crate) fn write_through(&mut self, offset: u64, data: &[u8]) -> Result<(), NoAnswer> {
        self.ask(WRITE, FORCE_UNIT_ACCESS, (offset, length(data)), data)
    }

    pub(crate) fn zero(&mut self, offset: u64, bytes: u32) -> Result<(), NoAnswer> {
        self.ask(ZERO, 0, (offset, bytes), &[])
    }

    pub(crate) fn trim(&mut self, offset: u64, bytes: u32) -> Result<(), NoAnswer> {
        self.ask(TRIM, 0, (offset, bytes), &[])
    }

    pub(crate) fn flush(&mut self) -> Result<(), NoAnswer> {
        self.ask(FLUSH, 0, (0, 0), &[])
    }

    fn ask(
        &mut self,
        kind: u16,
        flags: u16,
        (offset, bytes): (u64, u32),
        data: &[u8],
    ) -> Result<(), NoAnswer> {
        let mut request = 0x2560_9513u32.to_be_bytes().to_vec();
        request.extend(flags.to_be_bytes());
        request.extend(kind.to_be_bytes());
        request.extend(b"a cookie");
        request.extend(offset.to_be_bytes());
        request.extend(bytes.to_be_bytes());
        request.extend(data);
        self.give(&request)?;
        assert_eq!(u32::from_be_bytes(self.take()?), 0x6744_6698);
        let error = u32::from_be_bytes(self.take()?);
        assert_eq!(&self.take::<8>()?, b"a cookie");
        match error {
            0 => Ok(()),
            error => Err(NoAnswer::Error(error)),
        }
    }

    fn give(&mut self, bytes: &[u8]) -> Result<(), NoAnswer> {
        self.0.write_all(bytes).map_err(|_| NoAnswer::Gone)
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], NoAnswer> {
        let mut bytes = [0; N];
        self.0.read_exact(&mut bytes).map_err(|_| NoAnswer::Gone)?;
        Ok(bytes)
    }

    fn take_many(&mut self, bytes: u32) -> Result<Vec<u8>, NoAnswer> {
        let mut taken = vec![0; usize::try_from(bytes).expect("64-bit host")];
        self.0.read_exact(&mut taken).map_err(|_| NoAnswer::Gone)?;
        Ok(taken)
    }
}

fn length(data: &[u8]) -> u32 {
    u32::try_from(data.len()).expect("requests of tests are small")
}
