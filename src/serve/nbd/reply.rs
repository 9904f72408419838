//! Owns the writing half of the transmission phase: how replies look and how they leave.
//!
//! Replies leave in order of completion, several per system call. An answer that does not fit its
//! request becomes an error, so that what is written always has the length its header promises.

use std::io::{self, IoSlice};

use super::errno::{Errno, Fault};
use super::handshake::Session;
use super::limits::Permit;
use super::meta_context::RUNS_MAX;
use super::progress::Stall;
use super::reply_queue::{Asked, Outcome, Outgoing, ReplyQueue, Task};
use super::stream::Outlet;
use super::wire::{
    Command, EXTENDED_REPLY_MAGIC, REPLY_DONE, SIMPLE_REPLY_MAGIC, STRUCTURED_REPLY_MAGIC, Style,
    chunk,
};
use crate::host::handle::Answer;
use crate::host::shelf::Shelf;
use crate::units::count;

/// Replies per system call: two slices each stay far below what the system takes.
const BATCH_REPLIES: usize = 64;

/// Writes replies until there are none to come, it is told to close, or the client is gone.
pub(super) fn write_replies(
    queue: &ReplyQueue,
    outlet: &mut Outlet,
    session: Session,
    stall: &Stall,
    shelf: &Shelf,
) -> io::Result<()> {
    let mut batch: Vec<Outgoing> = Vec::with_capacity(BATCH_REPLIES);
    while let Some(task) = queue.take(&mut batch, BATCH_REPLIES) {
        let unsent = match task {
            Task::Unsent(unsent) => unsent,
            Task::Batch => {
                let frames = batch.drain(..);
                let frames = frames.map(|outgoing| Frame::new(outgoing, session));
                Unsent::new(frames.collect())
            }
        };
        unsent.with_slices(|slices| write_all(slices, outlet, stall))?;
        queue.written();
        // Permits are given back here too.
        unsent.shelve(shelf);
    }
    Ok(())
}

/// Replies of which not all bytes are written.
pub(super) struct Unsent {
    frames: Vec<Frame>,
    /// Bytes of them that are.
    sent: usize,
    bytes: usize,
}

