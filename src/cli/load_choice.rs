//! Owns the arguments that say what is asked of a drive in virtual time: a workload, or the requests of a
//! recording.
//!
//! Flattened into every command that runs one or the other, so that they mean the same in all.

use std::path::PathBuf;

use super::beginning::Beginning;
use super::exit::UsageError;
use super::number;
use super::replay_choice::ReplayChoice;
use super::workload_source;
use crate::lab::playback::Playback;
use crate::lab::replay::How;
use crate::lab::workload::{COUNT_MAX, Workload};
use crate::profile::quantity::Unit;
use crate::time::Duration;

/// What is asked of a drive.
#[derive(Clone, Debug, clap::Args)]
pub(super) struct LoadChoice {
    /// A workload's name, a TOML file, or words that begin with an order.
    #[arg(required_unless_present = "replay", conflicts_with = "replay")]
    workload: Option<String>,
    /// Run the requests of this recording instead of a workload.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["seed", "count", "duration"])]
    replay: Option<PathBuf>,
    #[command(flatten)]
    choice: ReplayChoice,
    /// Start of everything that looks random, instead of the workload's.
    #[arg(long)]
    seed: Option<u64>,
    /// Requests in all, instead of the workload's.
    #[arg(long, value_name = "REQUESTS", value_parser = number::from_1_to(COUNT_MAX))]
    count: Option<u64>,
    /// Time in which requests are submitted, instead of the workload's.
    #[arg(long, value_name = "TIME", value_parser = parse_time)]
    duration: Option<u64>,
}

/// What was chosen.
pub(super) enum Chosen {
    /// Requests made as a workload says.
    Workload(Workload),
    /// Requests as they were recorded.
    Recording(Playback),
}

impl LoadChoice {
    /// What was chosen, read and checked.
    pub(super) fn chosen(&self) -> anyhow::Result<Chosen> {
        if let Some(path) = &self.replay {
            return Ok(Chosen::Recording(Playback::open(path)?));
        }
        if let Some(option) = self.choice.given() {
            let what = format!(
                "{option} says how a recording is replayed, and none is named: give --replay FILE instead of a \
                 workload, or leave {option} out"
            );
            return Err(UsageError(what).into());
        }
        let mut workload = workload_source::load(self.workload.as_deref().unwrap_or_default())?;
        workload.seed = self.seed.unwrap_or(workload.seed);
        // What is given here ends the run alone.
        if self.count.is_some() || self.duration.is_some() {
            workload.limits.count = self.count;
            workload.limits.duration = self.duration.map(Duration);
        }
        Ok(Chosen::Workload(workload))
    }

    /// How a recording is replayed.
    pub(super) fn how(&self) -> How {
        self.choice.how()
    }
}

/// What is to be said where a recording began on a drive that held something, and is run on one that
/// begins otherwise.
pub(super) fn began_otherwise(playback: &Playback, beginning: &Beginning) -> Option<String> {
    if playback.began_new || beginning.as_it_is() {
        return None;
    }
    let began = playback.began.as_deref().unwrap_or_default();
    if beginning.start.is_some() && beginning.began() == began {
        return None;
    }
    let known = match began {
        "" | "used" => String::new(),
        words => format!(" ({words})"),
    };
    let name = playback.name();
    Some(format!(
        "{name} began on a drive that held something{known}; the simulated one held what was asked for, and \
         differs where that matters (--start says what it holds; as-it-is begins with an image)"
    ))
}

/// A time such as `10min`, for clap.
pub(super) fn parse_time(text: &str) -> Result<u64, String> {
    match Unit::Nanoseconds.parse(text) {
        Ok(0) => Err("no time at all; give one such as 10min or 8h".to_owned()),
        Ok(ns) => Ok(ns),
        Err(error) => Err(format!("{error}; give a time such as 10min or 8h")),
    }
}
