//! `imbrex matrix join`: puts the results of the parts of one matrix together.

use std::io::Write as _;
use std::path::PathBuf;

use super::{closing, keeping};
use crate::cli::exit::{Code, OutputError};
use crate::cli::output;
use crate::cli::simulate::new_file;
use crate::lab::matrix::joining::join;
use crate::units::counted;

/// Arguments of `matrix join`.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Files of results, in any order.
    #[arg(required = true, value_name = "RESULTS")]
    parts: Vec<PathBuf>,
    /// The new file of all results. One with cells missing can be continued by `imbrex matrix`.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let mut parts = Vec::new();
    for path in &arguments.parts {
        parts.push((path.display().to_string(), keeping::read(path)?));
    }
    let joined = join(&parts)?;
    let shown = arguments.output.display();
    let mut text = joined.header.to_text();
    for line in &joined.lines {
        text += &line.to_text();
    }
    let mut file = new_file(&arguments.output)?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.flush())
        .map_err(OutputError::of(shown))?;
    if !joined.double.is_empty() {
        let cells = closing::numbers(&joined.double);
        output::say(&format!("in several files, with the same result: {cells}"));
    }
    output::print(&format!("{}\n", closing::counts(&joined.lines)))?;
    if joined.missing.is_empty() {
        return Ok(closing::code_of(&joined.lines));
    }
    let (missing, all) = (joined.missing.len(), counted(joined.header.cells, "cell"));
    let cells = closing::numbers(&joined.missing);
    output::say(&format!("missing {missing} of {all}: {cells}"));
    Ok(Code::Failure)
}
