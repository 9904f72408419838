//! Owns the state of a drive at the beginning of a run: new, formatted, or used in a stated way.
//!
//! A start is a word or two that people write, the same in every command and file. Always holds: a
//! drive that it gives has seen no time yet, and the same start and profile give the same drive. The
//! drive can be cloned, so that many runs begin in one state that was made once.

use std::fmt;

use super::ageing::condition::{AgeError, FillOrder, Wanted};
use super::ageing::run::{self, Image};
use super::ageing::sparse_store::SparseStore;
use crate::drive::Drive;
use crate::image::open::{self, OpenError};
use crate::medium::layout::LayoutError;
use crate::profile::Profile;

const ALLOWED: &str = "as-it-comes, new, formatted, or conditions between commas: 'filled 60%' (or 'filled 60% scattered'), 'staging 95%', 'dirty-bands 40', 'merge-in 1', 'seed 7'";

/// The state of a drive at the beginning of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Start {
    /// As the profile says that the drive comes.
    #[default]
    AsItComes,
    /// No band was ever written.
    New,
    /// Every band counts as written.
    Formatted,
    /// Brought to a condition, as `imbrex age` does it. A conventional drive has none of these and
    /// counts as written.
    Aged(Wanted),
}

/// Why there is no such start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// Words that say nothing.
    #[error("{word:?} is no state of a drive to start from; give {ALLOWED}")]
    Word {
        /// The part that is not understood.
        word: String,
    },
    /// The same thing, said again.
    #[error("{word:?} says again what {before:?} has said: say it once")]
    Twice {
        /// The later one.
        word: String,
        /// The one before it.
        before: String,
    },
    /// A conventional drive, and a state that takes a staging area.
    #[error(
        "the drive {drive} is conventional: it stages nothing and keeps no map, so it cannot start with {start:?}; leave out staging, dirty-bands and merge-in"
    )]
    Conventional {
        /// Name of the profile.
        drive: String,
        /// The state.
        start: String,
    },
    /// The profile's parts do not fit.
    #[error(transparent)]
    Layout(#[from] LayoutError),
    /// The image to be aged, which nobody else has seen.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The condition cannot be reached.
    #[error("the drive {drive} cannot start in this state")]
    Age {
        /// Name of the profile.
        drive: String,
        /// Why.
        source: AgeError,
    },
}

impl Start {
    /// Reads what a person wrote.
    ///
    /// # Errors
    /// [`StartError::Word`] with the part that is not understood, [`StartError::Twice`] with one that is
    /// said again.
    pub fn from_words(words: &str) -> Result<Start, StartError> {
        match words.trim() {
            "as-it-comes" => return Ok(Start::AsItComes),
            "new" => return Ok(Start::New),
            "formatted" => return Ok(Start::Formatted),
            _ => {}
        }
        let mut wanted = Wanted {
            seed: 1,
            ..Wanted::default()
        };
        let about = |part: &str| part.split_whitespace().next().map(str::to_owned);
        let mut said: Vec<&str> = Vec::new();
        for part in words.split(',').map(str::trim) {
            let word = part.to_owned();
            if condition(&mut wanted, part).is_none() {
                return Err(StartError::Word { word });
            }
            if let Some(before) = said.iter().find(|before| about(before) == about(part)) {
                let before = (*before).to_owned();
                return Err(StartError::Twice { word, before });
            }
            said.push(part);
        }
        Ok(Start::Aged(wanted))
    }

    /// The same state, made with another seed.
    #[must_use]
    pub fn seeded(self, seed: u64) -> Start {
        match self {
            Start::Aged(wanted) => Start::Aged(Wanted { seed, ..wanted }),
            other => other,
        }
    }

    /// Whether a drive of `profile` can be in this state at all: a conventional one has no staging area
    /// and no map, and counts as written whatever is said of bands with data.
    pub fn is_known_to(self, profile: &Profile) -> bool {
        !matches!(self, Start::Aged(_)) || profile.staging.is_some()
    }

