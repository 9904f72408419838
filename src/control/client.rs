//! Owns the other end of the control socket: sends a command and waits for its answer, or for the end of
//! the server.

use std::io::{self, BufReader, Write};
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use crossbeam_channel::Receiver;
use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use serde_json::{Map, Value};

use super::command::{Command, VERSION};
use super::line::{self, Line};
use super::reply::{ErrorKind, ReplyError};
use crate::host::private_socket::connect_to;

/// Bytes that an answer may have: accounts are long.
const ANSWER_BYTES_MAX: usize = 64 << 20;

/// Why there is no result.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// Nobody answers.
    #[error(
        "no server answers on {}: is the image served (one on a block device: with --block-device), and by a server with a control socket?",
        path.display()
    )]
    NoServer {
        /// The socket.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The connection broke.
    #[error("the server on {} went away without an answer", path.display())]
    Gone {
        /// The socket.
        path: PathBuf,
    },
    /// It speaks something else.
    #[error("the server on {} does not speak version {VERSION} of this protocol", path.display())]
    Strange {
        /// The socket.
        path: PathBuf,
    },
    /// The server's answer is an error.
    #[error(transparent)]
    Told(#[from] ReplyError),
}

/// A connection to a server.
pub struct Connection {
    path: PathBuf,
    stream: UnixStream,
}

/// Has a command carried out by the server at `path`; tells what came of it.
pub fn tell(path: &Path, command: &Command) -> Result<Map<String, Value>, ClientError> {
    Connection::open(path)?.tell(command)
}

impl Connection {
    /// Connects to the server at `path`.
    pub fn open(path: &Path) -> Result<Connection, ClientError> {
        let stream = connect_to(path).map_err(|source| ClientError::NoServer {
            path: path.to_owned(),
            source,
        })?;
        Ok(Connection {
            path: path.to_owned(),
            stream,
        })
    }

    /// Has a command carried out; tells what came of it.
    pub fn tell(&self, command: &Command) -> Result<Map<String, Value>, ClientError> {
        let gone = || ClientError::Gone {
            path: self.path.clone(),
        };
        let strange = || ClientError::Strange {
            path: self.path.clone(),
        };
        let line = format!("{}\n", command.to_line());
        // One that is refused at the door has an answer all the same.
        let sent = (&self.stream).write_all(line.as_bytes());
        // Nothing comes after the answer before the next command.
        let mut from = BufReader::new(&self.stream);
        let Ok(Line::Whole(line)) = line::take(&mut from, ANSWER_BYTES_MAX) else {
            sent.map_err(|_| gone())?;
            return Err(gone());
        };
        let value: Value = serde_json::from_slice(&line).map_err(|_| strange())?;
        let Value::Object(fields) = value else {
            return Err(strange());
        };
        outcome(fields).unwrap_or_else(|| Err(strange()))
    }

    /// Tells when the server has gone, while no command is under way. One message comes, also when a later
    /// command is answered.
    pub fn watch(&self) -> io::Result<Receiver<()>> {
        let stream = self.stream.try_clone()?;
        let (sender, receiver) = crossbeam_channel::bounded(1);
        std::thread::Builder::new()
            .name("control-watch".to_owned())
            .spawn(move || {
                let mut waiting = [PollFd::new(stream.as_fd(), PollFlags::POLLIN)];
                while poll(&mut waiting, PollTimeout::NONE) == Err(Errno::EINTR) {}
                // Nobody listens any more where it is over by itself.
                let _ = sender.send(());
            })?;
        Ok(receiver)
    }
}

/// What an answer says; nothing where it is none.
fn outcome(mut fields: Map<String, Value>) -> Option<Result<Map<String, Value>, ClientError>> {
    if fields.remove("version") != Some(VERSION.into()) {
        return None;
    }
    match fields.remove("ok") {
        Some(Value::Bool(true)) => Some(Ok(fields)),
        Some(Value::Bool(false)) => {
            let error = fields.remove("error").unwrap_or_default();
            let told = serde_json::from_value(error).unwrap_or(ReplyError {
                kind: ErrorKind::Failed,
                message: "the server gave no reason".to_owned(),
            });
            Some(Err(told.into()))
        }
        _ => None,
    }
}
