//! Gathering: files of a run become the material that a page is made of.
//!
//! Reading order: which kind of file it is, told by its content, and what joins several of one run (here,
//! and whether they are of a cell of a matrix: `belonging`); rows of Parquet files (`rows`), a recording
//! (`requests`), a file of events (`jobs`), a summary (`told`), results of a matrix (`matrix`). Always
//! holds: a page is of one run, and memory does not grow with its files, but for the cells of a matrix,
//! all of which are shown.

mod belonging;
pub(super) mod jobs;
pub(super) mod matrix;
pub(super) mod requests;
mod rows;
pub(super) mod told;

#[cfg(test)]
mod tests;

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek};
use std::path::{Path, PathBuf};

use serde::Deserialize;

use self::jobs::Jobs;
use self::matrix::Matrix;
use self::requests::Requests;
use self::rows::Rows;
use self::told::Told;
use super::error::ReportError;
use crate::lab::matrix::mark;
use crate::lab::recording::{BEGAN, PROFILE, Took};
use crate::profile::Profile;

/// Longest line that may be the head of a matrix's results, longest summary.
const LINE_BYTES_MAX: u64 = 1 << 20;
const SUMMARY_BYTES_MAX: u64 = 1 << 26;

const RECORDING: &str = "recordings of requests";
const EVENTS: &str = "files of events";
const SUMMARY: &str = "summaries";
const MATRIX: &str = "results of a matrix";

/// What a page is made of.
#[derive(Debug, Default)]
pub struct Material {
    pub(super) about: About,
    pub(super) files: Vec<(PathBuf, &'static str)>,
    pub(super) requests: Option<Requests>,
    pub(super) jobs: Option<Jobs>,
    pub(super) told: Option<Told>,
    pub(super) matrix: Option<Matrix>,
}

/// What was run.
#[derive(Clone, Debug, Default)]
pub(super) struct About {
    /// The profile's name.
    pub(super) profile: Option<String>,
    /// Bytes that the drive offers.
    pub(super) capacity_bytes: Option<u64>,
    /// Log slots of the staging area; nothing where there is none.
    pub(super) staging_slots: Option<u64>,
    /// Name of the workload.
    pub(super) workload: Option<String>,
    /// Start of everything that looked random.
    pub(super) seed: Option<String>,
    /// How the drive was when it began.
    pub(super) began: Option<String>,
    /// The mark of the profile's text.
    profile_mark: Option<String>,
    /// Who said so first of what the files of a run have in common: the key, what it says, which file.
    said: Vec<(&'static str, String, PathBuf)>,
}

impl Material {
    /// Reads files of one run.
    /// Beside results of a matrix they are of one of its cells.
    ///
    /// # Errors
    /// If one cannot be read, is none of the kinds, or does not belong to the others.
    pub fn gather(paths: &[PathBuf]) -> Result<Material, ReportError> {
        let mut material = Material::default();
        for path in paths {
            material.add(path)?;
        }
        belonging::check(&material)?;
        Ok(material)
    }

    /// Joins the summary of the run whose files were gathered, as JSON.
    ///
    /// # Errors
    /// If it lacks what a summary has.
    pub fn join_summary(&mut self, summary: &serde_json::Value) -> Result<(), ReportError> {
        let told = Told::deserialize(summary).map_err(|source| ReportError::Json {
            path: PathBuf::from("the summary"),
            line: 1,
            source,
        })?;
        self.about.of_summary(&told);
        self.told = Some(told);
        Ok(())
    }

    /// The requests, where it is known how long they took.
    pub(super) fn timed(&self) -> Option<&Requests> {
        let requests = self.requests.as_ref();
        requests.filter(|requests| requests.took != Took::Unknown)
    }

    /// Whether there are requests, and nothing says how long any took.
    pub(super) fn is_untimed(&self) -> bool {
        self.requests.is_some() && self.timed().is_none() && self.told.is_none()
    }

    fn add(&mut self, path: &Path) -> Result<(), ReportError> {
        let cannot = |source| ReportError::Read {
            path: path.to_owned(),
            source,
        };
        let mut file = BufReader::new(File::open(path).map_err(cannot)?);
        let columns = file.fill_buf().map_err(cannot)?.starts_with(b"PAR1");
        if columns {
            return self.add_columns(path);
        }
        let mut line = String::new();
        // What is no text is no head either.
        let _ = (&mut file).take(LINE_BYTES_MAX).read_line(&mut line);
        file.rewind().map_err(cannot)?;
        if matrix::is_head(&line) {
            self.note(path, MATRIX)?;
            self.matrix = Some(matrix::read(path, file)?);
            return Ok(());
        }
        self.add_summary(path, file)
    }

