//! Owns the other end of the control socket: sends one command and waits for its answer.

use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};

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

/// Has a command carried out by the server at `path`; tells what came of it.
pub fn tell(path: &Path, command: &Command) -> Result<Map<String, Value>, ClientError> {
    let gone = || ClientError::Gone {
        path: path.to_owned(),
    };
    let strange = || ClientError::Strange {
        path: path.to_owned(),
    };
    let stream = connect_to(path).map_err(|source| ClientError::NoServer {
        path: path.to_owned(),
        source,
    })?;
    let line = format!("{}\n", command.to_line());
    // One that is refused at the door has an answer all the same.
    let sent = (&stream).write_all(line.as_bytes());
    let mut from = BufReader::new(&stream);
    let Ok(Line::Whole(line)) = line::take(&mut from, ANSWER_BYTES_MAX) else {
        sent.map_err(|_| gone())?;
        return Err(gone());
    };
    let value: Value = serde_json::from_slice(&line).map_err(|_| strange())?;
    let Value::Object(mut fields) = value else {
        return Err(strange());
    };
    if fields.remove("version") != Some(VERSION.into()) {
        return Err(strange());
    }
    match fields.remove("ok") {
        Some(Value::Bool(true)) => Ok(fields),
        Some(Value::Bool(false)) => {
            let error = fields.remove("error").unwrap_or_default();
            let told = serde_json::from_value(error).unwrap_or(ReplyError {
                kind: ErrorKind::Failed,
                message: "the server gave no reason".to_owned(),
            });
            Err(told.into())
        }
        _ => Err(strange()),
    }
}