    /// Insists on a drive that can stage where the state takes that.
    ///
    /// # Errors
    /// [`StartError::Conventional`].
    pub fn check(self, profile: &Profile) -> Result<(), StartError> {
        match self {
            Start::Aged(wanted) if wanted.stages() && profile.staging.is_none() => {
                Err(StartError::Conventional {
                    drive: profile.name.clone(),
                    start: self.to_string(),
                })
            }
            _ => Ok(()),
        }
    }

    /// What is to be said where some of `profiles` count as written instead of starting in this state.
    pub fn not_known<'p>(self, profiles: impl IntoIterator<Item = &'p Profile>) -> Option<String> {
        let others = profiles
            .into_iter()
            .filter(|profile| !self.is_known_to(profile));
        let mut names: Vec<&str> = others.map(|profile| profile.name.as_str()).collect();
        names.dedup();
        (!names.is_empty()).then(|| {
            let names = names.join(", ");
            format!("conventional, so all of it counts as written at the start whatever was asked for: {names}")
        })
    }

    /// A drive of `profile` in this state, for virtual time.
    ///
    /// # Errors
    /// See [`StartError`].
    pub fn drive(self, profile: &Profile) -> Result<Drive, StartError> {
        let counts_as_written = |formatted| {
            let mut profile = profile.clone();
            profile.drive.formatted = formatted;
            open::imagined(&profile)
        };
        match self {
            Start::AsItComes => Ok(open::imagined(profile)?),
            Start::New => Ok(counts_as_written(false)?),
            Start::Formatted => Ok(counts_as_written(true)?),
            Start::Aged(_) if !self.is_known_to(profile) => Ok(counts_as_written(true)?),
            Start::Aged(wanted) => aged(profile, &wanted),
        }
    }
}

/// Drives that are used in memory hold zeroes, which take none.
fn aged(profile: &Profile, wanted: &Wanted) -> Result<Drive, StartError> {
    let store = SparseStore::new(open::image_bytes(profile)?);
    open::make(&store, profile, [0; 16])?;
    let image = Image {
        carried: Box::new(store.clone()),
        synced: &store,
    };
    let opened = open::open(&store, false)?;
    run::run(opened.drive, image, wanted, &mut |_, _| {}).map_err(|source| StartError::Age {
        drive: profile.name.clone(),
        source,
    })?;
    Ok(open::imagined_from(&store)?)
}

/// Adds one condition to those that are wanted; `None`: it is none.
fn condition(wanted: &mut Wanted, part: &str) -> Option<()> {
    let words: Vec<&str> = part.split_whitespace().collect();
    let percent = |word: &str| {
        let number = word.strip_suffix('%')?.parse().ok()?;
        (number <= 100).then_some(number)
    };
    match words.as_slice() {
        ["filled", share] => wanted.filled_percent = Some(percent(share)?),
        ["filled", share, "scattered"] => {
            wanted.filled_percent = Some(percent(share)?);
            wanted.order = FillOrder::Scattered;
        }
        ["staging", share] => wanted.staging_percent = Some(percent(share)?),
        ["dirty-bands", bands] => wanted.dirty_bands = Some(bands.parse().ok()?),
        ["merge-in", entries] => wanted.entries_to_merge = Some(entries.parse().ok()?),
        ["seed", seed] => wanted.seed = seed.parse().ok()?,
        _ => return None,
    }
    Some(())
}

