//! Owns the file of results while a matrix is run: continued where it was, appended line by line.
//!
//! Always holds: one process at a time writes to it, and what it holds is only ever cut where a line was
//! torn. A file that is not of this matrix is left alone.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};

use crate::cli::exit::{OutputError, ProtectedError, UnusableError};
use crate::lab::matrix::results::{self, Found, Header, Line};

/// Longest file of results that is read: tens of thousands of cells.
const BYTES_MAX: u64 = 1 << 28;

/// An open file of results.
#[derive(Debug)]
pub(super) struct Keeping {
    path: PathBuf,
    file: Flock<File>,
    /// What counts of what it holds: each cell once.
    pub(super) lines: Vec<Line>,
}

impl Keeping {
    /// Creates or continues the results at `path`.
    pub(super) fn open(path: &Path, header: &Header) -> anyhow::Result<Keeping> {
        let shown = path.display();
        let mut options = File::options();
        let options = options.read(true).write(true).create(true).truncate(false);
        let file = options
            .open(path)
            .map_err(OutputError::of(path.display()))?;
        let mut file = Flock::lock(file, FlockArg::LockExclusiveNonblock).map_err(|_| {
            ProtectedError(format!(
                "{shown} is being written by another `imbrex matrix`: wait for it, or give another file"
            ))
        })?;
        let bytes = bounded(&mut file, path)?;
        let first = header.to_text();
        let (lines, whole) = match found(path, &bytes)? {
            Some(found) if found.header == *header => (found.lines, found.whole_bytes),
            Some(found) => {
                return Err(ProtectedError(format!(
                    "{shown} has results of another matrix, or of this one before it was changed or run \
                     by another imbrex: {} ({}), and this one is {} ({}); give another file",
                    found.header.name, found.header.fingerprint, header.name, header.fingerprint
                ))
                .into());
            }
            None if first.as_bytes().starts_with(&bytes) => (Vec::new(), 0),
            None => {
                let what =
                    format!("{shown} is no file of results and is left alone; name another file");
                return Err(ProtectedError(what).into());
            }
        };
        let mut keeping = Keeping {
            path: path.to_owned(),
            file,
            lines,
        };
        keeping.cut(crate::units::count(whole))?;
        if whole == 0 {
            keeping.write(&first)?;
        }
        Ok(keeping)
    }

    /// Adds the line of a cell that is done; of one that was run again the same is not said twice.
    pub(super) fn add(&mut self, line: Line) -> anyhow::Result<()> {
        let known = self.lines.iter().position(|known| known.cell == line.cell);
        if known.is_some_and(|at| self.lines[at].timeless() == line.timeless()) {
            return Ok(());
        }
        self.write(&line.to_text())?;
        match known {
            Some(at) => self.lines[at] = line,
            None => self.lines.push(line),
        }
        Ok(())
    }

    fn cut(&mut self, bytes: u64) -> anyhow::Result<()> {
        let cut = self.file.set_len(bytes);
        cut.and_then(|()| self.file.seek(SeekFrom::End(0)))
            .map_err(OutputError::of(self.path.display()))?;
        Ok(())
    }

    fn write(&mut self, text: &str) -> anyhow::Result<()> {
        let written = self.file.write_all(text.as_bytes());
        written
            .and_then(|()| self.file.sync_data())
            .map_err(|error| OutputError::of(self.path.display())(error).into())
    }
}

/// The results in a file.
pub(super) fn read(path: &Path) -> anyhow::Result<Found> {
    let bytes = bounded(
        &mut File::open(path).map_err(|error| unread(path, &error))?,
        path,
    )?;
    found(path, &bytes)?.ok_or_else(|| {
        let what = format!("{} holds no results", path.display());
        UnusableError(what).into()
    })
}

/// All of a file of results; one that never ends is refused.
fn bounded(file: &mut File, path: &Path) -> anyhow::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(BYTES_MAX + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| unread(path, &error))?;
    if crate::units::count(bytes.len()) > BYTES_MAX {
        let shown = path.display();
        let what =
            format!("{shown} is longer than {BYTES_MAX} bytes: no file of results is that long");
        return Err(UnusableError(what).into());
    }
    Ok(bytes)
}

fn unread(path: &Path, error: &std::io::Error) -> UnusableError {
    UnusableError(format!("cannot read {}: {error}", path.display()))
}

fn found(path: &Path, bytes: &[u8]) -> anyhow::Result<Option<Found>> {
    results::read(bytes).map_err(|error| {
        UnusableError(format!("{} cannot be used: {error}", path.display())).into()
    })
}
