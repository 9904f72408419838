//! Owns the words for what no host asks of a drive: faults on request, limits, saved states.
//!
//! Orders come from whoever runs the drive, by way of its control socket. They are carried out on the
//! drive's thread, between two turns; what is refused has changed nothing.

use std::path::PathBuf;

use super::bay::BayError;
use super::time_limits::TimeLimit;
use crate::drive::fault::{Fault, FaultError, FaultId, Standing};
use crate::image::copying::Copied;

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Order {
    /// Impose a fault.
    Impose(Fault),
    /// Lift a fault, or all of them.
    Lift(Option<FaultId>),
    /// Tell what is in force.
    Conditions,
    /// Give the drive power again after a power cut.
    PowerOn,
    /// Fail commands at these limits and at no others; a drive that was taken out is back.
    Enforce(Vec<TimeLimit>),
    /// Copy the image, as a power cut would leave it now, to a new file.
    Save {
        /// The file.
        to: PathBuf,
    },
    /// Put what a prepared file holds in the place of the image.
    Replace {
        /// The file.
        with: PathBuf,
    },
}

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The fault is in force, or has happened.
    Imposed(FaultId),
    /// So many faults were lifted.
    Lifted(usize),
    /// What is in force.
    Conditions(Conditions),
    /// The image was copied.
    Saved(Copied),
    /// It is done.
    Done,
}

/// What is in force.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Conditions {
    /// Whether the drive has power.
    pub powered: bool,
    /// The faults in force.
    pub faults: Vec<Standing>,
    /// The limits at which commands fail.
    pub enforced: Vec<TimeLimit>,
    /// Whether the drive was taken out of service by one of them.
    pub taken_out: bool,
}

/// Why an order is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OrderError {
    /// The fault cannot be imposed.
    #[error(transparent)]
    Fault(#[from] FaultError),
    /// No such fault is in force.
    #[error("fault {0} is not in force")]
    NoSuchFault(FaultId),
    /// The drive has no power.
    #[error("the drive has no power: give it some first (power-on)")]
    NoPower,
    /// The drive has power.
    #[error("the drive has power already")]
    HasPower,
    /// The drive has failed for good.
    #[error("the drive has failed: {0}")]
    Failed(String),
    /// It cannot be opened again, copied or replaced.
    #[error("this drive lies nowhere that could be opened again, copied or replaced")]
    NoBay,
    /// The machine got in the way.
    #[error(transparent)]
    Bay(#[from] BayError),
}
