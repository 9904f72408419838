//! `imbrex forecast rebuild`: how long a member of an array takes to be rebuilt.

use std::num::NonZeroUsize;

use super::super::beginning::Beginning;
use super::super::exit::{Code, UsageError};
use super::super::load_choice::parse_time;
use super::super::{number, profile_source, workload_source};
use super::{CONTROL, START, check_start, jobs, profile, shown, start, tell};
use crate::lab::forecast::rebuild::{self, Question};
use crate::lab::forecast::window::{HostLimits, Window};
use crate::lab::workload::Workload;
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::time::Duration;
use crate::units::SECTOR_BYTES;

const EXAMPLES: &str = "\
Examples:
  imbrex forecast rebuild --deadline 24h
  imbrex forecast rebuild --profile archive-8tb --member 6TB --piece 512KiB --deadline 24h
  imbrex forecast rebuild --piece 64KiB --piece 1MiB --foreground array-rebuild --deadline 24h

Exit codes: 0 fits with every size of piece asked for, and no host drops the member; 1 does not;
2 usage; 3 the workload or profile cannot be used.";

/// Arguments of `forecast rebuild`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
#[command(mut_arg("start", |start| start.help(START)))]
pub(super) struct Arguments {
    /// The member: a built-in profile, a TOML file or an image (only its profile is read).
    #[arg(long, value_name = "PROFILE", default_value = Profile::DEFAULT_NAME)]
    profile: String,
    /// The conventional drive to compare with, brought to the member's capacity.
    #[arg(long, value_name = "PROFILE", default_value = CONTROL)]
    control: String,
    /// Bytes of it that are rebuilt; all where it is not said.
    #[arg(long, value_name = "SIZE", value_parser = parse_size)]
    member: Option<u64>,
    /// Bytes of a piece; may be given more than once. Smaller and larger ones are tried beside it.
    #[arg(long, value_name = "SIZE", value_parser = parse_piece, default_value = "512KiB")]
    piece: Vec<u64>,
    /// A workload whose streams are asked of the member all the time, but for one named rebuild.
    #[arg(long, value_name = "WORKLOAD")]
    foreground: Option<String>,
    /// By when the rebuild is to be done, such as 24h.
    #[arg(long, value_name = "TIME", value_parser = parse_time)]
    deadline: u64,
    /// Hosts by which the member must not be dropped meanwhile, between commas: the limits of
    /// docs/control.md that drop a drive; or none, to judge the time alone.
    #[arg(long, value_name = "LIMITS", default_value_t = HostLimits::all())]
    host_limits: HostLimits,
    #[command(flatten)]
    beginning: Beginning,
    /// Runs at once; as many as this machine has cores where it is not said.
    #[arg(long, value_name = "RUNS", value_parser = number::runs)]
    jobs: Option<NonZeroUsize>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let profile = profile(&arguments.profile, &arguments.beginning)?;
    let capacity = profile.drive.capacity_bytes;
    let member_bytes = arguments.member.unwrap_or(capacity);
    if member_bytes > capacity {
        let what = format!(
            "--member: {} do not fit on {}, which has {}",
            Unit::Bytes.format(member_bytes),
            profile.name,
            Unit::Bytes.format(capacity)
        );
        return Err(UsageError(what).into());
    }
    if let Some(piece) = arguments.piece.iter().find(|piece| **piece > member_bytes) {
        let what = format!(
            "--piece: {} are more than what is to be rebuilt, which is {}; give a smaller piece",
            Unit::Bytes.format(*piece),
            Unit::Bytes.format(member_bytes)
        );
        return Err(UsageError(what).into());
    }
    let start = start(&arguments.beginning, "new")?;
    check_start(start, std::slice::from_ref(&profile))?;
    let foreground = arguments.foreground.as_deref();
    let question = Question {
        profile,
        control: profile_source::load(Some(&arguments.control), None)?.0,
        start,
        member_bytes,
        pieces: arguments.piece.clone(),
        foreground: foreground.map(beside).transpose()?,
        window: Window {
            deadline: Duration(arguments.deadline),
            limits: arguments.host_limits.clone(),
        },
        jobs: jobs(arguments.jobs),
    };
    let answer = shown(|told| rebuild::rebuild(&question, told))?;
    tell(arguments.json, answer.fits(), &answer)
}

/// The workload of this name, without a rebuild of its own.
fn beside(named: &str) -> anyhow::Result<Workload> {
    let workload = workload_source::load(named)?;
    rebuild::beside(workload).ok_or_else(|| {
        let what = format!(
            "--foreground: {named} has no stream but {}",
            rebuild::OWN_STREAM
        );
        UsageError(what).into()
    })
}

/// A size such as `512KiB`, which is whole sectors, for clap.
fn parse_piece(text: &str) -> Result<u64, String> {
    let bytes = Unit::Bytes.parse(text);
    let bytes = bytes.map_err(|error| format!("{error}; give a size such as 512KiB"))?;
    if bytes == 0 || !bytes.is_multiple_of(SECTOR_BYTES) {
        let down = (bytes / SECTOR_BYTES).max(1) * SECTOR_BYTES;
        let nearest = Unit::Bytes.format(down);
        return Err(format!(
            "a piece is whole sectors of 4 KiB; give one such as {nearest}"
        ));
    }
    Ok(bytes)
}

/// A size such as `512KiB`, rounded down to whole sectors, for clap.
fn parse_size(text: &str) -> Result<u64, String> {
    match Unit::Bytes.parse(text) {
        Ok(bytes) if bytes >= SECTOR_BYTES => Ok(bytes / SECTOR_BYTES * SECTOR_BYTES),
        Ok(_) => Err("less than a sector; give at least 4KiB".to_owned()),
        Err(error) => Err(format!("{error}; give a size such as 512KiB or 5TB")),
    }
}
