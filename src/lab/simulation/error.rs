//! Owns what is said of a run that cannot begin, or did not get to its end. It decides nothing.

use crate::drive::request::Refusal;
use crate::lab::events::EventError;
use crate::lab::recording::RecordingError;

/// Why a workload cannot be run, or did not get to its end.
#[derive(Debug, thiserror::Error)]
pub enum SimulationError {
    /// The range does not lie on the drive.
    #[error(
        "the stream {stream} asks for {length} bytes from {from} on, in requests of up to {request}; the drive has {capacity}, or its order needs a longer range: change its from, length or request, or give a larger capacity"
    )]
    OutOfRange {
        /// Its name.
        stream: String,
        /// First byte.
        from: u64,
        /// Bytes of the range, or what there is of it.
        length: u64,
        /// Bytes of its largest request.
        request: u64,
        /// Bytes of the drive.
        capacity: u64,
    },
    /// The drive offers no discard.
    #[error(
        "{percent}% of the stream {stream} are discards and the drive {drive} offers none: set its trim to 0%, or trim.enabled in the profile"
    )]
    NoTrim {
        /// Its name.
        stream: String,
        /// Share of discards.
        percent: u32,
        /// Name of the profile.
        drive: String,
    },
    /// The drive stopped: a defect of imbrex.
    #[error("the drive stopped after {answered} answers: {why}")]
    DriveStopped {
        /// Its account.
        why: String,
        /// Requests answered until then.
        answered: u64,
    },
    /// A recorded request does not fit the drive.
    #[error(
        "request {request} of the recording does not fit the drive {drive}: {refusal}; replay it on a drive that is large enough, or fold what lies beyond (--beyond fold)"
    )]
    Unfit {
        /// Its number.
        request: u64,
        /// Name of the profile.
        drive: String,
        /// What is wrong.
        refusal: Refusal,
    },
    /// The record of events cannot be written.
    #[error(transparent)]
    Events(#[from] EventError),
    /// The record of requests cannot be written.
    #[error(transparent)]
    Requests(#[from] RecordingError),
}