impl Unsent {
    pub(super) fn new(frames: Vec<Frame>) -> Unsent {
        let bytes = frames.iter().map(Frame::bytes).sum();
        Unsent {
            frames,
            sent: 0,
            bytes,
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.sent == self.bytes
    }

    /// Gives the memory back.
    pub(super) fn shelve(self, memory: &Shelf) {
        for frame in self.frames {
            memory.give(frame.body);
        }
    }

    /// So many more bytes are written.
    pub(super) fn sent(&mut self, bytes: usize) {
        self.sent += bytes;
    }

    /// Calls the function with what is left.
    pub(super) fn with_slices<R>(&self, write: impl FnOnce(&mut [IoSlice<'_>]) -> R) -> R {
        let mut slices: Vec<IoSlice<'_>> = Vec::with_capacity(2 * self.frames.len());
        for frame in &self.frames {
            slices.push(IoSlice::new(frame.head.bytes()));
            slices.push(IoSlice::new(&frame.body));
        }
        let mut left = slices.as_mut_slice();
        IoSlice::advance_slices(&mut left, self.sent);
        write(left)
    }
}

fn write_all(mut left: &mut [IoSlice<'_>], outlet: &mut Outlet, stall: &Stall) -> io::Result<()> {
    // An empty body has nothing to write.
    IoSlice::advance_slices(&mut left, 0);
    while !left.is_empty() {
        stall.begin();
        match outlet.write_vectored(left) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(written) => IoSlice::advance_slices(&mut left, written),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    stall.end();
    Ok(())
}

/// A reply ready to be written; holds its share of the limits until it is.
pub(super) struct Frame {
    head: Head,
    body: Vec<u8>,
    _permit: Permit,
}

impl Frame {
    pub(super) fn new(outgoing: Outgoing, session: Session) -> Frame {
        let (head, body) = encode(&outgoing.asked, outgoing.outcome, session);
        Frame {
            head,
            body,
            _permit: outgoing.permit,
        }
    }

    fn bytes(&self) -> usize {
        self.head.bytes().len() + self.body.len()
    }
}

/// Room for the longest header together with what stands between it and the data of a read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Head {
    bytes: [u8; 40],
    length: usize,
}

impl Head {
    const EMPTY: Head = Head {
        bytes: [0; 40],
        length: 0,
    };

    fn put<const N: usize>(mut self, field: [u8; N]) -> Head {
        self.bytes[self.length..self.length + N].copy_from_slice(&field);
        self.length += N;
        self
    }

    /// What has been put.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes[..self.length]
    }
}

/// The reply to a request: header and what follows it.
pub(super) fn encode(asked: &Asked, outcome: Outcome, session: Session) -> (Head, Vec<u8>) {
    let outcome = outcome.and_then(|answer| fitting(asked, answer));
    match (outcome, session.style) {
        (Ok(Answer::Data(data)), Style::Simple) => (simple(asked, 0), data),
        (Ok(Answer::Data(data)), Style::Structured | Style::Extended) => {
            let length = 8 + count(data.len());
            let head = chunk_head(asked, session.style, REPLY_DONE, chunk::OFFSET_DATA, length);
            (head.put(asked.offset.to_be_bytes()), data)
        }
        (Ok(Answer::Whereabouts(parts)), _) => (Head::EMPTY, encode_status(asked, &parts, session)),
        (
            Ok(Answer::Done | Answer::Status(_) | Answer::Account(_) | Answer::Order(_)),
            Style::Extended,
        ) => {
            let head = chunk_head(asked, session.style, REPLY_DONE, chunk::NONE, 0);
            (head, Vec::new())
        }
        (
            Ok(Answer::Done | Answer::Status(_) | Answer::Account(_) | Answer::Order(_)),
            Style::Simple | Style::Structured,
        ) => (simple(asked, 0), Vec::new()),
        (Err(fault), Style::Simple) => {
            let errno = fault.errno(asked.command).number();
            (simple(asked, errno), Vec::new())
        }
        (Err(fault), Style::Structured | Style::Extended) => encode_error(asked, &fault, session),
    }
}

/// Turns an answer of the wrong kind or length, which the client could not follow, into an error.
fn fitting(asked: &Asked, answer: Answer) -> Result<Answer, Fault> {
    let fits = match (&answer, asked.command) {
        (Answer::Data(data), Command::Read) => count(data.len()) == asked.bytes,
        (Answer::Whereabouts(parts), Command::BlockStatus) => {
            parts.iter().any(|(bytes, _)| *bytes > 0)
        }
        (Answer::Done, command) => !matches!(command, Command::Read | Command::BlockStatus),
        _ => false,
    };
    if fits {
        Ok(answer)
    } else {
        Err(Fault::Rule(
            Errno::Io,
            "the drive's answer does not fit the request",
        ))
    }
}

/// Section "Simple reply message".
fn simple(asked: &Asked, errno: u32) -> Head {
    Head::EMPTY
        .put(SIMPLE_REPLY_MAGIC.to_be_bytes())
        .put(errno.to_be_bytes())
        .put(asked.cookie.to_be_bytes())
}

/// Sections "Structured reply chunk message" and "Extended reply chunk message".
fn chunk_head(asked: &Asked, style: Style, flags: u16, kind: u16, length: u64) -> Head {
    let magic = match style {
        Style::Extended => EXTENDED_REPLY_MAGIC,
        Style::Simple | Style::Structured => STRUCTURED_REPLY_MAGIC,
    };
    let head = Head::EMPTY
        .put(magic.to_be_bytes())
        .put(flags.to_be_bytes())
        .put(kind.to_be_bytes())
        .put(asked.cookie.to_be_bytes());
    match style {
        Style::Extended => head
            .put(asked.offset.to_be_bytes())
            .put(length.to_be_bytes()),
        Style::Simple | Style::Structured => {
            let length = u32::try_from(length).expect("payloads are limited to 32 MiB");
            head.put(length.to_be_bytes())
        }
    }
}

/// An error chunk with words for people.
fn encode_error(asked: &Asked, fault: &Fault, session: Session) -> (Head, Vec<u8>) {
    let words = fault.message();
    let mut end = words
        .len()
        .min(crate::units::index(super::wire::STRING_BYTES_MAX));
    while !words.is_char_boundary(end) {
        end -= 1;
    }
    let words = &words.as_bytes()[..end];
    let length = u16::try_from(words.len()).expect("cut to 4096 bytes above");
    let mut body = fault.errno(asked.command).number().to_be_bytes().to_vec();
    body.extend(length.to_be_bytes());
    body.extend(words);
    let payload = count(body.len());
    let head = chunk_head(asked, session.style, REPLY_DONE, chunk::ERROR, payload);
    (head, body)
}

/// One chunk per negotiated context, the last of them final.
fn encode_status(
    asked: &Asked,
    parts: &[(u64, crate::drive::request::Whereabouts)],
    session: Session,
) -> Vec<u8> {
    let most = if asked.one { 1 } else { RUNS_MAX };
    let extended = session.style == Style::Extended;
    let mut body = Vec::new();
    let mut contexts = session.contexts.iter().peekable();
    while let Some(context) = contexts.next() {
        let runs = context.runs(parts, asked.bytes, most);
        let flags = if contexts.peek().is_none() {
            REPLY_DONE
        } else {
            0
        };
        let mut payload = context.id().to_be_bytes().to_vec();
        if extended {
            let number = u32::try_from(runs.len()).expect("at most RUNS_MAX");
            payload.extend(number.to_be_bytes());
        }
        for run in &runs {
            if extended {
                payload.extend(run.bytes.to_be_bytes());
                payload.extend(u64::from(run.state).to_be_bytes());
            } else {
                let bytes = u32::try_from(run.bytes)
                    .expect("a run is no longer than the request, whose length had 32 bits");
                payload.extend(bytes.to_be_bytes());
                payload.extend(run.state.to_be_bytes());
            }
        }
        let kind = if extended {
            chunk::BLOCK_STATUS_EXT
        } else {
            chunk::BLOCK_STATUS
        };
        let head = chunk_head(asked, session.style, flags, kind, count(payload.len()));
        body.extend(head.bytes());
        body.extend(payload);
    }
    body
}

#[cfg(test)]
mod tests {
    use super::super::meta_context::{Context, Contexts};
    use super::*;
    use crate::drive::request::Whereabouts;

    fn asked(command: Command, bytes: u64) -> Asked {
        Asked {
            command,
            cookie: 0x1122_3344_5566_7788,
            offset: 4096,
            bytes,
            one: false,
        }
    }

    #[test]
    fn a_run_longer_than_32_bits_travels_whole_with_extended_headers() {
        let mut contexts = Contexts::default();
        contexts.insert(Context::Whereabouts);
        let session = Session {
            style: Style::Extended,
            contexts,
        };
        let run = 5 << 40;
        let answer = Answer::Whereabouts(vec![(run, Whereabouts::Staged), (9, Whereabouts::Home)]);
        let (head, body) = encode(&asked(Command::BlockStatus, run), Ok(answer), session);
        let mut expected = vec![0x6e, 0x8a, 0x27, 0x8c, 0, 1, 0, 6];
        expected.extend([0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88]);
        for field in [4096, 24_u64] {
            expected.extend(field.to_be_bytes());
        }
        expected.extend([0, 0, 0, 2, 0, 0, 0, 1]);
        for field in [run, 2_u64] {
            expected.extend(field.to_be_bytes());
        }
        assert_eq!([head.bytes(), &body].concat(), expected);
    }

    #[test]
    fn an_answer_that_does_not_fit_its_request_becomes_an_io_error() {
        let wrong = [
            (Command::Read, Answer::Data(vec![0; 511])),
            (Command::Read, Answer::Done),
            (Command::Write, Answer::Data(vec![0; 512])),
            (Command::BlockStatus, Answer::Done),
            (Command::BlockStatus, Answer::Whereabouts(vec![])),
        ];
        for (command, answer) in wrong {
            let session = Session::default();
            let (head, body) = encode(&asked(command, 512), Ok(answer), session);
            assert_eq!(head.bytes()[..8], [0x67, 0x44, 0x66, 0x98, 0, 0, 0, 5]);
            assert_eq!((head.bytes().len(), body.len()), (16, 0));
        }
    }
}
