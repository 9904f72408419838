//! Owns the exit codes: what they mean, and which error leads to which.
//!
//! Scripts rely on the numbers; `docs/cli.md` and `--help` list them.

use std::path::PathBuf;
use std::process::ExitCode;

use crate::control::client::ClientError;
use crate::control::reply::ErrorKind;
use crate::control::server::ControlError;
use crate::host::recordings::{RecordingsError, ScribeError, Unwritten};
use crate::image::backing_error::BackingError;
use crate::image::envelope::EnvelopeError;
use crate::image::open::OpenError;
use crate::lab::ageing::condition::AgeError;
use crate::lab::draw::book::BookError;
use crate::lab::draw::drawing::NoDrive;
use crate::lab::draw::score::GuessError;
use crate::lab::events::EventError;
use crate::lab::forecast::trial::TrialError;
use crate::lab::forecast::whole::ForecastError;
use crate::lab::import::rates::RatesError;
use crate::lab::import::{ImportError, TextError};
use crate::lab::matrix::error::MatrixError;
use crate::lab::matrix::joining::JoinError;
use crate::lab::recording::RecordingError;
use crate::lab::simulation::SimulationError;
use crate::lab::start::StartError;
use crate::lab::structures::StructuresError;
use crate::lab::workload::error::WorkloadError;
use crate::profile::error::ProfileError;
use crate::profile::scale::ScaleError;
use crate::report::error::ReportError;
use crate::serve::fuse::error::FuseError;
use crate::serve::nbd::NbdError;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Code {
    /// All is well.
    Ok,
    /// The check found damage, or something without a code of its own went wrong.
    Failure,
    /// The command line cannot be understood.
    Usage,
    /// The image or profile cannot be used.
    Unusable,
    /// Refused, to protect data.
    Protected,
    /// The drive failed while it was served.
    DriveFailed,
    /// The machine got in the way.
    Rig,
    /// It was interrupted before it was done.
    Interrupted,
}

impl From<Code> for ExitCode {
    fn from(code: Code) -> ExitCode {
        ExitCode::from(match code {
            Code::Ok => 0,
            Code::Failure => 1,
            Code::Usage => 2,
            Code::Unusable => 3,
            Code::Protected => 4,
            Code::DriveFailed => 5,
            Code::Rig => 6,
            Code::Interrupted => 130,
        })
    }
}

/// A command line that clap accepts and that makes no sense all the same.
#[derive(Debug, thiserror::Error)]
#[error("{0}\n\nFor more information, try '--help'.")]
pub(super) struct UsageError(pub(super) String);

/// The machine does not give what is needed: a mover, a thread, a signal handler.
#[derive(Debug, thiserror::Error)]
#[error("cannot {doing}")]
pub(super) struct RigError {
    /// What was tried.
    pub(super) doing: &'static str,
    /// What the system says.
    pub(super) source: std::io::Error,
}

/// What comes out of a command cannot be written.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {what}")]
pub(super) struct OutputError {
    what: String,
    source: std::io::Error,
}

impl OutputError {
    /// The error of writing `what`, which names the file.
    pub(super) fn of(what: impl std::fmt::Display) -> impl FnOnce(std::io::Error) -> OutputError {
        move |source| OutputError {
            what: what.to_string(),
            source,
        }
    }
}

/// What was named cannot be used: it is not there, or not what it was taken for.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(super) struct UnusableError(pub(super) String);

/// What is there is left alone.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(super) struct ProtectedError(pub(super) String);

impl ProtectedError {
    /// A file is there that would be lost, and no option says that it may be.
    pub(super) fn exists(path: &std::path::Path) -> ProtectedError {
        let shown = path.display();
        ProtectedError(format!(
            "{shown} exists and is left alone; name another file or remove it"
        ))
    }
}

/// The image is sealed, and what was asked for would show what is hidden.
#[derive(Debug, thiserror::Error)]
#[error(
    "{shown} is a sealed drive, made by `imbrex draw`: this would show what it hides; a sealed image can be \
     served, aged, checked and inspected, and simulated with `simulate {shown} WORKLOAD`, without what would \
     tell its parameters ({what})"
)]
pub(super) struct SealedError {
    shown: String,
    what: String,
}

impl SealedError {
    pub(super) fn new(path: &std::path::Path) -> SealedError {
        SealedError::of(path, "`imbrex draw unseal` shows them")
    }

    /// `what`: what in particular was asked for.
    pub(super) fn of(path: &std::path::Path, what: &str) -> SealedError {
        SealedError {
            shown: path.display().to_string(),
            what: what.to_owned(),
        }
    }
}

/// A file is there that would be lost, unless `--replace` is given.
#[derive(Debug, thiserror::Error)]
#[error("{} exists and is left alone; name another file, or say that it may be replaced", .0.display())]
pub(super) struct FileExistsError(pub(super) PathBuf);

/// The drive failed while it was served.
#[derive(Debug, thiserror::Error)]
#[error("the drive has failed: {0}")]
pub(super) struct DriveError(pub(super) String);

