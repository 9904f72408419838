//! Owns the reading half of the transmission phase: requests in, asks to the drive out.
//!
//! Each request is judged against the protocol before memory is taken for it ([`judge`]). A
//! request that is refused is answered and the connection goes on; only what makes it unclear
//! where the next request starts ends it. Nothing here waits for the drive or writes a reply.

use std::sync::Arc;

use super::errno::{Errno, Fault};
use super::handshake::{Broken, Session};
use super::limits::Account;
use super::meta_context::RUNS_MAX;
use super::progress::Stall;
use super::reply_queue::{Asked, Lane};
use super::stream::Inbox;
use super::wire::{
    COMPACT_REQUEST_BYTES, Command, EXTENDED_REQUEST_BYTES, PAYLOAD_BYTES_MAX, Request, Style,
    command_flag,
};
use crate::drive::request::Refusal;
use crate::host::handle::{Ask, Carrier, DriveInfo, Handle, HostError, Reply};
use crate::units::index;

/// Longest payload that is read past to keep a connection whose client does not know the limit.
const SKIP_BYTES_MAX: u64 = 64 << 20;
/// Memory set aside for the answer to a block status request: two contexts of 16-byte runs.
const STATUS_BYTES: u64 = 2 * 16 * 4096;
const _: () = assert!(
    RUNS_MAX == 4096,
    "STATUS_BYTES must cover the longest answer"
);

/// What a good request wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Task {
    Read,
    Write { fua: bool },
    Flush,
    Trim { fua: bool },
    Cache,
    WriteZeroes { fua: bool, may_deallocate: bool },
    BlockStatus,
}

/// One connection's reading thread.
pub(super) struct Reader<'a> {
    pub(super) inbox: Inbox,
    pub(super) lane: Arc<Lane>,
    pub(super) account: &'a Arc<Account>,
    pub(super) stall: &'a Stall,
    pub(super) handle: &'a Handle,
    pub(super) session: Session,
}

impl Reader<'_> {
    /// Takes requests until the client disconnects or the connection is closed.
    pub(super) fn run(mut self) -> Result<(), Broken> {
        while let Some(request) = self.next_request()? {
            if request.command == Command::Disconnect {
                return Ok(());
            }
            let payload = request.payload_bytes(self.session.style);
            if payload > SKIP_BYTES_MAX {
                return Err(Broken::Rule("a payload is absurdly long"));
            }
            let open = match judge(&request, self.handle.info(), self.session) {
                Ok(task) => self.start(&request, task)?,
                Err(fault) => self.refuse(&request, payload, fault)?,
            };
            if !open {
                return Ok(());
            }
        }
        Ok(())
    }

    fn next_request(&mut self) -> Result<Option<Request>, Broken> {
        let style = self.session.style;
        let request = match style {
            Style::Extended => self
                .inbox
                .header::<EXTENDED_REQUEST_BYTES>()?
                .map(|header| Request::decode(&header, style)),
            Style::Simple | Style::Structured => self
                .inbox
                .header::<COMPACT_REQUEST_BYTES>()?
                .map(|header| Request::decode(&header, style)),
        };
        match request {
            None => Ok(None),
            Some(Some(request)) => Ok(Some(request)),
            Some(None) => Err(Broken::Rule(
                "what should be a request does not start like one",
            )),
        }
    }

    /// Answers without the drive. False once the connection is closed.
    fn refuse(&mut self, request: &Request, payload: u64, fault: Fault) -> Result<bool, Broken> {
        self.inbox.skip(payload)?;
        let Some(permit) = self.account.take(0) else {
            return Ok(false);
        };
        Lane::ticket(&self.lane, Asked::from(request), permit).fail(fault);
        Ok(true)
    }

    /// Hands the request to the drive. False once the connection is closed.
    fn start(&mut self, request: &Request, task: Task) -> Result<bool, Broken> {
        let Request { offset, bytes, .. } = *request;
        let memory = match task {
            Task::Read | Task::Write { .. } => bytes,
            Task::BlockStatus => STATUS_BYTES,
            Task::Cache => self.handle.info().warmed_bytes(bytes),
            Task::Flush | Task::Trim { .. } | Task::WriteZeroes { .. } => 0,
        };
        let Some(permit) = self.account.take(memory) else {
            return Ok(false);
        };
        let ask = match task {
            Task::Read => Ask::Read { offset, bytes },
            Task::Write { fua } => {
                let mut data = self.handle.shelf().take(index(bytes));
                self.inbox.fill(&mut data, self.stall)?;
                Ask::Write { offset, data, fua }
            }
            Task::Flush => Ask::Flush,
            Task::Trim { fua } => Ask::Trim { offset, bytes, fua },
            Task::Cache => Ask::Cache { offset, bytes },
            Task::WriteZeroes {
                fua,
                may_deallocate,
            } => Ask::WriteZeroes {
                offset,
                bytes,
                fua,
                may_deallocate,
            },
            Task::BlockStatus => Ask::Whereabouts { offset, bytes },
        };
        let ticket = Lane::ticket(&self.lane, Asked::from(request), permit);
        let carrier: Arc<dyn Carrier> = self.lane.clone();
        let reply = Box::new(move |reply: Reply| ticket.answer(reply.outcome));
        self.handle.send_carried(ask, reply, carrier);
        Ok(true)
    }
}

