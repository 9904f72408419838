//! Owns the words for faults on request: what can be asked for, how a command fails by it, what is
//! noted of it.
//!
//! Faults belong to the model: they happen at exact moments of model time and the same in virtual
//! time. Fault model, by what a fault changes:
//! - the outcome of host commands: unreadable and unwritable ranges, read-only, failing commands;
//! - when things happen: stalls, a slow mechanism;
//! - how the drive works: its write cache;
//! - that it works at all: a power cut between two movements.
//!
//! A fault never changes a byte, neither in the image nor in an answer, and never fails what the
//! drive writes for itself. What the machine under imbrex does wrong is no business of this file.

use std::fmt;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::medium::movement::Purpose;
use crate::time::{Duration, Instant};
use crate::units::Lba;

/// Longest time that can be asked for: 30 days. Whatever is to last longer lasts until it is lifted.
pub const DURATION_MAX: Duration = Duration::from_s(30 * 24 * 3600);
/// Most that a mechanism can be slowed, in percent of its own time.
pub const SLOW_PERCENT_MAX: u64 = 100_000;
/// Faults in force at a time, so that a loop that imposes them does not fill the memory.
pub const STANDING_MAX: usize = 256;

/// Names a fault on request for as long as the drive is served. Counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FaultId(pub u64);

impl fmt::Display for FaultId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

/// A fault that can be asked for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "fault", rename_all = "kebab-case")]
pub enum Fault {
    /// A range cannot be read or written.
    MediaError(MediaError),
    /// Nothing is answered.
    Stall(Stall),
    /// The mechanism is slow.
    Slow(Slow),
    /// Host commands fail.
    FailCommands(FailCommands),
    /// The power goes.
    PowerCut(PowerCut),
    /// The drive takes nothing that would change what it holds.
    ReadOnly(Switch),
    /// The volatile write cache.
    WriteCache(Switch),
}

/// Sectors that cannot be read or written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MediaError {
    /// First byte; every physical sector that the range touches is meant.
    pub offset: u64,
    /// How many bytes.
    pub bytes: u64,
    /// Which commands fail.
    #[serde(default)]
    pub on: Commands,
    /// For how long.
    #[serde(default)]
    pub lasts: Lasts,
    /// Where the sectors must lie to be unreadable.
    #[serde(default)]
    pub place: Whereabouts,
    /// How long the drive tries before it gives up, in nanoseconds.
    #[serde(default)]
    pub tries_ns: u64,
}

/// Which commands a media error fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Commands {
    /// Reads, and writes of parts of a sector, which must be read first.
    #[default]
    Reads,
    /// Writes and zeroing.
    Writes,
}

/// How long a media error lasts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lasts {
    /// For one command.
    Once,
    /// For so many commands.
    Times(u64),
    /// Sector by sector, until the host has written (or discarded) it and that has left the write
    /// cache.
    UntilRewritten,
    /// Until it is lifted.
    #[default]
    Permanent,
}

/// Where sectors must lie to be unreadable.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Whereabouts {
    /// Anywhere, also where nothing was ever written; not in the write cache.
    #[default]
    Anywhere,
    /// In their home band.
    Home,
    /// In the staging area, or in a spare that a running pass fills.
    Staged,
}

/// A time without answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stall {
    /// How long, in nanoseconds; `None`: until it is lifted.
    pub duration_ns: Option<u64>,
}

/// A slow mechanism.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slow {
    /// What the mechanism takes, in percent of its own time: 300 is three times as long.
    pub percent: u64,
}

/// Commands that fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FailCommands {
    /// How many in a row.
    pub commands: u64,
    /// Not before so many more bands were cleaned while a host command waited for room.
    #[serde(default)]
    pub after_bands_cleaned: u64,
}

/// A power cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PowerCut {
    /// After so many movements of `purpose` from now on; 0: at once.
    #[serde(default)]
    pub after_movements: u64,
    /// Which movements count; `None`: all.
    #[serde(
        default,
        serialize_with = "purpose_word",
        deserialize_with = "purpose_of"
    )]
    pub purpose: Option<Purpose>,
    /// Whether the drive stays without power until it is told otherwise.
    #[serde(default)]
    pub stay_off: bool,
}