impl fmt::Display for Start {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let wanted = match self {
            Start::AsItComes => return f.write_str("as-it-comes"),
            Start::New => return f.write_str("new"),
            Start::Formatted => return f.write_str("formatted"),
            Start::Aged(wanted) => wanted,
        };
        if let Some(percent) = wanted.filled_percent {
            let order = match wanted.order {
                FillOrder::Sequential => "",
                FillOrder::Scattered => " scattered",
            };
            write!(f, "filled {percent}%{order}, ")?;
        }
        if let Some(percent) = wanted.staging_percent {
            write!(f, "staging {percent}%, ")?;
        }
        if let Some(bands) = wanted.dirty_bands {
            write!(f, "dirty-bands {bands}, ")?;
        }
        if let Some(entries) = wanted.entries_to_merge {
            write!(f, "merge-in {entries}, ")?;
        }
        write!(f, "seed {}", wanted.seed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    fn tiny() -> Profile {
        Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
    }

    #[test]
    fn words_are_read_as_they_are_printed() {
        let all = [
            "as-it-comes",
            "new",
            "formatted",
            "filled 60%, seed 1",
            "filled 60% scattered, staging 95%, seed 9",
            "dirty-bands 4, merge-in 1, seed 1",
        ];
        for words in all {
            assert_eq!(Start::from_words(words).unwrap().to_string(), words);
        }
        let brief = Start::from_words(" staging 50% ").unwrap();
        assert_eq!(brief.to_string(), "staging 50%, seed 1");
    }

    #[test]
    fn words_that_say_nothing_are_refused_by_name() {
        for (words, part) in [
            ("", ""),
            ("old", "old"),
            ("filled 60%, staging 950%", "staging 950%"),
            ("filled 60", "filled 60"),
            ("new, staging 5%", "new"),
        ] {
            let told = Start::from_words(words).unwrap_err().to_string();
            assert!(told.starts_with(&format!("{part:?} is no state")), "{told}");
        }
    }

    #[test]
    fn what_is_said_twice_is_refused_with_both() {
        for (words, both) in [
            ("staging 10%, staging 20%", ["staging 10%", "staging 20%"]),
            (
                "filled 60%, merge-in 1, filled 60% scattered",
                ["filled 60%", "filled 60% scattered"],
            ),
            ("seed 1,seed 1", ["seed 1", "seed 1"]),
            (
                "dirty-bands 4, dirty-bands  5",
                ["dirty-bands 4", "dirty-bands  5"],
            ),
            ("merge-in 1, merge-in 2", ["merge-in 1", "merge-in 2"]),
        ] {
            let told = Start::from_words(words).unwrap_err().to_string();
            let [before, word] = both;
            let expected = format!("{word:?} says again what {before:?} has said");
            assert!(told.starts_with(&expected), "{told}");
        }
    }

    #[test]
    fn an_aged_drive_starts_at_no_time_in_the_condition_asked_for() {
        let start = Start::from_words("filled 50%, staging 75%").unwrap();
        let drive = start.drive(&tiny()).unwrap();
        let status = drive.status(Instant::default());
        assert_eq!(
            status.staging_slots_used,
            status.staging_slots * 75 / 100,
            "{status:?}"
        );
        assert!(status.dirty_bands > 0);
        assert_eq!(status.counters.host_written_bytes, 0);
        let again = start.drive(&tiny()).unwrap();
        assert_eq!(again.status(Instant::default()), status);
    }

    #[test]
    fn what_cannot_be_reached_is_told_with_the_drive() {
        let start = Start::from_words("dirty-bands 4000000").unwrap();
        let told = start.drive(&tiny()).unwrap_err().to_string();
        assert!(told.contains("the drive tiny cannot"), "{told}");
    }

    #[test]
    fn a_conventional_drive_counts_as_written_whatever_is_asked() {
        let control = Profile::built_in("control-5tb").unwrap();
        let control = Profile::from_toml("control", control).unwrap();
        let start = Start::from_words("staging 95%").unwrap();
        assert!(start.drive(&control).unwrap().profile().drive.formatted);
        let told = start.not_known([&control, &tiny()]).unwrap();
        assert!(told.ends_with(": control-5tb"), "{told}");
        assert_eq!(Start::Formatted.not_known([&control]), None);
        assert_eq!(start.not_known([&tiny()]), None);
        let refused = start.check(&control).unwrap_err().to_string();
        assert!(refused.contains("\"staging 95%, seed 1\""), "{refused}");
        start.check(&tiny()).unwrap();
        let filled = Start::from_words("filled 60%").unwrap();
        filled.check(&control).unwrap();
        assert!(filled.not_known([&control]).is_some());
    }
}
