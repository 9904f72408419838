//! Owns the answers of the protocol: one JSON object per command, with what came of it or why nothing
//! did.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use super::command::VERSION;

/// What kind of error it is, for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ErrorKind {
    /// The line is no command, or its arguments make no sense for this drive.
    NotUnderstood,
    /// The drive is not in a state for it.
    Refused,
    /// Refused to protect data.
    Protected,
    /// The machine got in the way.
    Failed,
    /// A recording could not be written.
    Unwritten,
}

/// Why a command came to nothing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{message}")]
pub struct ReplyError {
    /// What kind of error.
    pub kind: ErrorKind,
    /// What is wrong, in words.
    pub message: String,
}

impl ReplyError {
    /// An error in the words of its cause.
    pub fn new(kind: ErrorKind, cause: &dyn std::error::Error) -> ReplyError {
        ReplyError {
            kind,
            message: cause.to_string(),
        }
    }
}

/// What came of a command.
pub type Reply = Result<Map<String, Value>, ReplyError>;

/// The line for an answer, with its end.
pub fn to_line(id: Option<Value>, reply: Reply) -> String {
    let mut fields = Map::new();
    fields.insert("version".to_owned(), VERSION.into());
    if let Some(id) = id {
        fields.insert("id".to_owned(), id);
    }
    fields.insert("ok".to_owned(), reply.is_ok().into());
    match reply {
        Ok(result) => fields.extend(result),
        Err(error) => {
            let kind = serde_json::to_value(error.kind).expect("a word is a value");
            let mut told = Map::new();
            told.insert("kind".to_owned(), kind);
            told.insert("message".to_owned(), error.message.into());
            fields.insert("error".to_owned(), Value::Object(told));
        }
    }
    format!("{}\n", Value::Object(fields))
}
