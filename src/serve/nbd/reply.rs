//! Owns the writing half of the transmission phase: the way an answer takes from the drive's
//! thread to the socket, and how replies are written.
//!
//! Every request that was taken is answered exactly once, in order of completion: a [`Ticket`]
//! that is dropped unanswered answers for itself. The drive's thread only queues; encoding and
//! writing happen on the connection's writing thread, several replies per system call. The queue
//! has a place for every request the limits allow, so queueing never blocks.

use std::io::{self, IoSlice};
use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender};

use super::errno::{Errno, Fault};
use super::handshake::Session;
use super::limits::Permit;
use super::meta_context::RUNS_MAX;
use super::progress::Stall;
use super::stream::Outlet;
use super::wire::{
    Command, EXTENDED_REPLY_MAGIC, REPLY_DONE, Request, SIMPLE_REPLY_MAGIC, STRUCTURED_REPLY_MAGIC,
    Style, chunk, command_flag,
};
use crate::host::handle::{Answer, HostError};
use crate::units::count;

/// Replies per system call: two slices each stay far below what the system takes.
const BATCH_REPLIES: usize = 64;
/// Payload bytes after which a batch leaves.
const BATCH_BYTES: usize = 1 << 20;

/// What a reply needs to know of its request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Asked {
    command: Command,
    cookie: u64,
    offset: u64,
    bytes: u64,
    one: bool,
}

impl From<&Request> for Asked {
    fn from(request: &Request) -> Asked {
        Asked {
            command: request.command,
            cookie: request.cookie,
            offset: request.offset,
            bytes: request.bytes,
            one: request.flags & command_flag::REQ_ONE != 0,
        }
    }
}

type Outcome = Result<Answer, Fault>;

/// What waits to be written.
pub(super) enum Outgoing {
    Reply {
        asked: Asked,
        outcome: Outcome,
        permit: Permit,
    },
    /// Stop, whatever else is still to come.
    Close,
}

/// The way from the drive to the writing thread. It ends when the reader and every ticket have
/// let go of it.
pub(super) struct Lane {
    queue: Sender<Outgoing>,
}

impl Lane {
    /// A lane with room for `requests` replies, and its other end.
    pub(super) fn new(requests: u32) -> (Arc<Lane>, Receiver<Outgoing>) {
        // Room beside the replies for the word to close.
        let places = crate::units::index(u64::from(requests)) + 8;
        let (queue, receiver) = crossbeam_channel::bounded(places);
        (Arc::new(Lane { queue }), receiver)
    }

    /// Takes charge of a request.
    pub(super) fn ticket(lane: &Arc<Lane>, asked: Asked, permit: Permit) -> Ticket {
        Ticket {
            lane: Arc::clone(lane),
            asked,
            permit: Some(permit),
        }
    }

    /// Makes the writing thread stop.
    pub(super) fn close(&self) {
        // Full means that it has been told already; disconnected, that it has stopped.
        let _ = self.queue.try_send(Outgoing::Close);
    }
}

/// The duty to answer one request.
pub(super) struct Ticket {
    lane: Arc<Lane>,
    asked: Asked,
    /// There until the request is answered.
    permit: Option<Permit>,
}

impl Ticket {
    /// Passes the drive's answer on.
    pub(super) fn answer(mut self, outcome: Result<Answer, HostError>) {
        self.settle(outcome.map_err(Fault::Host));
    }

    /// Answers that all is well.
    pub(super) fn done(mut self) {
        self.settle(Ok(Answer::Done));
    }

    /// Answers with an error.
    pub(super) fn fail(mut self, fault: Fault) {
        self.settle(Err(fault));
    }

    fn settle(&mut self, outcome: Outcome) {
        if let Some(permit) = self.permit.take() {
            // A writer that is gone has no use for it.
            let _ = self.lane.queue.try_send(Outgoing::Reply {
                asked: self.asked,
                outcome,
                permit,
            });
        }
    }
}

impl Drop for Ticket {
    fn drop(&mut self) {
        self.settle(Err(Fault::Host(HostError::Gone)));
    }
}

/// Writes replies until the lane ends, it is told to close, or the client is gone.
pub(super) fn write_replies(
    queue: &Receiver<Outgoing>,
    outlet: &mut Outlet,
    session: Session,
    stall: &Stall,
) -> io::Result<()> {
    let mut frames: Vec<Frame> = Vec::with_capacity(BATCH_REPLIES);
    loop {
        let mut next = queue.recv().ok();
        let mut bytes = 0;
        let mut last = next.is_none();
        while let Some(outgoing) = next {
            let Outgoing::Reply {
                asked,
                outcome,
                permit,
            } = outgoing
            else {
                last = true;
                break;
            };
            let frame = Frame::new(&asked, outcome, session, permit);
            bytes += frame.body.len();
            frames.push(frame);
            next = if frames.len() < BATCH_REPLIES && bytes < BATCH_BYTES {
                queue.try_recv().ok()
            } else {
                None
            };
        }
        write_frames(&frames, outlet, stall)?;
        // Memory and permits are given back here.
        frames.clear();
        if last {
            return Ok(());
        }
    }
}

fn write_frames(frames: &[Frame], outlet: &mut Outlet, stall: &Stall) -> io::Result<()> {
    let mut slices: Vec<IoSlice<'_>> = Vec::with_capacity(2 * frames.len());
    for frame in frames {
        slices.push(IoSlice::new(frame.head.bytes()));
        slices.push(IoSlice::new(&frame.body));
    }
    let mut left = slices.as_mut_slice();
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
struct Frame {
    head: Head,
    body: Vec<u8>,
    _permit: Permit,
}

impl Frame {
    fn new(asked: &Asked, outcome: Outcome, session: Session, permit: Permit) -> Frame {
        let (head, body) = encode(asked, outcome, session);
        Frame {
            head,
            body,
            _permit: permit,
        }
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
        (Ok(Answer::Done | Answer::Status(_) | Answer::Account(_)), Style::Extended) => {
            let head = chunk_head(asked, session.style, REPLY_DONE, chunk::NONE, 0);
            (head, Vec::new())
        }
        (Ok(Answer::Done | Answer::Status(_) | Answer::Account(_)), Style::Simple | Style::Structured) => {
            (simple(asked, 0), Vec::new())
        }
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
