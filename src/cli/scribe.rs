//! Owns the writing of what a served drive answers to a file: a thread for each recording.
//!
//! The file has no end, and cannot be read, before the recording has. A failure to write does not disturb
//! the session; whoever ends the recording is told, and there is no file.

use std::fs::File;
use std::io::{BufWriter, ErrorKind};
use std::path::Path;
use std::sync::Arc;

use crossbeam_channel::Receiver;

use super::exit::SealedError;
use crate::host::recorder::{Held, Recorder, Told};
use crate::host::recordings::{Recordings, Scribe, ScribeError, Writing};
use crate::image::open::Opened;
use crate::lab::recording::{self, RecordingWriter};
use crate::mechanics::rotation::Rotation;

/// What a recording of a sealed drive would do.
pub(super) const TELLS: &str = "a recording tells where the time went";

type ToFile = RecordingWriter<BufWriter<File>>;

/// The recordings of the drive in the image at `path` that was just opened: none yet, and none to come
/// where it is sealed.
pub(super) fn recordings(path: &Path, opened: &Opened) -> Recordings {
    if opened.sealed.is_some() {
        let words = SealedError::of(path, TELLS).to_string();
        let refused: Scribe = Arc::new(move |_| Err(ScribeError::Hidden(words.clone())));
        return Recordings::new(refused);
    }
    let profile = opened.drive.profile();
    let (toml, is_fresh) = (profile.to_toml(), opened.report.fresh);
    let rotation = Rotation::new(profile.platters.rpm_milli);
    Recordings::new(Arc::new(move |path| {
        let (recorder, writing) = begin(path, &toml, is_fresh)?;
        Ok((recorder.turning(rotation), writing))
    }))
}

fn begin(path: &Path, profile: &str, is_fresh: bool) -> Result<(Recorder, Writing), ScribeError> {
    let file = File::create_new(path).map_err(|source| match source.kind() {
        ErrorKind::AlreadyExists => ScribeError::Exists(path.to_owned()),
        _ => ScribeError::Create {
            path: path.to_owned(),
            source,
        },
    })?;
    let failed = |why: String| {
        // It was just made, and is of no use.
        let _ = std::fs::remove_file(path);
        ScribeError::Begin {
            path: path.to_owned(),
            why,
        }
    };
    let about = [(recording::PROFILE, profile.to_owned())];
    let writer =
        RecordingWriter::new(BufWriter::new(file), &about).map_err(|error| failed(words(error)))?;
    let (recorder, told) = Recorder::new();
    let file = path.to_owned();
    let writing = std::thread::Builder::new()
        .name("imbrex-record".to_owned())
        .spawn(move || {
            let outcome = write(writer, &told, is_fresh);
            if let Err(why) = &outcome {
                log::error!("the recording {} cannot be written: {why}", file.display());
                // Without its end nobody can read it, and it would be in the way of another one.
                let _ = std::fs::remove_file(&file);
            }
            outcome
        })
        .map_err(|error| failed(error.to_string()))?;
    Ok((recorder, writing))
}

fn write(mut writer: ToFile, told: &Receiver<Told>, is_fresh: bool) -> Result<Held, String> {
    for told in told {
        match told {
            Told::Answers(answers) => writer.take(&answers).map_err(words)?,
            Told::Ended(held) => {
                let began = if is_fresh && held.is_first {
                    recording::NEW
                } else {
                    recording::USED
                };
                let says = serde_json::to_string(&held).map_err(words)?;
                let about = [
                    (recording::BEGAN, began.to_owned()),
                    (recording::HELD, says),
                ];
                writer.finish_with(&about).map_err(words)?;
                return Ok(held);
            }
        }
    }
    Err("the drive never began it".to_owned())
}

/// The error and what led to it, each cause once: some errors say their cause themselves.
fn words(error: impl Into<anyhow::Error>) -> String {
    let mut words = String::new();
    for cause in error.into().chain() {
        let cause = cause.to_string();
        if !words.contains(&cause) {
            words += if words.is_empty() { "" } else { ": " };
            words += &cause;
        }
    }
    words
}
