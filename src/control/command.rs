//! Owns the commands of the protocol: which there are, and how one is read from a line of JSON.
//!
//! Bytes from a socket are hostile: whatever they are, the result is a command or an error that says
//! what is wrong. Whether the drive can do what is asked is not decided here.

use std::path::PathBuf;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::drive::fault::{Fault, FaultId, MediaError};
use crate::host::recorder::RecordingId;
use crate::host::time_limits::TimeLimit;

/// The version of the protocol. It changes when a client that knew the former one could misunderstand.
pub const VERSION: u64 = 1;
/// Bytes that a line may have.
pub const LINE_BYTES_MAX: usize = 64 << 10;

/// A command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Tell the live state.
    Status,
    /// Tell latencies, slow requests, trips, what faults did.
    Account,
    /// Tell the faults in force, the enforced limits, whether there is power.
    Faults,
    /// Impose a fault.
    Impose(Fault),
    /// Lift a fault, or all.
    Lift(Lift),
    /// Give power again.
    PowerOn,
    /// End all connections of NBD clients.
    DropConnections,
    /// Enforce limits.
    Enforce(Enforce),
    /// Copy the image.
    Save(Save),
    /// Put a copy in its place.
    Restore(Restore),
    /// Begin a recording.
    Record(Record),
    /// End one.
    EndRecording(EndRecording),
}

/// Which fault to lift.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lift {
    /// Its name; `None`: all.
    pub fault: Option<FaultId>,
}

/// Limits to enforce.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Enforce {
    /// These, and no others.
    pub limits: Vec<TimeLimit>,
}

/// Where to copy the image.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Save {
    /// A new file; an absolute path.
    pub file: PathBuf,
    /// Without a flush first: as a power cut would leave it.
    #[serde(default)]
    pub as_power_cut: bool,
}

/// What to put in the image's place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Restore {
    /// A saved file; an absolute path.
    pub file: PathBuf,
}

/// Where to record what the drive is asked and answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// A new file; an absolute path.
    pub file: PathBuf,
}

/// Which recording to end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EndRecording {
    /// Its number.
    pub recording: RecordingId,
    /// Remove the file.
    #[serde(default)]
    pub discard: bool,
}

/// Arguments of a command that has none.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Nothing {}

/// A line that is no command.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// It is no JSON.
    #[error("the line is no JSON: {why}")]
    Json {
        /// What is wrong.
        why: String,
    },
    /// It is no object.
    #[error("the line is no JSON object; send one such as {{\"command\": \"status\"}}")]
    NoObject,
    /// Longer than a line may be.
    #[error("the line is longer than {LINE_BYTES_MAX} bytes; the connection ends")]
    TooLong,
    /// A client of another version.
    #[error("version {given} of the protocol is not spoken here, only {VERSION}")]
    Version {
        /// As given.
        given: Value,
    },
    /// Which command?
    #[error("the command is missing or no text; there are {}", WORDS.join(", "))]
    NoCommand,
    /// No such command.
    #[error("there is no command {given:?}; there are {}", WORDS.join(", "))]
    Unknown {
        /// As given.
        given: String,
    },
    /// Its arguments are wrong.
    #[error("{command}: {why}")]
    Arguments {
        /// Which command.
        command: &'static str,
        /// What is wrong.
        why: String,
    },
    /// A path that depends on where somebody is.
    #[error("{command}: the path {} is not absolute", path.display())]
    RelativePath {
        /// Which command.
        command: &'static str,
        /// As given.
        path: PathBuf,
    },
}

/// All commands, as documented.
pub const WORDS: [&str; 18] = [
    "account",
    "drop-connections",
    "end-recording",
    "enforce",
    "fail-commands",
    "faults",
    "lift",
    "media-error",
    "power-cut",
    "power-on",
    "read-only",
    "record",
    "restore",
    "save",
    "slow",
    "stall",
    "status",
    "write-cache",
];

/// Reads a line. Fields that say whose command it is (`version`, `id`) are looked at here too; the id
/// is handed back whatever becomes of the rest.
pub fn read(line: &[u8]) -> (Option<Value>, Result<Command, CommandError>) {
    let value: Value = match serde_json::from_slice(line) {
        Ok(value) => value,
        Err(error) => {
            let why = error.to_string();
            return (None, Err(CommandError::Json { why }));
        }
    };
    let Value::Object(mut fields) = value else {
        return (None, Err(CommandError::NoObject));
    };
    let id = fields.remove("id");
    (id, read_fields(fields))
}

