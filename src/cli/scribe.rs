//! Owns the record of a served session: a thread that writes every answer of the drive to a file.
//!
//! The file has no end, and cannot be read, before [`Record::finish`]. A failure to write does not
//! disturb the session; it is reported at its end.

use std::path::Path;
use std::thread::JoinHandle;

use anyhow::Context as _;

use super::simulate::new_file;
use crate::host::recorder::Recorder;
use crate::image::open::Opened;
use crate::lab::recording::{self, RecordingError, RecordingWriter};

/// A record under way.
pub(super) struct Record {
    thread: JoinHandle<Result<(), RecordingError>>,
}

impl Record {
    /// Begins a record of the drive in the new file `path`, and the end of it that the drive holds.
    pub(super) fn begin(path: &Path, opened: &Opened) -> anyhow::Result<(Recorder, Record)> {
        let file = new_file(path)?;
        let began = if opened.report.fresh {
            recording::NEW
        } else {
            "used"
        };
        let about = [
            (recording::PROFILE, opened.drive.profile().to_toml()),
            (recording::BEGAN, began.to_owned()),
        ];
        let mut writer = RecordingWriter::new(file, &about)?;
        let (recorder, answers) = Recorder::new();
        let thread = std::thread::Builder::new()
            .name("imbrex-record".to_owned())
            .spawn(move || {
                for batch in &answers {
                    writer.take(&batch)?;
                }
                writer.finish()
            })
            .context("cannot start the thread of the record")?;
        Ok((recorder, Record { thread }))
    }

    /// Writes the end of the file, once the drive is gone.
    pub(super) fn finish(self) -> anyhow::Result<()> {
        match self.thread.join() {
            Ok(outcome) => Ok(outcome?),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
}
