//! Owns what is told of a matrix when its cells are run: counts, what did not hold, what became worse,
//! and the exit code.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::Path;

use super::RunArguments;
use crate::cli::exit::{Code, OutputError};
use crate::cli::output;
use crate::lab::matrix::baseline::{self, Comparison};
use crate::lab::matrix::junit;
use crate::lab::matrix::measured::unwritten_in;
use crate::lab::matrix::plan::Plan;
use crate::lab::matrix::results::{Found, Header, Line};
use crate::lab::matrix::verdict::Outcome;
use crate::lab::summary::NO_TIME;
use crate::units::{count, counted};

/// Numbers of cells that are told one by one.
const SHOWN: usize = 20;

/// Tells what came out, and the code for it.
pub(super) fn close(
    plan: &Plan,
    lines: &[Line],
    before: Option<&Found>,
    arguments: &RunArguments,
) -> anyhow::Result<Code> {
    let mut lines = lines.to_vec();
    lines.sort_by_key(|line| line.cell);
    let mut text = String::new();
    for line in lines.iter().filter(|line| line.outcome != Outcome::Passed) {
        let (word, words) = (line.outcome.word(), line.words());
        let complaint = line.complaint();
        let _ = writeln!(text, "cell {} {word}: {words}: {complaint}", line.cell);
    }
    text += &cold(&lines);
    let _ = writeln!(text, "{}", counts(&lines));
    let mut code = code_of(&lines);
    if let Some(before) = before {
        let comparison = baseline::compare(&before.lines, &lines, arguments.tolerance);
        text += &words(&comparison, arguments.tolerance);
        let none = comparison.compared == 0;
        if arguments.fail_on_worse && none {
            text += "nothing could be compared, which --fail-on-worse takes as worse: is it a baseline of \
                     this matrix?\n";
        }
        let worse = none || !comparison.worse.is_empty();
        if arguments.fail_on_worse && worse && code != Code::DriveFailed {
            code = Code::Failure;
        }
    }
    output::print(&text)?;
    // The last one: what came out is told whatever happens to the file.
    if let Some(path) = &arguments.junit {
        write_junit(path, &Header::of(plan), &lines)?;
    }
    Ok(code)
}

/// Finds out before cells are run whether what is to come out of them can be written.
pub(super) fn check_places(arguments: &RunArguments) -> anyhow::Result<()> {
    if let Some(path) = &arguments.junit {
        let was_there = path.exists();
        let file = File::options().append(true).create(true).open(path);
        file.map_err(OutputError::of(format!(
            "the file of --junit, {}",
            path.display()
        )))?;
        if !was_there {
            let _ = fs::remove_file(path);
        }
    }
    if let Some(folder) = &arguments.bundles {
        let cannot =
            || OutputError::of(format!("to the folder of --bundles, {}", folder.display()));
        fs::create_dir_all(folder).map_err(cannot())?;
        let probe = folder.join(format!(".imbrex-{}", std::process::id()));
        File::create(&probe).map_err(cannot())?;
        fs::remove_file(&probe).map_err(cannot())?;
    }
    Ok(())
}

/// Of which cells the reads were too quick, and what to do about it; nothing where there are none.
fn cold(lines: &[Line]) -> String {
    let cold = lines
        .iter()
        .filter(|line| unwritten_in(&line.figures).matters());
    let cells: Vec<u64> = cold.map(|line| line.cell).collect();
    if cells.is_empty() {
        return String::new();
    }
    format!(
        "in {} ({}) reads {NO_TIME}: begin with drives that hold data where they go (starts formatted, filled 60% \
         and the like)\n",
        counted(count(cells.len()), "cell"),
        numbers(&cells)
    )
}

/// Numbers of cells, for people; not too many.
pub(super) fn numbers(cells: &[u64]) -> String {
    let shown: Vec<String> = cells.iter().take(SHOWN).map(u64::to_string).collect();
    let more = cells.len().saturating_sub(SHOWN);
    match more {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}

/// How many cells had which outcome.
pub(super) fn counts(lines: &[Line]) -> String {
    let mut words = Vec::new();
    for outcome in Outcome::ALL {
        let count = lines.iter().filter(|line| line.outcome == outcome).count();
        if count > 0 || outcome == Outcome::Passed {
            words.push(format!("{count} {}", outcome.word()));
        }
    }
    let cells = counted(count(lines.len()), "cell");
    format!("{cells}: {}", words.join(", "))
}

/// The code that outcomes lead to: a drive that failed, then a demand that does not hold, then cells
/// that tell nothing.
pub(super) fn code_of(lines: &[Line]) -> Code {
    let has = |outcome| lines.iter().any(|line| line.outcome == outcome);
    if has(Outcome::DriveFailed) {
        Code::DriveFailed
    } else if has(Outcome::Failed) {
        Code::Failure
    } else if has(Outcome::RigFault) || has(Outcome::Invalid) {
        Code::Rig
    } else {
        Code::Ok
    }
}

fn write_junit(path: &Path, header: &Header, lines: &[Line]) -> anyhow::Result<()> {
    let cannot = || OutputError::of(path.display());
    let file = BufWriter::new(File::create(path).map_err(cannot())?);
    junit::write(header, lines, file).map_err(cannot())?;
    Ok(())
}

fn words(comparison: &Comparison, tolerance: u64) -> String {
    let mut text = format!(
        "baseline: {} compared, {} worse and {} better by more than {tolerance}%\n",
        counted(comparison.compared, "cell"),
        comparison.worse.len(),
        comparison.better.len()
    );
    for change in &comparison.worse {
        let _ = writeln!(text, "  worse: {change}");
    }
    for change in &comparison.better {
        let _ = writeln!(text, "  better: {change}");
    }
    for change in &comparison.changed {
        let _ = writeln!(text, "  changed: {change}");
    }
    for cell in &comparison.new {
        let _ = writeln!(text, "  not in the baseline: {cell}");
    }
    for cell in &comparison.gone {
        let _ = writeln!(text, "  only in the baseline: {cell}");
    }
    text
}