fn read_fields(mut fields: Map<String, Value>) -> Result<Command, CommandError> {
    if let Some(given) = fields.remove("version").filter(|given| *given != VERSION) {
        return Err(CommandError::Version { given });
    }
    let Some(Value::String(given)) = fields.remove("command") else {
        return Err(CommandError::NoCommand);
    };
    let Some(word) = WORDS.into_iter().find(|word| *word == given) else {
        return Err(CommandError::Unknown { given });
    };
    let command = match word {
        "status" => none(word, fields, Command::Status)?,
        "account" => none(word, fields, Command::Account)?,
        "faults" => none(word, fields, Command::Faults)?,
        "power-on" => none(word, fields, Command::PowerOn)?,
        "drop-connections" => none(word, fields, Command::DropConnections)?,
        "lift" => Command::Lift(arguments(word, fields)?),
        "enforce" => Command::Enforce(arguments(word, fields)?),
        "save" => Command::Save(arguments(word, fields)?),
        "restore" => Command::Restore(arguments(word, fields)?),
        "record" => Command::Record(arguments(word, fields)?),
        "end-recording" => Command::EndRecording(arguments(word, fields)?),
        "media-error" => {
            let error: MediaError = arguments(word, fields)?;
            Command::Impose(Fault::MediaError(error))
        }
        "stall" => Command::Impose(Fault::Stall(arguments(word, fields)?)),
        "slow" => Command::Impose(Fault::Slow(arguments(word, fields)?)),
        "fail-commands" => Command::Impose(Fault::FailCommands(arguments(word, fields)?)),
        "power-cut" => Command::Impose(Fault::PowerCut(arguments(word, fields)?)),
        "read-only" => Command::Impose(Fault::ReadOnly(arguments(word, fields)?)),
        _ => Command::Impose(Fault::WriteCache(arguments(word, fields)?)),
    };
    check_path(word, &command)?;
    Ok(command)
}

fn check_path(command: &'static str, read: &Command) -> Result<(), CommandError> {
    let (Command::Save(Save { file, .. })
    | Command::Restore(Restore { file })
    | Command::Record(Record { file })) = read
    else {
        return Ok(());
    };
    if file.is_absolute() {
        return Ok(());
    }
    let path = file.clone();
    Err(CommandError::RelativePath { command, path })
}

fn none(
    command: &'static str,
    fields: Map<String, Value>,
    read: Command,
) -> Result<Command, CommandError> {
    arguments::<Nothing>(command, fields).map(|Nothing {}| read)
}

fn arguments<T: DeserializeOwned>(
    command: &'static str,
    fields: Map<String, Value>,
) -> Result<T, CommandError> {
    serde_json::from_value(Value::Object(fields)).map_err(|error| CommandError::Arguments {
        command,
        why: error.to_string(),
    })
}

impl Command {
    /// Its word.
    pub fn word(&self) -> &'static str {
        match self {
            Command::Status => "status",
            Command::Account => "account",
            Command::Faults => "faults",
            Command::Impose(Fault::MediaError(_)) => "media-error",
            Command::Impose(Fault::Stall(_)) => "stall",
            Command::Impose(Fault::Slow(_)) => "slow",
            Command::Impose(Fault::FailCommands(_)) => "fail-commands",
            Command::Impose(Fault::PowerCut(_)) => "power-cut",
            Command::Impose(Fault::ReadOnly(_)) => "read-only",
            Command::Impose(Fault::WriteCache(_)) => "write-cache",
            Command::Lift(_) => "lift",
            Command::PowerOn => "power-on",
            Command::DropConnections => "drop-connections",
            Command::Enforce(_) => "enforce",
            Command::Save(_) => "save",
            Command::Restore(_) => "restore",
            Command::Record(_) => "record",
            Command::EndRecording(_) => "end-recording",
        }
    }

    /// The line for it, without its end.
    pub fn to_line(&self) -> String {
        let arguments = match self {
            Command::Status
            | Command::Account
            | Command::Faults
            | Command::PowerOn
            | Command::DropConnections => Ok(Value::Null),
            Command::Impose(fault) => serde_json::to_value(fault),
            Command::Lift(lift) => serde_json::to_value(lift),
            Command::Enforce(enforce) => serde_json::to_value(enforce),
            Command::Save(save) => serde_json::to_value(save),
            Command::Restore(restore) => serde_json::to_value(restore),
            Command::Record(record) => serde_json::to_value(record),
            Command::EndRecording(end) => serde_json::to_value(end),
        };
        let arguments = arguments.expect("paths came as text, and all else is numbers and words");
        let mut fields = match arguments {
            Value::Object(fields) => fields,
            _ => Map::new(),
        };
        // The kind of a fault is the command's word already.
        if fields.get("fault").is_some_and(Value::is_string) {
            fields.remove("fault");
        }
        fields.insert("version".to_owned(), VERSION.into());
        fields.insert("command".to_owned(), self.word().into());
        Value::Object(fields).to_string()
    }
}

#[cfg(test)]
#[path = "command_tests.rs"]
mod tests;
