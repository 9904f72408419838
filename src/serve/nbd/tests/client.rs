//! A plain client that can also send what no client should.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

pub(super) trait Stream: Read + Write + Send {}
impl<T: Read + Write + Send> Stream for T {}

/// How a client talks once it transmits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Speech {
    Simple,
    Structured,
    Extended,
}

impl Speech {
    pub(super) const ALL: [Speech; 3] = [Speech::Simple, Speech::Structured, Speech::Extended];
}

pub(super) const READ: u16 = 0;
pub(super) const WRITE: u16 = 1;
pub(super) const DISC: u16 = 2;
pub(super) const FLUSH: u16 = 3;
pub(super) const TRIM: u16 = 4;
pub(super) const CACHE: u16 = 5;
pub(super) const WRITE_ZEROES: u16 = 6;
pub(super) const BLOCK_STATUS: u16 = 7;

pub(super) const FUA: u16 = 1;
pub(super) const NO_HOLE: u16 = 2;
pub(super) const DF: u16 = 4;
pub(super) const REQ_ONE: u16 = 8;
pub(super) const FAST_ZERO: u16 = 16;
pub(super) const PAYLOAD_LEN: u16 = 32;

#[derive(Clone, Copy, Debug)]
pub(super) struct Command {
    pub(super) kind: u16,
    pub(super) flags: u16,
    pub(super) offset: u64,
    pub(super) bytes: u64,
}

pub(super) fn command(kind: u16, offset: u64, bytes: u64) -> Command {
    Command {
        kind,
        flags: 0,
        offset,
        bytes,
    }
}

impl Command {
    pub(super) fn with(self, flags: u16) -> Command {
        Command { flags, ..self }
    }
}

/// One whole reply.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Answered {
    pub(super) cookie: u64,
    pub(super) errno: u32,
    pub(super) data: Vec<u8>,
    /// Content chunks; 0 for simple replies.
    pub(super) chunks: u32,
    /// Context and its runs.
    pub(super) status: Vec<(u32, Vec<(u64, u64)>)>,
}

pub(super) struct Client {
    pub(super) stream: Box<dyn Stream>,
    pub(super) speech: Speech,
}

/// An option reply.
pub(super) type OptionReply = (u32, Vec<u8>);

impl Client {
    /// Connects and reads the greeting.
    pub(super) fn greet(socket: &Path, flags: u32) -> Client {
        let stream = UnixStream::connect(socket).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        Client::greet_on(Box::new(stream), flags)
    }

    pub(super) fn greet_on(stream: Box<dyn Stream>, flags: u32) -> Client {
        let mut client = Client {
            stream,
            speech: Speech::Simple,
        };
        assert_eq!(&client.read::<16>(), b"NBDMAGICIHAVEOPT");
        assert_eq!(client.read(), [0, 3]);
        client.stream.write_all(&flags.to_be_bytes()).unwrap();
        client
    }

    /// Connects and enters transmission.
    pub(super) fn enter(socket: &Path, speech: Speech) -> Client {
        let mut client = Client::greet(socket, 3);
        client.speak(speech);
        client.go("");
        client
    }

    pub(super) fn speak(&mut self, speech: Speech) {
        self.speech = speech;
        let option = match speech {
            Speech::Simple => return,
            Speech::Structured => 8,
            Speech::Extended => 11,
        };
        assert_eq!(self.option(option, &[]), vec![(1, vec![])]);
    }

    pub(super) fn go(&mut self, name: &str) -> Vec<OptionReply> {
        let replies = self.option(7, &info_data(name, &[]));
        assert_eq!(replies.last().map(|reply| reply.0), Some(1), "{replies:?}");
        replies
    }

    pub(super) fn send_option(&mut self, number: u32, data: &[u8]) {
        let mut bytes = b"IHAVEOPT".to_vec();
        bytes.extend(number.to_be_bytes());
        bytes.extend(u32::try_from(data.len()).unwrap().to_be_bytes());
        bytes.extend(data);
        self.stream.write_all(&bytes).unwrap();
    }

    /// Sends an option; all its replies up to the final one.
    pub(super) fn option(&mut self, number: u32, data: &[u8]) -> Vec<OptionReply> {
        self.send_option(number, data);
        let mut replies = Vec::new();
        loop {
            assert_eq!(u64::from_be_bytes(self.read()), 0x0003_e889_0455_65a9);
            assert_eq!(u32::from_be_bytes(self.read()), number);
            let kind = u32::from_be_bytes(self.read());
            let length = u32::from_be_bytes(self.read());
            replies.push((kind, self.read_bytes(u64::from(length))));
            if kind == 1 || kind & (1 << 31) != 0 {
                return replies;
            }
        }
    }

    /// Sends a request header, which also serves as its cookie's only user.
    pub(super) fn send(&mut self, command: Command, cookie: u64, payload: &[u8]) {
        let bytes = self.request(command, cookie, payload);
        self.stream.write_all(&bytes).unwrap();
    }