/// The code that an error leads to: that of the first cause which has one.
pub(super) fn code_of(error: &anyhow::Error) -> Code {
    error
        .chain()
        .find_map(code_of_cause)
        .unwrap_or(Code::Failure)
}

fn code_of_cause(cause: &(dyn std::error::Error + 'static)) -> Option<Code> {
    // Says what the error in it says, and is left out of the chain for that.
    match cause.downcast_ref() {
        Some(TrialError::Start(error)) => return code_of_cause(error),
        Some(TrialError::Simulation(error)) => return code_of_cause(error),
        None => {}
    }
    let is_protected = cause.is::<SealedError>()
        || cause.is::<FileExistsError>()
        || cause.is::<ProtectedError>()
        || matches!(cause.downcast_ref(), Some(NbdError::NotLoopback { .. }))
        || matches!(cause.downcast_ref(), Some(JoinError::Another { .. }))
        || matches!(
            cause.downcast_ref(),
            Some(RecordingsError::Scribe(
                ScribeError::Exists(_) | ScribeError::Hidden(_)
            ))
        );
    if is_protected {
        Some(Code::Protected)
    } else if is_usage(cause) {
        Some(Code::Usage)
    } else if cause.is::<DriveError>() {
        Some(Code::DriveFailed)
    } else if is_rig(cause) {
        Some(Code::Rig)
    } else if is_unusable(cause) {
        Some(Code::Unusable)
    } else {
        let simulation = cause.downcast_ref::<SimulationError>();
        simulation
            .map(code_of_simulation)
            .or_else(|| cause.downcast_ref::<AgeError>().map(code_of_ageing))
            .or_else(|| cause.downcast_ref::<BackingError>().map(code_of_backing))
            .or_else(|| cause.downcast_ref::<ClientError>().map(code_of_telling))
    }
}

fn is_usage(cause: &(dyn std::error::Error + 'static)) -> bool {
    cause.is::<UsageError>()
        || cause.is::<ScaleError>()
        || cause.is::<MatrixError>()
        || matches!(cause.downcast_ref(), Some(ImportError::Pieces { .. }))
        || matches!(
            cause.downcast_ref(),
            Some(
                StartError::Word { .. }
                    | StartError::Twice { .. }
                    | StartError::Conventional { .. }
            )
        )
        || matches!(cause.downcast_ref(), Some(NoDrive::Capacity(_)))
        || matches!(cause.downcast_ref(), Some(ForecastError::Control { .. }))
        || matches!(
            cause.downcast_ref(),
            Some(
                ReportError::Twice { .. }
                    | ReportError::DifferentRuns { .. }
                    | ReportError::NoCell { .. }
            )
        )
}

fn is_rig(cause: &(dyn std::error::Error + 'static)) -> bool {
    matches!(cause.downcast_ref(), Some(RecordingError::Write(_)))
        || cause.is::<EventError>()
        || cause.is::<NbdError>()
        || cause.is::<FuseError>()
        || cause.is::<RigError>()
        || cause.is::<OutputError>()
        || matches!(
            cause.downcast_ref(),
            Some(RecordingsError::Scribe(
                ScribeError::Create { .. } | ScribeError::Begin { .. }
            ))
        )
        || cause.is::<ControlError>()
        || cause.is::<Unwritten>()
}

fn is_unusable(cause: &(dyn std::error::Error + 'static)) -> bool {
    cause.is::<OpenError>()
        || cause.is::<ProfileError>()
        || matches!(cause.downcast_ref(), Some(StartError::Layout(_)))
        || cause.is::<WorkloadError>()
        || cause.is::<RecordingError>()
        || cause.is::<StructuresError>()
        || cause.is::<BookError>()
        || matches!(cause.downcast_ref(), Some(NoDrive::Ranges(_)))
        || cause.is::<GuessError>()
        || cause.is::<EnvelopeError>()
        || cause.is::<ImportError>()
        || cause.is::<RatesError>()
        || cause.is::<TextError>()
        || matches!(cause.downcast_ref(), Some(error) if is_no_material(error))
        || cause.is::<JoinError>()
        || cause.is::<UnusableError>()
}

/// Whether a file that a report was to be made from is none.
fn is_no_material(error: &ReportError) -> bool {
    matches!(
        error,
        ReportError::Read { .. }
            | ReportError::Unknown { .. }
            | ReportError::Columns { .. }
            | ReportError::Row { .. }
            | ReportError::Json { .. }
    )
}

fn code_of_ageing(error: &AgeError) -> Code {
    match error {
        AgeError::Conventional
        | AgeError::FilledAlready { .. }
        | AgeError::StagedAlready { .. }
        | AgeError::DirtyAlready { .. }
        | AgeError::TooFewBands { .. }
        | AgeError::TooFewSlots { .. }
        | AgeError::Contradiction { .. }
        | AgeError::TooFewExtents { .. }
        | AgeError::TooFewBytes { .. }
        | AgeError::BandsTooSmall { .. }
        | AgeError::MergeTooFar { .. }
        | AgeError::MergeOutOfReach { .. } => Code::Usage,
        AgeError::Mover(_) | AgeError::Sync(_) | AgeError::Stopped { .. } => Code::DriveFailed,
        AgeError::Missed { .. } => Code::Failure,
    }
}

fn code_of_simulation(error: &SimulationError) -> Code {
    match error {
        SimulationError::OutOfRange { .. }
        | SimulationError::NoTrim { .. }
        | SimulationError::Unfit { .. } => Code::Usage,
        SimulationError::DriveStopped { .. } => Code::DriveFailed,
        SimulationError::Events(_) | SimulationError::Requests(RecordingError::Write(_)) => {
            Code::Rig
        }
        SimulationError::Requests(_) => Code::Unusable,
    }
}

fn code_of_telling(error: &ClientError) -> Code {
    match error {
        ClientError::NoServer { .. } | ClientError::Gone { .. } | ClientError::Strange { .. } => {
            Code::Rig
        }
        ClientError::Told(told) => match told.kind {
            ErrorKind::NotUnderstood => Code::Usage,
            ErrorKind::Protected => Code::Protected,
            ErrorKind::Unwritten => Code::Rig,
            ErrorKind::Refused | ErrorKind::Failed => Code::Failure,
        },
    }
}

fn code_of_backing(error: &BackingError) -> Code {
    match error {
        BackingError::Exists { .. }
        | BackingError::Symlink { .. }
        | BackingError::IsDevice { .. }
        | BackingError::OnDevice { .. }
        | BackingError::DeviceInUse { .. }
        | BackingError::DeviceClaimed { .. }
        | BackingError::Signed { .. }
        | BackingError::Locked { .. }
        | BackingError::BehindLoop { .. }
        | BackingError::NoRoom { .. } => Code::Protected,
        BackingError::NotADevice { .. } => Code::Usage,
        BackingError::NotSparse { .. }
        | BackingError::TooLong { .. }
        | BackingError::OverLimit { .. }
        | BackingError::DeviceTooSmall { .. } => Code::Rig,
        BackingError::Missing { .. }
        | BackingError::WrongKind { .. }
        | BackingError::NotWritable { .. }
        | BackingError::System { .. } => Code::Unusable,
    }
}

/// The option that says the word which an error asks for.
pub(super) fn option_for(error: &anyhow::Error) -> Option<&'static str> {
    error.chain().find_map(|cause| {
        if let Some(NbdError::NotLoopback { .. }) = cause.downcast_ref() {
            return Some("--allow-remote");
        }
        if cause.is::<FileExistsError>() {
            return Some("--replace");
        }
        match cause.downcast_ref()? {
            BackingError::Exists { .. } => Some("--replace"),
            BackingError::IsDevice { .. } | BackingError::OnDevice { .. } => Some("--block-device"),
            BackingError::Signed { .. } => Some("--overwrite-signature"),
            BackingError::NotWritable { .. } => Some("--read-only"),
            BackingError::NoRoom { .. } => Some("--allow-overcommit"),
            _ => None,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use anyhow::Context as _;
    use parquet::errors::ParquetError;

    #[test]
    fn a_cause_keeps_its_code_under_any_context() {
        let check = |error: anyhow::Error, expected| {
            let wrapped = Err::<(), _>(error).context("outer").context("outermost");
            assert_eq!(code_of(&wrapped.expect_err("it is one")), expected);
        };
        let missing = BackingError::Missing { path: "x".into() };
        let exists = BackingError::Exists {
            path: "x".into(),
            bytes: 1,
        };
        check(missing.into(), Code::Unusable);
        check(exists.into(), Code::Protected);
        check(NbdError::NoAddress.into(), Code::Rig);
        let address = std::net::SocketAddr::from(([0, 0, 0, 0], 1));
        check(NbdError::NotLoopback { address }.into(), Code::Protected);
        let kind = "a directory";
        let wrong = BackingError::WrongKind {
            path: "x".into(),
            kind,
        };
        check(wrong.into(), Code::Unusable);
        check(DriveError("x".into()).into(), Code::DriveFailed);
        check(UsageError("x".into()).into(), Code::Usage);
        let full = || std::io::Error::from(std::io::ErrorKind::StorageFull);
        let rig = RigError {
            doing: "write",
            source: full(),
        };
        check(rig.into(), Code::Rig);
        check(OutputError::of("x")(full()).into(), Code::Rig);
        let unmade = ScribeError::Create {
            path: "x".into(),
            source: full(),
        };
        check(RecordingsError::from(unmade).into(), Code::Rig);
        let write = || RecordingError::Write(ParquetError::External(Box::new(full())));
        check(write().into(), Code::Rig);
        check(SimulationError::Requests(write()).into(), Code::Rig);
        let open = RecordingError::Open {
            path: "x".into(),
            source: full(),
        };
        check(SimulationError::Requests(open).into(), Code::Unusable);
        check(anyhow::anyhow!("something else"), Code::Failure);
    }
}