/// Checks a request against the protocol and the drive ("Request types", "Command flags").
pub(super) fn judge(request: &Request, drive: &DriveInfo, session: Session) -> Result<Task, Fault> {
    let flag = |bit: u16| request.flags & bit != 0;
    let fua = flag(command_flag::FUA);
    let rule = |errno, words| Err(Fault::Rule(errno, words));
    if request.flags & !allowed_flags(request.command, session.style) != 0 {
        return rule(
            Errno::Inval,
            "the command does not have all the flags that were set",
        );
    }
    let task = match request.command {
        Command::Unknown | Command::Disconnect => {
            return rule(Errno::Inval, "unknown command");
        }
        Command::Flush => return Ok(Task::Flush),
        Command::Read => Task::Read,
        Command::Write => Task::Write { fua },
        Command::Trim => Task::Trim { fua },
        Command::Cache => Task::Cache,
        Command::WriteZeroes => Task::WriteZeroes {
            fua,
            may_deallocate: !flag(command_flag::NO_HOLE),
        },
        Command::BlockStatus => Task::BlockStatus,
    };
    let changes = matches!(
        task,
        Task::Write { .. } | Task::Trim { .. } | Task::WriteZeroes { .. }
    );
    if changes && drive.read_only {
        return Err(Fault::Host(HostError::ReadOnly));
    }
    check_range(request, drive)?;
    match task {
        Task::Read if request.bytes > u64::from(PAYLOAD_BYTES_MAX) => {
            if flag(command_flag::DF) {
                rule(Errno::Overflow, "one chunk cannot carry more than 32 MiB")
            } else {
                rule(Errno::Inval, "a read may be 32 MiB long at most")
            }
        }
        Task::Write { .. } if request.bytes > u64::from(PAYLOAD_BYTES_MAX) => {
            rule(Errno::Inval, "a write may be 32 MiB long at most")
        }
        Task::WriteZeroes { may_deallocate, .. }
            if flag(command_flag::FAST_ZERO) && !(drive.fast_zeroes && may_deallocate) =>
        {
            rule(Errno::NotSup, "zeroing is no faster than writing here")
        }
        Task::BlockStatus if session.contexts.is_empty() => {
            rule(Errno::Inval, "no metadata context was negotiated")
        }
        task => Ok(task),
    }
}

/// Every command may carry FUA; the rest belong to single commands.
fn allowed_flags(command: Command, style: Style) -> u16 {
    let chunks = style != Style::Simple;
    let own = match command {
        Command::Read if chunks => command_flag::DF,
        Command::Write if style == Style::Extended => command_flag::PAYLOAD_LEN,
        Command::WriteZeroes => command_flag::NO_HOLE | command_flag::FAST_ZERO,
        Command::BlockStatus => command_flag::REQ_ONE,
        Command::Read
        | Command::Write
        | Command::Disconnect
        | Command::Flush
        | Command::Trim
        | Command::Cache
        | Command::Unknown => 0,
    };
    own | command_flag::FUA
}

fn check_range(request: &Request, drive: &DriveInfo) -> Result<(), Fault> {
    let Request { offset, bytes, .. } = *request;
    if bytes == 0 {
        return Err(Fault::Host(Refusal::Empty { offset }.into()));
    }
    let sector = u64::from(drive.logical_sector_bytes);
    if !offset.is_multiple_of(sector) || !bytes.is_multiple_of(sector) {
        let words = "offset and length must be multiples of the smallest block size";
        return Err(Fault::Rule(Errno::Inval, words));
    }
    let capacity = drive.capacity_bytes;
    match offset.checked_add(bytes) {
        Some(end) if end <= capacity => Ok(()),
        _ => Err(Fault::Host(
            Refusal::OutOfBounds {
                offset,
                bytes,
                capacity,
            }
            .into(),
        )),
    }
}
