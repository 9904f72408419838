//! Owns the arguments that say how a recording is replayed, the same in every command.

use clap::ValueEnum;

use crate::lab::replay::{Beyond, How, Keep};
use crate::profile::quantity::Unit;

/// How a recording is replayed.
#[derive(Clone, Debug, clap::Args)]
pub(super) struct ReplayChoice {
    /// What stays as it was in a replay: the times of requests, or the times from answers to the
    /// requests that followed them.
    #[arg(long, value_enum, default_value = "times", requires = "replay")]
    keep: Kept,
    /// How much faster the times of a replay become, such as 2 or 0.5.
    #[arg(long, value_name = "FACTOR", value_parser = parse_speed, requires = "replay")]
    speed: Option<u64>,
    /// What happens to requests of a replay beyond the end of the drive: there is no run, or they are
    /// folded back onto the drive.
    #[arg(long, value_enum, default_value = "refuse", requires = "replay")]
    beyond: OnBeyond,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kept {
    /// When requests came, whatever the drive does.
    Times,
    /// How long after an answer the next request came.
    ThinkTimes,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum OnBeyond {
    /// Say so, and do not begin.
    Refuse,
    /// Offsets begin again at the start of the drive.
    Fold,
}

impl ReplayChoice {
    /// What was chosen.
    pub(super) fn how(&self) -> How {
        How {
            keep: match self.keep {
                Kept::Times => Keep::Times,
                Kept::ThinkTimes => Keep::ThinkTimes,
            },
            speed_milli: self.speed.unwrap_or(1000),
            beyond: match self.beyond {
                OnBeyond::Refuse => Beyond::Refuse,
                OnBeyond::Fold => Beyond::Fold,
            },
        }
    }
}

/// A factor such as `2` or `0.5` in thousandths, for clap.
fn parse_speed(text: &str) -> Result<u64, String> {
    match Unit::Thousandths.parse(text) {
        Ok(milli @ 1..=1_000_000_000) => Ok(milli),
        _ => Err("give a factor from 0.001 to 1000000, with up to three decimals".to_owned()),
    }
}
