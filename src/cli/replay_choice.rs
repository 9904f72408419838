//! Owns the arguments that say how a recording is replayed, the same in every command.

use clap::ValueEnum;

use crate::lab::replay::{Beyond, How, Keep};
use crate::profile::quantity::Unit;

/// How a recording is replayed. That there is one is not asked of clap: it drops `requires` as soon as
/// something is given that the required argument cannot be joined with.
#[derive(Clone, Debug, clap::Args)]
pub(super) struct ReplayChoice {
    /// What stays as it was in a replay: the times of requests, or the times from answers to the
    /// requests that followed them. [default: times]
    #[arg(long, value_enum)]
    keep: Option<Kept>,
    /// How much faster the times of a replay become, such as 2 or 0.5.
    #[arg(long, value_name = "FACTOR", value_parser = parse_speed)]
    speed: Option<u64>,
    /// What happens to requests of a replay beyond the end of the drive: there is no run, or they are
    /// folded back onto the drive. [default: refuse]
    #[arg(long, value_enum)]
    beyond: Option<OnBeyond>,
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
    /// The first option that was given, and counts only where there is a recording.
    pub(super) fn given(&self) -> Option<&'static str> {
        let given = [
            ("--keep", self.keep.is_some()),
            ("--speed", self.speed.is_some()),
            ("--beyond", self.beyond.is_some()),
        ];
        given
            .iter()
            .find(|(_, given)| *given)
            .map(|(name, _)| *name)
    }

    /// What was chosen.
    pub(super) fn how(&self) -> How {
        How {
            keep: match self.keep {
                None | Some(Kept::Times) => Keep::Times,
                Some(Kept::ThinkTimes) => Keep::ThinkTimes,
            },
            speed_milli: self.speed.unwrap_or(1000),
            beyond: match self.beyond {
                None | Some(OnBeyond::Refuse) => Beyond::Refuse,
                Some(OnBeyond::Fold) => Beyond::Fold,
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
