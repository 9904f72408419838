//! Owns the error numbers of the protocol and the one table from host errors to them.
//!
//! Every host error has exactly one number per command. Nothing here sends anything.

use super::wire::Command;
use crate::drive::fault::FailingKind;
use crate::drive::request::Refusal;
use crate::host::handle::HostError;

/// Section "Error values" of the protocol specification.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Errno {
    /// Operation not permitted.
    Perm,
    /// Input/output error.
    Io,
    /// Invalid argument.
    Inval,
    /// No space left: a write past the end.
    NoSpc,
    /// Too large to be sent in one chunk.
    Overflow,
    /// Not supported.
    NotSup,
    /// The server is shutting down.
    Shutdown,
}

impl Errno {
    /// The number on the wire.
    pub(super) fn number(self) -> u32 {
        match self {
            Errno::Perm => 1,
            Errno::Io => 5,
            Errno::Inval => 22,
            Errno::NoSpc => 28,
            Errno::Overflow => 75,
            Errno::NotSup => 95,
            Errno::Shutdown => 108,
        }
    }
}

/// Why a request is answered with an error.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    /// The drive says no.
    Host(HostError),
    /// The request breaks a rule of the protocol or of this server.
    Rule(Errno, &'static str),
}

impl Fault {
    /// The number for a command of this kind.
    pub(super) fn errno(&self, command: Command) -> Errno {
        match self {
            Fault::Host(error) => host_errno(error, command),
            Fault::Rule(errno, _) => *errno,
        }
    }

    /// Words for the person behind the client.
    pub(super) fn message(&self) -> String {
        match self {
            Fault::Host(error) => error.to_string(),
            Fault::Rule(_, words) => (*words).to_owned(),
        }
    }
}

/// The table. Writing past the end is `ENOSPC`, reading there `EINVAL` ("Request types").
fn host_errno(error: &HostError, command: Command) -> Errno {
    match error {
        HostError::Refused(Refusal::OutOfBounds { .. }) => match command {
            Command::Write | Command::WriteZeroes => Errno::NoSpc,
            Command::Read
            | Command::Disconnect
            | Command::Flush
            | Command::Trim
            | Command::Cache
            | Command::BlockStatus
            | Command::Unknown => Errno::Inval,
        },
        HostError::Refused(Refusal::Empty { .. }) => Errno::Inval,
        HostError::ReadOnly => Errno::Perm,
        HostError::Unsupported => Errno::NotSup,
        HostError::Failing(failing) => match failing.kind {
            FailingKind::ReadOnly => Errno::Perm,
            FailingKind::Unreadable(_) | FailingKind::Unwritable(_) | FailingKind::Aborted => {
                Errno::Io
            }
        },
        HostError::Failed(_)
        | HostError::TooSlow { .. }
        | HostError::TakenOut { .. }
        | HostError::NoPower
        | HostError::Replaced => Errno::Io,
        HostError::Gone => Errno::Shutdown,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::drive::fault::{Failing, FaultId};
    use crate::host::time_limits::TimeLimit;
    use crate::units::Lba;

    #[test]
    fn every_host_error_has_its_number_for_every_command() {
        let commands = [
            Command::Read,
            Command::Write,
            Command::Disconnect,
            Command::Flush,
            Command::Trim,
            Command::Cache,
            Command::WriteZeroes,
            Command::BlockStatus,
            Command::Unknown,
        ];
        let past_the_end = HostError::Refused(Refusal::OutOfBounds {
            offset: 1,
            bytes: 2,
            capacity: 2,
        });
        // Numbers as Linux and the specification print them.
        let failing = |kind| {
            let fault = FaultId(1);
            HostError::Failing(Failing { fault, kind })
        };
        let limit = TimeLimit::DiskCommand;
        let rows: [(HostError, u32, u32); 14] = [
            (past_the_end, 22, 28),
            (HostError::Refused(Refusal::Empty { offset: 0 }), 22, 22),
            (HostError::ReadOnly, 1, 1),
            (HostError::Unsupported, 95, 95),
            (HostError::Failed(Arc::from("worn out")), 5, 5),
            (HostError::Gone, 108, 108),
            (failing(FailingKind::Unreadable(Lba(3))), 5, 5),
            (failing(FailingKind::Unwritable(Lba(3))), 5, 5),
            (failing(FailingKind::Aborted), 5, 5),
            (failing(FailingKind::ReadOnly), 1, 1),
            (HostError::TooSlow { limit }, 5, 5),
            (HostError::TakenOut { limit }, 5, 5),
            (HostError::NoPower, 5, 5),
            (HostError::Replaced, 5, 5),
        ];
        for (error, reading, writing) in rows {
            for command in commands {
                let expected = match command {
                    Command::Write | Command::WriteZeroes => writing,
                    _ => reading,
                };
                let fault = Fault::Host(error.clone());
                assert_eq!(
                    fault.errno(command).number(),
                    expected,
                    "{error} {command:?}"
                );
                assert_eq!(fault.message(), error.to_string());
            }
        }
    }
}
