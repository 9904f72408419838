//! Owns the folders of cells that failed: everything that is needed to run one again.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::cell::Done;
use crate::lab::matrix::bundle;
use crate::lab::matrix::plan::{Cell, Plan};

/// Writes the bundle of a cell into a folder of its own in `folder`, over an earlier one.
pub(super) fn write(
    folder: &Path,
    plan: &Plan,
    cell: &Cell,
    done: &Done,
) -> anyhow::Result<PathBuf> {
    let own = folder.join(format!("cell-{}", cell.number));
    fs::create_dir_all(&own).with_context(|| format!("cannot make {}", own.display()))?;
    let put = |name: &str, bytes: &[u8]| {
        let path = own.join(name);
        fs::write(&path, bytes).with_context(|| format!("cannot write {}", path.display()))
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
