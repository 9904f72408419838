//! `imbrex report`: makes a page of the files of a run, with figures.
//!
//! What exists is left alone unless told otherwise; nothing is written before everything is read.

use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::exit::{Code, FileExistsError, OutputError, ProtectedError, SealedError, UsageError};
use super::{output, profile_source};
use crate::lab::summary::Summary;
use crate::report::gather::Material;
use crate::report::page::{self, Report};

const LONG: &str = "\
Make a page with figures of the files of a run: a recording of requests (`record`,
`serve --record`, `simulate --record`, `import`), a file of events (`simulate --events`), a summary (`simulate --json`), or
the results of a matrix. Which is which is told by content; several files of one run are joined. The
page is one HTML file that needs nothing else: it can be opened, printed, mailed. See docs/report.md.";

const EXAMPLES: &str = "\
Examples:
  imbrex report session.parquet -o session.html
  imbrex report requests.parquet jobs.parquet summary.json -o run.html --title 'Nightly run'
  imbrex report session.parquet -o session.html --figures figures --data data";

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// Files of one run.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    outputs: Outputs,
}

/// Where a report goes.
#[derive(Debug, clap::Args)]
struct Outputs {
    /// The page.
    #[arg(short, long, value_name = "PAGE")]
    output: PathBuf,
    /// Its title, instead of what was run.
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Write each figure to a file of this folder as well (SVG).
    #[arg(long, value_name = "FOLDER")]
    figures: Option<PathBuf>,
    /// Write the data behind each figure to a file of this folder as well (CSV).
    #[arg(long, value_name = "FOLDER")]
    data: Option<PathBuf>,
    /// Replace files that exist.
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let outputs = &arguments.outputs;
    let mut inputs = arguments.files.iter();
    if let Some(sealed) = inputs.find(|path| profile_source::is_sealed_at(path)) {
        return Err(SealedError::new(sealed).into());
    }
    spare_inputs(&arguments.files, &outputs.output)?;
    // Before files of gigabytes are read.
    free(&outputs.output, outputs.replace)?;
    let material = Material::gather(&arguments.files)?;
    let report = page::make(&material, outputs.title.as_deref());
    let files = files(&report, outputs);
    for (path, _) in &files {
        spare_inputs(&arguments.files, path)?;
        free(path, outputs.replace)?;
    }
    for folder in [&outputs.figures, &outputs.data].into_iter().flatten() {
        let shown = folder.display();
        fs::create_dir_all(folder).map_err(OutputError::of(format!("into the folder {shown}")))?;
    }
    for (path, content) in &files {
        write(path, content, outputs.replace)?;
    }
    write(&outputs.output, &report.html, outputs.replace)?;
    output::print(&told(&report, &outputs.output, files.len()))?;
    Ok(Code::Ok)
}

/// The files of a run, those included that only its page needs; the latter go when this does.
pub(super) struct RunFiles {
    /// Every job of the arm.
    pub(super) events: Option<PathBuf>,
    /// Every request.
    pub(super) record: Option<PathBuf>,
    page: Option<PathBuf>,
    _folder: Option<TempDir>,
}

impl RunFiles {
    /// Where a run's files go, by where its events, its requests and its page are wanted.
    pub(super) fn places(wanted: [Option<&PathBuf>; 3]) -> anyhow::Result<RunFiles> {
        let [events, record, page] = wanted.map(Option::<&PathBuf>::cloned);
        let Some(page) = page else {
            return Ok(RunFiles {
                events,
                record,
                page,
                _folder: None,
            });
        };
        // What runs has no option that replaces it.
        free(&page, false).map_err(|_| ProtectedError::exists(&page))?;
        // Beside the page, since there is room where it is wanted.
        let beside = page
            .parent()
            .filter(|parent| !parent.as_os_str().is_empty());
        let beside = beside.unwrap_or(Path::new("."));
        let folder = tempfile::Builder::new()
            .prefix(".imbrex-report-")
            .tempdir_in(beside)
            .map_err(OutputError::of(format!("into {}", beside.display())))?;
        let within = |name: &str| folder.path().join(name);
        Ok(RunFiles {
            events: events.or_else(|| Some(within("jobs.parquet"))),
            record: record.or_else(|| Some(within("requests.parquet"))),
            page: Some(page),
            _folder: Some(folder),
        })
    }

    /// Makes the page, if one is wanted, once the other files are complete.
    pub(super) fn make_page(&self, summary: &Summary) -> anyhow::Result<()> {
        let Some(page) = &self.page else {
            return Ok(());
        };
        let files = [&self.record, &self.events].map(Option::as_ref);
        let files: Vec<PathBuf> = files.into_iter().flatten().cloned().collect();
        let mut material = Material::gather(&files)?;
        material.join_summary(&serde_json::to_value(summary)?)?;
        write(page, &page::make(&material, None).html, false)
    }
}

/// What was made, in a line.
fn told(report: &Report, page: &Path, others: usize) -> String {
    let figures = report.figures.len();
    let noun = if figures == 1 { "figure" } else { "figures" };
    let grid = if report.grid.is_some() {
        ", a matrix"
    } else {
        ""
    };
    let beside = match others {
        0 => String::new(),
        1 => "; 1 file beside it".to_owned(),
        others => format!("; {others} files beside it"),
    };
    format!("{}: {figures} {noun}{grid}{beside}\n", page.display())
}

/// Figures and data as files: where each goes, and its content.
fn files(report: &Report, outputs: &Outputs) -> Vec<(PathBuf, String)> {
    let mut files = Vec::new();
    if let Some(folder) = &outputs.figures {
        let drawn = report.figures.iter();
        files.extend(drawn.map(|one| (folder.join(format!("{}.svg", one.id())), one.svg())));
    }
    if let Some(folder) = &outputs.data {
        let drawn = report.figures.iter();
        files.extend(drawn.map(|one| (folder.join(format!("{}.csv", one.id())), one.csv())));
        let grid = report.grid.iter();
        files.extend(grid.map(|csv| (folder.join("matrix.csv"), csv.clone())));
    }
    files
}

/// Insists that nothing is at `path`, or may be replaced.
fn free(path: &Path, replace: bool) -> Result<(), FileExistsError> {
    // A link that leads nowhere is something as well.
    if !replace && path.symlink_metadata().is_ok() {
        return Err(FileExistsError(path.to_owned()));
    }
    Ok(())
}

/// Replacing a file that is read would lose it.
fn spare_inputs(inputs: &[PathBuf], output: &Path) -> Result<(), UsageError> {
    let same = |input: &PathBuf| {
        let real = [input.canonicalize().ok(), output.canonicalize().ok()];
        real[0].is_some() && real[0] == real[1]
    };
    match inputs.iter().find(|input| same(input)) {
        Some(input) => Err(UsageError(format!(
            "{} is read and cannot be written at the same time",
            input.display()
        ))),
        None => Ok(()),
    }
}

fn write(path: &Path, content: &str, replace: bool) -> anyhow::Result<()> {
    let unwritten = || OutputError::of(path.display());
    let made = if replace {
        File::create(path)
    } else {
        File::create_new(path)
    };
    let mut file = made.map_err(unwritten())?;
    file.write_all(content.as_bytes()).map_err(unwritten())?;
    Ok(())
}
