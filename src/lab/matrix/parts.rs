//! Owns the way from the words of a matrix to profiles, workloads and recordings.
//!
//! A built-in name comes first; everything else is a file, looked for from the matrix's folder on.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::spec::{DriveWords, Served, Task, WorkKind};
use crate::lab::playback::Playback;
use crate::lab::replay::How;
use crate::lab::workload::{Afterwards, Workload};
use crate::profile::Profile;
use crate::units::{SECTOR_BYTES, count};

/// Longest text that is taken for a profile, a workload or a script.
const TEXT_BYTES_MAX: u64 = 1 << 20;
/// Bytes of a recording read at a time.
const CHUNK_BYTES: usize = 1 << 20;

/// What is asked of drives, found and read.
#[derive(Debug)]
pub enum Job {
    /// A workload in virtual time.
    Workload {
        /// It, with the seed that it has by itself.
        workload: Workload,
        /// Its text: TOML, or the words.
        text: String,
    },
    /// A recording in virtual time.
    Replay {
        /// It.
        playback: Playback,
        /// Where it lies.
        path: PathBuf,
        /// How it is replayed.
        how: How,
        /// Bytes and checksum of the file.
        contents: (u64, u32),
    },
    /// Something beside a served drive.
    Served {
        /// What.
        served: Served,
        /// Text and place of a guest's script.
        script: Option<(PathBuf, String)>,
    },
}

impl Job {
    /// Whether the drive is left alone afterwards until it has nothing left to do.
    pub fn drains(&self) -> bool {
        match self {
            Job::Workload { workload, .. } => workload.afterwards == Afterwards::Drain,
            Job::Replay { .. } | Job::Served { .. } => false,
        }
    }

    /// Whether it runs in virtual time.
    pub fn is_simulated(&self) -> bool {
        !matches!(self, Job::Served { .. })
    }

    /// Everything about it that decides what comes out.
    pub(super) fn essence(&self) -> String {
        match self {
            Job::Workload { workload, .. } => format!("{workload:?}"),
            Job::Replay { how, contents, .. } => format!("{how:?} {contents:?}"),
            Job::Served { served, script } => {
                let text = script.as_ref().map(|(_, text)| text);
                format!("{served:?} {text:?}")
            }
        }
    }
}

/// The profile of a drive, scaled, or what is wrong.
pub(super) fn profile(drive: &DriveWords, folder: &Path) -> Result<Profile, String> {
    let words = &drive.profile;
    let profile = if let Some(text) = Profile::built_in(words) {
        Profile::from_toml(&format!("built-in profile {words}"), text)
    } else {
        let path = folder.join(words);
        let names: Vec<&str> = Profile::built_in_names().collect();
        let text = text_of(&path, || {
            let names = names.join(", ");
            format!("{words} is neither a file nor a built-in profile ({names})")
        })?;
        Profile::from_toml(&path.display().to_string(), &text)
    };
    let profile = profile.map_err(|error| error.to_string())?;
    match drive.capacity {
        None => Ok(profile),
        Some(asked) => match profile.scaled_to(asked - asked % SECTOR_BYTES) {
            Ok((scaled, _)) => Ok(scaled),
            Err(error) => Err(error.to_string()),
        },
    }
}

/// What is asked, found and read, or what is wrong.
pub(super) fn job(kind: &WorkKind, folder: &Path) -> Result<Job, String> {
    match kind {
        WorkKind::Workload {
            words,
            count,
            duration,
        } => {
            let (mut workload, text) = workload(words, folder)?;
            // What is given here ends the run alone.
            if count.is_some() || duration.is_some() {
                workload.limits.count = *count;
                workload.limits.duration = *duration;
            }
            Ok(Job::Workload { workload, text })
        }
        WorkKind::Replay { file, how } => {
            let path = folder.join(file);
            let playback = Playback::open(&path).map_err(|error| chain(&error))?;
            let contents = contents(&path).map_err(|error| cannot_read(&path, &error))?;
            Ok(Job::Replay {
                playback,
                path,
                how: *how,
                contents,
            })
        }
        WorkKind::Served(served) => {
            let script = match &served.task {
                Task::Command(_) => None,
                Task::Guest { script, .. } => {
                    let path = folder.join(script);
                    let text = text_of(&path, || format!("{} is not a file", path.display()))?;
                    Some((path, text))
                }
            };
            Ok(Job::Served {
                served: served.clone(),
                script,
            })
        }
    }
}

fn workload(words: &str, folder: &Path) -> Result<(Workload, String), String> {
    let (source, text) = if let Some(text) = Workload::built_in(words) {
        (format!("workload {words}"), text.to_owned())
    } else if Workload::is_words(words) {
        let workload = Workload::from_words(words).map_err(|error| error.to_string())?;
        return Ok((workload, words.to_owned()));
    } else {
        let path = folder.join(words);
        let names: Vec<&str> = Workload::built_in_names().map(|(name, _)| name).collect();
        let text = text_of(&path, || {
            format!(
                "{words} is not a file, not one of the workloads that come with imbrex ({}), and does \
                 not begin with an order (uniform, sequential ...) as words do",
                names.join(", ")
            )
        })?;
        (path.display().to_string(), text)
    };
    match Workload::from_toml(&source, &text) {
        Ok(workload) => Ok((workload, text)),
        Err(error) => Err(error.to_string()),
    }
}

fn text_of(path: &Path, missing: impl FnOnce() -> String) -> Result<String, String> {
    if !path.is_file() {
        return Err(missing());
    }
    let mut bytes = Vec::new();
    let read =
        File::open(path).and_then(|file| file.take(TEXT_BYTES_MAX + 1).read_to_end(&mut bytes));
    read.map_err(|error| cannot_read(path, &error))?;
    if count(bytes.len()) > TEXT_BYTES_MAX {
        let shown = path.display();
        return Err(format!("{shown} is longer than {TEXT_BYTES_MAX} bytes"));
    }
    String::from_utf8(bytes).map_err(|_| format!("{} is not a text file", path.display()))
}

/// Bytes and checksum of a file.
fn contents(path: &Path) -> std::io::Result<(u64, u32)> {
    let mut file = File::open(path)?;
    let mut chunk = vec![0; CHUNK_BYTES];
    let (mut bytes, mut sum) = (0, 0);
    loop {
        let taken = file.read(&mut chunk)?;
        if taken == 0 {
            return Ok((bytes, sum));
        }
        bytes += count(taken);
        sum = crc32c::crc32c_append(sum, &chunk[..taken]);
    }
}

fn cannot_read(path: &Path, error: &std::io::Error) -> String {
    format!("cannot read {}: {error}", path.display())
}

/// An error and what led to it.
pub(super) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        let words = cause.to_string();
        if !text.contains(&words) {
            text.push_str(": ");
            text.push_str(&words);
        }
        next = cause.source();
    }
    text
}
