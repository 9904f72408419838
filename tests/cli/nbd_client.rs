//! As much of an NBD client as it takes to read, write and flush: one request at a time.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

const READ: u16 = 0;
const WRITE: u16 = 1;
const FLUSH: u16 = 3;

const OPTION_GO: u32 = 7;
const REPLY_ACK: u32 = 1;

pub(crate) struct Client(UnixStream);

impl Client {
    pub(crate) fn connect(socket: &Path) -> Client {
        let mut client = Client(UnixStream::connect(socket).expect("it listens"));
        assert_eq!(&client.take::<16>(), b"NBDMAGICIHAVEOPT");
        client.take::<2>();
        client.give(&3u32.to_be_bytes());
        client.give(b"IHAVEOPT");
        for number in [OPTION_GO, 6, 0] {
            client.give(&number.to_be_bytes());
        }
        client.give(&[0; 2]);
        loop {
            client.take::<12>();
            let kind = u32::from_be_bytes(client.take());
            let bytes = u32::from_be_bytes(client.take());
            client.take_many(bytes);
            if kind == REPLY_ACK {
                return client;
            }
            assert_eq!(kind >> 31, 0, "the option was refused");
        }
    }

    /// The bytes, or the error number.
    pub(crate) fn read(&mut self, offset: u64, bytes: u32) -> Result<Vec<u8>, u32> {
        self.ask(READ, offset, bytes, &[])?;
        Ok(self.take_many(bytes))
    }

    pub(crate) fn write(&mut self, offset: u64, data: &[u8]) -> Result<(), u32> {
        self.ask(
            WRITE,
            offset,
            u32::try_from(data.len()).expect("small"),
            data,
        )
    }

    pub(crate) fn flush(&mut self) -> Result<(), u32> {
        self.ask(FLUSH, 0, 0, &[])
    }

    fn ask(&mut self, kind: u16, offset: u64, bytes: u32, data: &[u8]) -> Result<(), u32> {
        self.give(&0x2560_9513u32.to_be_bytes());
        self.give(&[0; 2]);
        self.give(&kind.to_be_bytes());
        self.give(b"a cookie");
        self.give(&offset.to_be_bytes());
        self.give(&bytes.to_be_bytes());
        self.give(data);
        assert_eq!(u32::from_be_bytes(self.take()), 0x6744_6698);
        let error = u32::from_be_bytes(self.take());
        assert_eq!(&self.take::<8>(), b"a cookie");
        if error == 0 { Ok(()) } else { Err(error) }
    }

    fn give(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).expect("the server takes it");
    }

    fn take<const N: usize>(&mut self) -> [u8; N] {
        let mut bytes = [0; N];
        self.0.read_exact(&mut bytes).expect("the server answers");
        bytes
    }

    fn take_many(&mut self, bytes: u32) -> Vec<u8> {
        let mut taken = vec![0; usize::try_from(bytes).expect("64-bit host")];
        self.0.read_exact(&mut taken).expect("the server answers");
        taken
    }
}
