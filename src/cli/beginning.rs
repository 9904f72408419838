//! Owns the arguments that say which drive an experiment begins with: scaled, changed, used.
//!
//! Flattened into every command that runs drives in virtual time, so that they mean the same in all.

use std::path::Path;

use super::exit::{SealedError, UsageError};
use super::image_file;
use super::output;
use super::profile_source;
use crate::drive::Drive;
use crate::lab::recording;
use crate::lab::start::Start;
use crate::profile::Profile;
use crate::profile::changed::Change;

/// Word for the state in which an image is.
const AS_IT_IS: &str = "as-it-is";

/// Which drive an experiment begins with.
#[derive(Clone, Debug, clap::Args)]
pub(super) struct Beginning {
    /// Scale the drive down to this capacity.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
    pub(super) capacity: Option<u64>,
    /// Set a key of the profile, such as staging.bytes=10GiB; may be given more than once.
    #[arg(long, value_name = "KEY=VALUE", value_parser = Change::from_words)]
    pub(super) set: Vec<Change>,
    /// The drive's state at the start, instead of the profile's: new, formatted, or conditions such as
    /// 'filled 60%, staging 95%' (also: dirty-bands 40, merge-in 1, seed 7). as-it-is: PROFILE is an
    /// image, and what it holds is there (it is only read).
    #[arg(long, value_name = "STATE", value_parser = parse)]
    pub(super) start: Option<Begins>,
}

/// How a drive begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Begins {
    /// In a state that is made for it.
    Made(Start),
    /// As the image is.
    AsItIs,
}

fn parse(words: &str) -> Result<Begins, String> {
    match words.trim() {
        AS_IT_IS => Ok(Begins::AsItIs),
        words => match Start::from_words(words) {
            Ok(start) => Ok(Begins::Made(start)),
            Err(error) => Err(format!("{error}; or {AS_IT_IS} where PROFILE is an image")),
        },
    }
}

impl Beginning {
    /// The drive that PROFILE leads to; the default profile's where none is named.
    pub(super) fn drive(&self, named: Option<&str>) -> anyhow::Result<Drive> {
        if self.as_it_is() {
            return self.held(named);
        }
        let (profile, changes) = profile_source::load(named, self.capacity)?;
        for change in &changes {
            log::info!("scaled: {change}");
        }
        self.started(&profile.changed(&self.set)?)
    }

    /// The drive of a profile that is known already.
    pub(super) fn drive_of(&self, profile: Profile) -> anyhow::Result<Drive> {
        if self.as_it_is() {
            let what = format!("--start {AS_IT_IS} begins with an image: give its path as PROFILE");
            return Err(UsageError(what).into());
        }
        let profile = match self.capacity {
            Some(bytes) => profile_source::scaled(&profile, bytes)?.0,
            None => profile,
        };
        self.started(&profile.changed(&self.set)?)
    }

    /// The drive of a sealed image, in a state that tells nothing of it.
    pub(super) fn sealed(&self, path: &Path) -> anyhow::Result<Drive> {
        let start = match self.start {
            Some(Begins::AsItIs) => None,
            None => Some(Start::AsItComes),
            Some(Begins::Made(start)) => Some(start),
        };
        let refused = if self.capacity.is_some() || !self.set.is_empty() {
            Some("it is not scaled, and no key of it is set")
        } else if matches!(start, Some(Start::Aged(_))) {
            Some(
                "it begins as it comes, new, formatted, or as it is: `imbrex age` brings it to a condition",
            )
        } else {
            None
        };
        if let Some(what) = refused {
            return Err(SealedError::of(path, what).into());
        }
        let (opened, _) = image_file::open_any(path, image_file::to_read(path))?;
        let mut drive = opened.drive;
        if let Some(start) = start {
            return Ok(start.drive(drive.profile())?);
        }
        drive.go_on_without_bytes();
        Ok(drive)
    }

    /// Whether anything is said of the drive.
    pub(super) fn says_something(&self) -> bool {
        self.capacity.is_some() || !self.set.is_empty() || self.start.is_some()
    }

    /// Whether it begins with what an image holds.
    pub(super) fn as_it_is(&self) -> bool {
        self.start == Some(Begins::AsItIs)
    }

    /// What a recording says of how the drive was when it began.
    pub(super) fn began(&self) -> String {
        match self.start {
            None => recording::NEW.to_owned(),
            Some(Begins::Made(Start::AsItComes | Start::New | Start::Formatted)) => {
                recording::NEW.to_owned()
            }
            Some(Begins::Made(start)) => start.to_string(),
            Some(Begins::AsItIs) => AS_IT_IS.to_owned(),
        }
    }

    fn started(&self, profile: &Profile) -> anyhow::Result<Drive> {
        let start = match self.start {
            Some(Begins::Made(start)) => start,
            _ => Start::AsItComes,
        };
        start.check(profile)?;
        if let Some(words) = start.not_known([profile]) {
            output::say(&words);
        }
        Ok(start.drive(profile)?)
    }

    fn held(&self, named: Option<&str>) -> anyhow::Result<Drive> {
        let named = named.unwrap_or_default();
        let path = Path::new(named);
        if Profile::built_in(named).is_some() && !path.exists() {
            let what = format!(
                "--start {AS_IT_IS} begins with an image, and {named} is a profile that comes with imbrex: give \
                 the path of an image instead"
            );
            return Err(UsageError(what).into());
        }
        if self.capacity.is_some() || !self.set.is_empty() {
            let what = format!(
                "--start {AS_IT_IS} takes the image as it is: without --capacity and --set"
            );
            return Err(UsageError(what).into());
        }
        // Recovery has read all there is to know: it need not stay open.
        let (opened, _) = image_file::open(path, image_file::to_read(path))?;
        let mut drive = opened.drive;
        drive.go_on_without_bytes();
        Ok(drive)
    }
}