/// A setting that is on or off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Switch {
    /// Which of the two.
    pub on: bool,
}

/// A fault in force.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Standing {
    /// Its name.
    pub id: FaultId,
    /// Since when, in nanoseconds of model time.
    pub since_ns: u64,
    /// What was asked for.
    #[serde(flatten)]
    pub fault: Fault,
    /// Commands or movements that it still waits for or strikes, where it counts.
    pub left: Option<u64>,
}

/// Why a fault cannot be imposed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FaultError {
    /// The range is not on the drive.
    #[error(
        "bytes {offset} to {end} do not lie on the drive, which has {capacity}: give a range of at least one byte inside it",
        end = .offset.saturating_add(*.bytes)
    )]
    Range {
        /// First byte.
        offset: u64,
        /// How many.
        bytes: u64,
        /// Bytes of the drive.
        capacity: u64,
    },
    /// A number that makes no sense.
    #[error("{name} is {given}; it must be {least} to {most}")]
    Number {
        /// Which one.
        name: &'static str,
        /// As given.
        given: u64,
        /// Least that is allowed.
        least: u64,
        /// Most that is allowed.
        most: u64,
    },
    /// A write that fails does not rewrite anything.
    #[error(
        "a media error on writes cannot last until rewritten, since the write that would end it fails: give `once`, a number of times, or `permanent`"
    )]
    NeverRewritten,
    /// There is no cache to switch on.
    #[error("the drive's profile gives it no write cache (write_cache.bytes is 0)")]
    NoCache,
    /// A stall is in force.
    #[error("the drive is stalled already (fault {0}): lift that first")]
    Stalled(FaultId),
    /// A power cut is on its way.
    #[error("a power cut is under way already (fault {0}): lift that first")]
    CutAhead(FaultId),
    /// Too many.
    #[error("{STANDING_MAX} faults are in force, which is the limit: lift some")]
    TooMany,
}

/// Why a host command fails by a fault on request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Failing {
    /// Which fault.
    pub fault: FaultId,
    /// How.
    pub kind: FailingKind,
}

/// How a host command fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FailingKind {
    /// A sector cannot be read.
    Unreadable(Lba),
    /// A sector cannot be written.
    Unwritable(Lba),
    /// It is one of the commands that fail.
    Aborted,
    /// It would change what a read-only drive holds.
    ReadOnly,
}

impl fmt::Display for Failing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind {
            FailingKind::Unreadable(lba) => write!(f, "sector {lba} cannot be read")?,
            FailingKind::Unwritable(lba) => write!(f, "sector {lba} cannot be written")?,
            FailingKind::Aborted => write!(f, "the command was aborted")?,
            FailingKind::ReadOnly => write!(f, "the drive has become read-only")?,
        }
        write!(f, " (on request: fault {})", self.fault)
    }
}

/// Something that happened by a fault on request.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Note {
    /// When, in nanoseconds of model time.
    pub at_ns: u64,
    /// By which fault.
    pub fault: FaultId,
    /// What, in words.
    pub what: String,
}

/// The drive has no power any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PowerLoss {
    /// By which fault.
    pub fault: FaultId,
    /// When.
    pub at: Instant,
    /// Whether it stays without.
    pub stay_off: bool,
}

#[allow(clippy::ref_option, clippy::trivially_copy_pass_by_ref)] // the form that serde calls
fn purpose_word<S: Serializer>(purpose: &Option<Purpose>, to: S) -> Result<S::Ok, S::Error> {
    purpose.map(Purpose::word).serialize(to)
}

fn purpose_of<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Purpose>, D::Error> {
    let Some(word) = Option::<String>::deserialize(from)? else {
        return Ok(None);
    };
    let found = Purpose::ALL.into_iter().find(|each| each.word() == word);
    let words = || Purpose::ALL.map(Purpose::word).join(", ");
    found
        .map(Some)
        .ok_or_else(|| D::Error::custom(format!("unknown purpose {word:?}, one of {}", words())))
}