    fn add_columns(&mut self, path: &Path) -> Result<(), ReportError> {
        let rows = Rows::open(path, "a file of columns")?;
        if rows.has("arrived_ns") && rows.has("due_ns") {
            self.note(path, RECORDING)?;
            let rows = rows.taken_for("a recording of requests");
            self.about.of_columns(&rows)?;
            self.requests = requests::gather(&rows)?;
            Ok(())
        } else if rows.has("cylinder") && rows.has("purpose") {
            self.note(path, EVENTS)?;
            let rows = rows.taken_for("a file of events");
            self.about.of_columns(&rows)?;
            self.jobs = jobs::gather(&rows)?;
            Ok(())
        } else {
            Err(unknown(path, "its columns are others"))
        }
    }

    fn add_summary(&mut self, path: &Path, file: impl Read) -> Result<(), ReportError> {
        let mut text = String::new();
        let mut bounded = file.take(SUMMARY_BYTES_MAX);
        if bounded.read_to_string(&mut text).is_err() {
            return Err(unknown(path, "it is no text and has no columns"));
        }
        if !text.trim_start().starts_with('{') {
            return Err(unknown(path, "it has no columns and is no JSON object"));
        }
        let value: serde_json::Value =
            serde_json::from_str(&text).map_err(|source| ReportError::Json {
                path: path.to_owned(),
                line: source.line(),
                source,
            })?;
        if value.get("over_time").is_none() {
            return Err(unknown(path, "it is a JSON object without \"over_time\""));
        }
        self.note(path, SUMMARY)?;
        let told = Told::deserialize(&value).map_err(|source| ReportError::Json {
            path: path.to_owned(),
            line: 1,
            source,
        })?;
        self.about.agree("profile", &told.profile, path)?;
        self.about.agree("workload", &told.workload, path)?;
        if let Some(seed) = told.seed {
            self.about.agree("seed", &seed.to_string(), path)?;
        }
        self.about.of_summary(&told);
        self.told = Some(told);
        Ok(())
    }

    /// Notes a file, the only one of its kind.
    fn note(&mut self, path: &Path, kind: &'static str) -> Result<(), ReportError> {
        if let Some((first, _)) = self.files.iter().find(|(_, other)| *other == kind) {
            return Err(ReportError::Twice {
                kind,
                first: first.clone(),
                second: path.to_owned(),
            });
        }
        self.files.push((path.to_owned(), kind));
        Ok(())
    }
}

impl About {
    fn of_columns(&mut self, rows: &Rows) -> Result<(), ReportError> {
        if let Some(text) = rows.about(PROFILE) {
            let mark = mark::of(&text);
            self.agree("mark of the profile", &mark, rows.path())?;
            self.profile_mark = Some(mark);
            // A profile that this version does not know is no reason not to show what it did.
            if let Ok(profile) = Profile::from_toml("the profile of the file", &text) {
                self.agree("profile", &profile.name, rows.path())?;
                self.capacity_bytes = Some(profile.drive.capacity_bytes);
                self.staging_slots = profile.staging.as_ref().map(|staging| staging.slots);
                self.profile = Some(profile.name);
            }
        }
        if let Some(workload) = rows.about("workload") {
            self.agree("workload", &workload, rows.path())?;
            self.workload = Some(workload);
        }
        if let Some(seed) = rows.about("seed") {
            self.agree("seed", &seed, rows.path())?;
            self.seed = Some(seed);
        }
        if let Some(began) = rows.about(BEGAN) {
            self.agree("state at the start", &began, rows.path())?;
            self.began = Some(began);
        }
        Ok(())
    }

    fn of_summary(&mut self, told: &Told) {
        self.profile = Some(told.profile.clone());
        self.workload = Some(told.workload.clone());
        self.capacity_bytes = Some(told.capacity_bytes);
        self.seed = told.seed.map(|seed| seed.to_string()).or(self.seed.take());
        if told.status.staging_slots > 0 {
            self.staging_slots = Some(told.status.staging_slots);
        }
    }

    /// Two files of a run say the same.
    fn agree(&mut self, what: &'static str, says: &str, path: &Path) -> Result<(), ReportError> {
        let before = self.said.iter().find(|(key, ..)| *key == what);
        match before {
            Some((_, first, by)) if first != says => Err(ReportError::DifferentRuns {
                what,
                first: by.clone(),
                second: path.to_owned(),
                of_first: first.clone(),
                of_second: says.to_owned(),
            }),
            Some(_) => Ok(()),
            None => {
                self.said.push((what, says.to_owned(), path.to_owned()));
                Ok(())
            }
        }
    }
}

fn unknown(path: &Path, what: &str) -> ReportError {
    ReportError::Unknown {
        path: path.to_owned(),
        what: what.to_owned(),
    }
}