    pub(super) fn request(&self, command: Command, cookie: u64, payload: &[u8]) -> Vec<u8> {
        let extended = self.speech == Speech::Extended;
        let magic: u32 = if extended { 0x21e4_1c71 } else { 0x2560_9513 };
        let mut bytes = magic.to_be_bytes().to_vec();
        bytes.extend(command.flags.to_be_bytes());
        bytes.extend(command.kind.to_be_bytes());
        bytes.extend(cookie.to_be_bytes());
        bytes.extend(command.offset.to_be_bytes());
        if extended {
            bytes.extend(command.bytes.to_be_bytes());
        } else {
            bytes.extend(u32::try_from(command.bytes).unwrap().to_be_bytes());
        }
        bytes.extend(payload);
        bytes
    }

    /// Sends a request and reads its reply.
    pub(super) fn ask(&mut self, command: Command, payload: &[u8]) -> Answered {
        let cookie = 0xfeed_0000_0000_0000 | command.offset;
        self.send(command, cookie, payload);
        let reply = self.reply(command.kind == READ, command.bytes);
        assert_eq!(reply.cookie, cookie);
        reply
    }

    /// Reads one reply; `read` tells that a successful simple reply carries `bytes` of data.
    pub(super) fn reply(&mut self, read: bool, bytes: u64) -> Answered {
        let mut reply = Answered::default();
        loop {
            let magic = u32::from_be_bytes(self.read());
            match (magic, self.speech) {
                (0x6744_6698, Speech::Simple | Speech::Structured) => {
                    reply.errno = u32::from_be_bytes(self.read());
                    reply.cookie = u64::from_be_bytes(self.read());
                    assert!(self.speech == Speech::Simple || !read, "reads need chunks");
                    if read && reply.errno == 0 {
                        reply.data = self.read_bytes(bytes);
                    }
                    return reply;
                }
                (0x668e_33ef, Speech::Structured) | (0x6e8a_278c, Speech::Extended) => {
                    if self.chunk(&mut reply) {
                        return reply;
                    }
                }
                other => panic!("unexpected reply {other:x?}"),
            }
        }
    }

    fn chunk(&mut self, reply: &mut Answered) -> bool {
        let flags = u16::from_be_bytes(self.read());
        let kind = u16::from_be_bytes(self.read());
        reply.cookie = u64::from_be_bytes(self.read());
        let length = if self.speech == Speech::Extended {
            let _offset: [u8; 8] = self.read();
            u64::from_be_bytes(self.read())
        } else {
            u64::from(u32::from_be_bytes(self.read()))
        };
        let payload = self.read_bytes(length);
        let word = |at: usize| u32::from_be_bytes(payload[at..at + 4].try_into().unwrap());
        let long = |at: usize| u64::from_be_bytes(payload[at..at + 8].try_into().unwrap());
        match (kind, self.speech) {
            (0, _) => assert!(payload.is_empty()),
            (1, _) => {
                reply.data.extend(&payload[8..]);
                reply.chunks += 1;
            }
            (5, Speech::Structured) => {
                let runs = (4..payload.len()).step_by(8);
                let runs = runs.map(|at| (u64::from(word(at)), u64::from(word(at + 4))));
                reply.status.push((word(0), runs.collect()));
            }
            (6, Speech::Extended) => {
                let runs: Vec<_> = (8..payload.len())
                    .step_by(16)
                    .map(|at| (long(at), long(at + 8)))
                    .collect();
                assert_eq!(usize::try_from(word(4)).unwrap(), runs.len());
                reply.status.push((word(0), runs));
            }
            (0x8001, _) => {
                reply.errno = word(0);
                let words = std::str::from_utf8(&payload[6..]).unwrap();
                assert!(!words.is_empty());
            }
            other => panic!("unexpected chunk {other:?}"),
        }
        flags & 1 != 0
    }

    pub(super) fn read<const N: usize>(&mut self) -> [u8; N] {
        let mut bytes = [0; N];
        self.stream.read_exact(&mut bytes).unwrap();
        bytes
    }

    pub(super) fn read_bytes(&mut self, bytes: u64) -> Vec<u8> {
        let mut data = vec![0; usize::try_from(bytes).unwrap()];
        self.stream.read_exact(&mut data).unwrap();
        data
    }

    /// Whether the server has hung up.
    pub(super) fn is_closed(&mut self) -> bool {
        match self.stream.read(&mut [0]) {
            Ok(bytes) => bytes == 0,
            Err(error) => {
                assert_eq!(error.kind(), std::io::ErrorKind::ConnectionReset);
                true
            }
        }
    }
}

/// Data of INFO and GO.
pub(super) fn info_data(name: &str, items: &[u16]) -> Vec<u8> {
    let mut data = u32::try_from(name.len()).unwrap().to_be_bytes().to_vec();
    data.extend(name.as_bytes());
    data.extend(u16::try_from(items.len()).unwrap().to_be_bytes());
    for item in items {
        data.extend(item.to_be_bytes());
    }
    data
}

/// Data of the metadata context options.
pub(super) fn meta_data(name: &str, queries: &[&str]) -> Vec<u8> {
    let mut data = u32::try_from(name.len()).unwrap().to_be_bytes().to_vec();
    data.extend(name.as_bytes());
    data.extend(u32::try_from(queries.len()).unwrap().to_be_bytes());
    for query in queries {
        data.extend(u32::try_from(query.len()).unwrap().to_be_bytes());
        data.extend(query.as_bytes());
    }
    data
}
