//! Owns the way from what a person typed to a profile: a built-in name, a TOML file, an image.
//!
//! A built-in name comes first; a file of the same name is meant with `./` before it.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use anyhow::Context as _;

use super::exit::{SealedError, UnusableError};
use crate::image::envelope::Envelope;
use crate::image::open::OpenError;
use crate::image::superblock;
use crate::medium::file_store::FileStore;
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::units::SECTOR_BYTES;

/// Longest text that is taken for a profile.
const TEXT_BYTES_MAX: u64 = 1 << 20;

/// The profile named, the default where none is. With a capacity: scaled, and what that changed.
pub(super) fn load(
    named: Option<&str>,
    capacity: Option<u64>,
) -> anyhow::Result<(Profile, Vec<String>)> {
    let profile = match named {
        None => built_in(Profile::DEFAULT_NAME, Profile::default_text())?,
        Some(word) => match Profile::built_in(word) {
            Some(text) => built_in(word, text)?,
            None => from_path(Path::new(word))?,
        },
    };
    match capacity {
        Some(asked) if asked != profile.drive.capacity_bytes => scaled(&profile, asked),
        _ => Ok((profile, Vec::new())),
    }
}

/// Capacities are counted in powers of ten, too, which are seldom whole sectors: rounded down.
pub(super) fn scaled(profile: &Profile, asked: u64) -> anyhow::Result<(Profile, Vec<String>)> {
    let bytes = asked - asked % SECTOR_BYTES;
    let (scaled, mut changes) = profile.scaled_to(bytes)?;
    if bytes != asked {
        let words = format!("asked for: {asked} bytes -> {bytes} bytes, whole sectors of 4096");
        changes.insert(0, words);
    }
    Ok((scaled, changes))
}

/// Reads the file of a profile; says all that is wrong with it.
pub(super) fn from_file(path: &Path) -> anyhow::Result<Profile> {
    let text = read_text(path)?;
    Ok(Profile::from_toml(&path.display().to_string(), &text)?)
}

/// Reads the file of a profile, a workload or a matrix as text. A sealed image is refused as one.
pub(super) fn read_text(path: &Path) -> anyhow::Result<String> {
    if is_sealed_at(path) {
        return Err(SealedError::new(path).into());
    }
    let mut bytes = Vec::new();
    open(path)?
        .take(TEXT_BYTES_MAX + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| UnusableError(format!("cannot read {}: {error}", path.display())))?;
    let shown = path.display();
    if crate::units::count(bytes.len()) > TEXT_BYTES_MAX {
        let what = format!(
            "{shown} is longer than {TEXT_BYTES_MAX} bytes: no profile or workload is that long"
        );
        return Err(UnusableError(what).into());
    }
    let text = String::from_utf8(bytes)
        .map_err(|error| UnusableError(format!("{shown} is not a text file: {error}")))?;
    Ok(text)
}

/// Whether what somebody named is a sealed image, of which nothing but what it does may be shown.
pub(super) fn is_sealed(named: &str) -> bool {
    Profile::built_in(named).is_none() && is_sealed_at(Path::new(named))
}

/// Whether a sealed image lies at `path`.
pub(super) fn is_sealed_at(path: &Path) -> bool {
    let image = || FileStore::new(File::open(path).ok()?).ok();
    path.is_file()
        && image().is_some_and(|store| {
            superblock::read(&store)
                .is_ok_and(|found| Envelope::from_text(&found.profile_text).is_some())
        })
}

/// A capacity such as `20GiB`, for clap.
pub(super) fn parse_capacity(text: &str) -> Result<u64, String> {
    Unit::Bytes
        .parse(text)
        .map_err(|error| format!("{error}; give a size such as 20GiB or 500 MB"))
}

fn built_in(name: &str, text: &str) -> anyhow::Result<Profile> {
    Ok(Profile::from_toml(
        &format!("built-in profile {name}"),
        text,
    )?)
}

fn from_path(path: &Path) -> anyhow::Result<Profile> {
    if !path.exists() {
        return Err(UnusableError(no_such(&path.display().to_string())).into());
    }
    let file = open(path)?;
    let mut head = [0; 4096];
    let taken = (&file)
        .read(&mut head)
        .map_err(|error| UnusableError(format!("cannot read {}: {error}", path.display())))?;
    // No text holds a zero byte, and every image does.
    if !head[..taken].contains(&0) {
        return from_file(path);
    }
    let store = FileStore::new(file).with_context(|| format!("cannot read {}", path.display()))?;
    let shown = path.display();
    let found = superblock::read(&store)
        .map_err(OpenError::from)
        .with_context(|| format!("{shown} is neither a profile nor an image"))?;
    if Envelope::from_text(&found.profile_text).is_some() {
        return Err(SealedError::new(path).into());
    }
    Ok(Profile::from_toml(
        &format!("the profile in {shown}"),
        &found.profile_text,
    )?)
}

fn open(path: &Path) -> anyhow::Result<File> {
    let opened = File::open(path);
    opened.map_err(|error| UnusableError(format!("cannot open {}: {error}", path.display())).into())
}

fn no_such(word: &str) -> String {
    let names: Vec<&str> = Profile::built_in_names().collect();
    let nearest = names
        .iter()
        .map(|name| (strsim::damerau_levenshtein(name, word), name))
        .filter(|(distance, _)| *distance <= 3)
        .min();
    let hint = nearest.map_or_else(String::new, |(_, name)| format!(" Did you mean {name}?"));
    format!(
        "{word} is neither a built-in profile nor a file.{hint} Built in are: {}",
        names.join(", ")
    )
}
