//! Owns the folders of cells that failed: everything that is needed to run one again.

use std::fs;
use std::path::{Path, PathBuf};

use super::cell::Done;
use crate::cli::exit::OutputError;
use crate::cli::output;
use crate::lab::matrix::bundle;
use crate::lab::matrix::plan::{Cell, Plan};
use crate::lab::matrix::results::Line;
use crate::lab::matrix::verdict::Outcome;

/// Whether a cell that ended so leaves a bundle.
pub(super) fn leaves_one(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::Failed | Outcome::DriveFailed)
}

/// Says which cells that failed in an earlier run have no bundle in `folder`.
pub(super) fn tell_missing(folder: &Path, lines: &[Line]) {
    let has = |line: &Line| own(folder, line.cell).join(bundle::LINE).is_file();
    let failed = lines.iter().filter(|line| leaves_one(line.outcome));
    let mut missing: Vec<u64> = failed
        .filter(|line| !has(line))
        .map(|line| line.cell)
        .collect();
    missing.sort_unstable();
    if !missing.is_empty() {
        let cells = super::closing::numbers(&missing);
        output::say(&format!(
            "cells that failed before and are not run again have no bundle in {}: {cells}; to get them, run \
             the matrix with another file of results",
            folder.display()
        ));
    }
}

fn own(folder: &Path, cell: u64) -> PathBuf {
    folder.join(format!("cell-{cell}"))
}

/// Writes the bundle of a cell into a folder of its own in `folder`, over an earlier one.
pub(super) fn write(
    folder: &Path,
    plan: &Plan,
    cell: &Cell,
    done: &Done,
) -> anyhow::Result<PathBuf> {
    let own = own(folder, cell.number);
    fs::create_dir_all(&own).map_err(OutputError::of(own.display()))?;
    let put = |name: &str, bytes: &[u8]| {
        let path = own.join(name);
        fs::write(&path, bytes).map_err(OutputError::of(path.display()))
    };
    for (name, text) in bundle::files(plan, cell) {
        put(name, text.as_bytes())?;
    }
    put(
        bundle::MEASURED,
        format!("{:#}\n", done.measured).as_bytes(),
    )?;
    if let Some(output) = &done.output {
        put(bundle::OUTPUT, output)?;
    }
    // The last one: a folder that has it is whole.
    put(bundle::LINE, done.line.to_text().as_bytes())?;
    Ok(own)
}
