//! `imbrex blame`: tells which addresses cause which cleaning, in a run in virtual time.

use std::path::PathBuf;

use super::beginning::Beginning;
use super::exit::{Code, UsageError};
use super::load_choice::{self, Chosen, LoadChoice};
use super::{output, profile_source, structure_source};
use crate::drive::Drive;
use crate::lab::blame::run::{self, Weigh};
use crate::lab::playback::Playback;
use crate::lab::ranges::Ranges;
use crate::lab::simulation::Load;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::units::index;

const LONG: &str = "\
Run a workload, or the requests of a recording, on a drive in virtual time, and tell which addresses cause
which cleaning, how much the drive writes for them, and which requests wait because of that.
docs/blame.md says how cleaning is shared out.";

const EXAMPLES: &str = "\
Examples:
  imbrex blame desktop-5tb database-commit --start 'filled 60%, staging 95%'
  imbrex blame --replay session.parquet --structures ext4.csv
  imbrex blame tiny 'uniform write 4KiB 5000-requests' --granularity 1MiB --csv";

/// Arguments of `blame`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// A built-in profile, a TOML file or an image. With --replay the recording's own where none is
    /// given.
    #[arg(required_unless_present = "replay")]
    profile: Option<String>,
    #[command(flatten)]
    load: LoadChoice,
    #[command(flatten)]
    beginning: Beginning,
    /// By what addresses are divided: a size such as 64MiB, or band.
    #[arg(long, value_name = "SIZE", default_value = "band", value_parser = parse_granularity)]
    granularity: Granularity,
    /// Divide addresses by the structures of this file instead: CSV with the columns start, end (or
    /// bytes) and name, as scripts/structures makes it.
    #[arg(long, value_name = "FILE", conflicts_with = "granularity")]
    structures: Option<PathBuf>,
    /// What weighs in a share: bytes, or pieces however long.
    #[arg(long, value_name = "WHAT", default_value = "bytes", value_parser = parse_weigh)]
    weigh: Weigh,
    /// Ranges that people are shown.
    #[arg(long, value_name = "RANGES", default_value = "20")]
    top: u64,
    /// Print one JSON object.
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print a table for programs.
    #[arg(long)]
    csv: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Granularity {
    Band,
    Bytes(u64),
}

fn parse_granularity(text: &str) -> Result<Granularity, String> {
    if text == "band" {
        return Ok(Granularity::Band);
    }
    match profile_source::parse_capacity(text) {
        Ok(bytes @ 1..) => Ok(Granularity::Bytes(bytes)),
        _ => Err("give a size such as 64MiB, or band".to_owned()),
    }
}

fn parse_weigh(text: &str) -> Result<Weigh, String> {
    match text {
        "bytes" => Ok(Weigh::Bytes),
        "pieces" => Ok(Weigh::Pieces),
        _ => Err("give bytes or pieces".to_owned()),
    }
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let blame = match arguments.load.chosen()? {
        Chosen::Recording(playback) => {
            let drive = drive_of(arguments, &playback)?;
            if let Some(words) = load_choice::began_otherwise(&playback, &arguments.beginning) {
                output::say(&words);
            }
            let asked = Load::recorded(&playback, arguments.load.how());
            watched(arguments, drive, asked)?
        }
        Chosen::Workload(workload) => {
            let drive = arguments.beginning.drive(arguments.profile.as_deref())?;
            watched(arguments, drive, Load::Made(&workload))?
        }
    };
    if arguments.json {
        output::print_json(&serde_json::to_value(&blame)?)?;
    } else if arguments.csv {
        output::print(&blame.csv())?;
    } else {
        output::print(&blame.words(index(arguments.top)))?;
    }
    Ok(Code::Ok)
}

/// The drive that a recording is run on.
fn drive_of(arguments: &Arguments, playback: &Playback) -> anyhow::Result<Drive> {
    let beginning = &arguments.beginning;
    if arguments.profile.is_some() {
        return beginning.drive(arguments.profile.as_deref());
    }
    let name = playback.name();
    let Some(text) = &playback.profile else {
        let what = format!("{name} does not say of which drive it is: give a PROFILE");
        return Err(UsageError(what).into());
    };
    let own = Profile::from_toml(&format!("the profile in {name}"), text)?;
    beginning.drive_of(own)
}

fn watched(
    arguments: &Arguments,
    drive: Drive,
    asked: Load<'_>,
) -> anyhow::Result<crate::lab::blame::account::Blame> {
    let capacity = drive.profile().drive.capacity_bytes;
    let ranges = match (&arguments.structures, arguments.granularity) {
        (Some(path), _) => structure_source::load(path, capacity)?,
        (None, Granularity::Bytes(bytes)) => Ranges::equal(capacity, bytes),
        (None, Granularity::Band) => Ranges::bands(&Layout::new(drive.profile())?),
    };
    Ok(run::run(
        drive,
        asked,
        (ranges, arguments.weigh),
        &mut |_| {},
    )?)
}
