//! `imbrex matrix`: runs the cells of a matrix side by side, keeps what came out, and tells what did not
//! hold.
//!
//! Reading order: the arguments here; the file of results (`keeping`), the threads (`crew`) and how one
//! cell is run (`cell`, with drives made once in `beginnings`; `serving` where a drive is served, with
//! its image from `scratch` and what runs `beside` it); what people see meanwhile (`progress`) and at
//! the end (`closing`); a cell on its own (`bundles`, `rerun`); parts put together (`join`). What a cell
//! is and how it is judged is `lab::matrix`'s business.

mod beginnings;
mod beside;
mod bundles;
mod cell;
mod closing;
mod crew;
mod join;
mod keeping;
mod progress;
mod rerun;
mod run;
mod scratch;
mod serving;

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::cli::exit::{Code, SealedError, UnusableError, UsageError};
use crate::cli::{number, profile_source};
use crate::lab::matrix::plan::Plan;
use crate::lab::matrix::spec::Matrix;
use crate::profile::Profile;

const LONG: &str = "\
Run profiles x changes x starts x works x seeds with demands, as a TOML file says (docs/matrix.md):
workloads and recordings in virtual time, commands and guests beside a served drive.

Results are appended to a file, one JSON object a line. A run that was interrupted goes on where it was
when it is started again with the same matrix and file.

Exit code: 0 everything that was demanded holds; 1 something does not (or became worse, with
--fail-on-worse); 5 a drive failed; 6 cells tell nothing, since the machine got in the way (invalid,
rig-fault); 130 it was interrupted. Of several the first of 5, 1, 6.";

const EXAMPLES: &str = "\
Examples:
  imbrex matrix configs/matrices/backup-target.toml -o results.jsonl
  imbrex matrix mine.toml --list
  imbrex matrix mine.toml -o results.jsonl --junit results.xml --bundles failed
  imbrex matrix mine.toml -o now.jsonl --baseline before.jsonl --fail-on-worse
  imbrex matrix rerun failed/cell-17 --events jobs.parquet
  imbrex matrix mine.toml -o part-1.jsonl --part 1/4
  imbrex matrix join part-1.jsonl part-2.jsonl part-3.jsonl part-4.jsonl -o results.jsonl";

/// Arguments of `matrix`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    other: Option<Other>,
    /// The matrix, a TOML file (a file named `join` or `rerun` is given as ./join).
    #[arg(required = true)]
    file: Option<PathBuf>,
    #[command(flatten)]
    run: RunArguments,
}

#[derive(Debug, clap::Subcommand)]
enum Other {
    /// Run the cell of a bundle again, and tell whether the same comes out.
    Rerun(rerun::Arguments),
    /// Put the results of the parts of one matrix together.
    Join(join::Arguments),
}

/// How a matrix is run.
#[derive(Debug, clap::Args)]
pub(super) struct RunArguments {
    /// The file of results, created or continued.
    #[arg(short, long, value_name = "FILE", required_unless_present = "list")]
    output: Option<PathBuf>,
    /// Print the cells, and run nothing.
    #[arg(long)]
    list: bool,
    /// Simulated cells that run at a time; as many as there are processors where not given.
    #[arg(long, value_name = "N", value_parser = number::runs)]
    jobs: Option<NonZeroUsize>,
    /// Served cells that run at a time, after the others. More than one disturb each other's pace.
    #[arg(long, value_name = "N", default_value = "1", value_parser = number::runs)]
    served_jobs: NonZeroUsize,
    /// Run only every N-th cell, from the K-th on.
    #[arg(long, value_name = "K/N", value_parser = parse_part)]
    part: Option<Part>,
    /// Write the results as `JUnit` XML too.
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Put everything about each cell that failed into a folder of its own in DIR.
    #[arg(long, value_name = "DIR")]
    bundles: Option<PathBuf>,
    /// Compare with these earlier results.
    #[arg(long, value_name = "FILE")]
    baseline: Option<PathBuf>,
    /// How far a figure may be off from the baseline.
    #[arg(long, value_name = "PERCENT", default_value = "5%", requires = "baseline", value_parser = parse_percent)]
    tolerance: u64,
    /// Count what became worse than the baseline as a failure.
    #[arg(long, requires = "baseline")]
    fail_on_worse: bool,
    /// Where images of served cells are made; beside the results where not given. A short path, without
    /// blanks.
    #[arg(long, value_name = "DIR")]
    scratch: Option<PathBuf>,
    /// The command that runs scripts in guests.
    #[arg(long, value_name = "PATH", default_value = "scripts/vm")]
    vm: PathBuf,
}

/// A share of the cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Part {
    /// From 1.
    which: u64,
    of: u64,
}

impl Part {
    /// Whether a cell belongs to it. Neighbours, which take about as long, go to different parts.
    fn has(self, number: u64) -> bool {
        (number - 1) % self.of == self.which - 1
    }
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    match (&arguments.other, &arguments.file) {
        (Some(Other::Rerun(arguments)), _) => rerun::run(arguments),
        (Some(Other::Join(arguments)), _) => join::run(arguments),
        (None, Some(file)) => run::run(file, &arguments.run),
        (None, None) => Err(UsageError("no matrix is given".to_owned()).into()),
    }
}

/// The plan of the matrix in a file.
fn plan_in(file: &Path) -> anyhow::Result<Plan> {
    if !file.exists() {
        let what = format!("{} is not a file", file.display());
        return Err(UnusableError(what).into());
    }
    let text = profile_source::read_text(file)?;
    let shown = file.display().to_string();
    let matrix = Matrix::from_toml(&shown, &text)?;
    let folder = file.parent().unwrap_or(Path::new(""));
    for drive in &matrix.drives {
        let path = folder.join(&drive.profile);
        if Profile::built_in(&drive.profile).is_none() && profile_source::is_sealed_at(&path) {
            return Err(SealedError::new(&path).into());
        }
    }
    Ok(Plan::new(matrix, &shown, folder)?)
}

/// A part such as `2/4`, for clap.
fn parse_part(text: &str) -> Result<Part, String> {
    let numbers = text.split_once('/');
    let numbers = numbers.and_then(|(which, of)| Some((which.parse().ok()?, of.parse().ok()?)));
    match numbers {
        Some((which, of)) if (1..=of).contains(&which) => Ok(Part { which, of }),
        _ => Err("give a part such as 2/4: the second of four".to_owned()),
    }
}

/// A whole percentage, with or without its sign, for clap.
fn parse_percent(text: &str) -> Result<u64, String> {
    let number = text.strip_suffix('%').unwrap_or(text).trim_end();
    match number.parse() {
        Ok(percent @ 0..=1000) => Ok(percent),
        _ => Err("give a whole percentage such as 5%".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_cell_belongs_to_exactly_one_part() {
        for of in 1..=7 {
            for number in 1..=30 {
                let parts = (1..=of).map(|which| Part { which, of });
                assert_eq!(parts.filter(|part| part.has(number)).count(), 1);
            }
        }
        for wrong in ["0/4", "5/4", "1", "a/b", "1/0", "-1/2"] {
            assert!(parse_part(wrong).is_err(), "{wrong}");
        }
    }
}
