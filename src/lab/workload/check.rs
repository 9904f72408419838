//! Owns the step from what a TOML file says to a [`Workload`] that is complete and valid.
//!
//! Every problem is reported at once, by the reader that profiles are read with. What a single
//! stream says is read by `stream_check`; here is what holds streams and phases together.

use super::book::{AFTERWARDS, WORKLOAD};
use super::error::WorkloadError;
use super::stream_check::stream;
use super::{Afterwards, Limits, Phase, Stream, Workload};
use crate::profile::error::ProblemKind;
use crate::profile::raw::Document;
use crate::profile::reader::Reader;

/// Name of the only phase where none is described.
const ONE_PHASE: &str = "all";

impl Workload {
    /// Reads a workload from TOML. `file_name` is only used to tell people where the problems are.
    ///
    /// # Errors
    /// [`WorkloadError::Syntax`] where the text is not TOML, else [`WorkloadError::Invalid`] with
    /// every problem of the file.
    pub fn from_toml(file_name: &str, text: &str) -> Result<Workload, WorkloadError> {
        let document = Document::parse(text).map_err(|problems| WorkloadError::Syntax {
            file: file_name.to_owned(),
            problems,
        })?;
        let mut reader = Reader::new(&document, &WORKLOAD);
        let name = reader.name("workload.name");
        let limits = limits(&mut reader);
        let streams = streams(&mut reader);
        let workload = Workload {
            name,
            seed: optional(&mut reader, "workload.seed").unwrap_or(1),
            limits,
            rounds: optional(&mut reader, "workload.rounds").unwrap_or(1),
            afterwards: afterwards(&mut reader),
            phases: phases(&mut reader, &streams, limits),
            streams,
        };
        let problems = reader.finish();
        if problems.is_empty() {
            Ok(workload)
        } else {
            Err(WorkloadError::Invalid {
                file: file_name.to_owned(),
                problems,
            })
        }
    }
}

/// The number at `key`, where there is one.
pub(super) fn optional(reader: &mut Reader<'_>, key: &str) -> Option<u64> {
    reader.has(key).then(|| reader.number(key))
}

fn limits(reader: &mut Reader<'_>) -> Limits {
    Limits {
        count: optional(reader, "workload.count"),
        duration: optional(reader, "workload.duration").map(crate::time::Duration),
    }
}

fn afterwards(reader: &mut Reader<'_>) -> Afterwards {
    let key = "workload.afterwards";
    if reader.has(key) {
        reader.word(key, AFTERWARDS)
    } else {
        Afterwards::Stop
    }
}

fn streams(reader: &mut Reader<'_>) -> Vec<Stream> {
    if !reader.has("stream") {
        let allowed = "at least one [[stream]]".to_owned();
        reader.report("stream", allowed, ProblemKind::Missing);
        return Vec::new();
    }
    let mut streams: Vec<Stream> = Vec::new();
    for at in 0..reader.items("stream") {
        let read = stream(reader, at);
        if !read.name.is_empty() && streams.iter().any(|other| other.name == read.name) {
            let rule = "streams are told apart by their names";
            conflict(reader, &format!("stream[{at}].name"), "another name", rule);
        }
        streams.push(read);
    }
    streams
}

/// A value that does not go together with others.
pub(super) fn conflict(reader: &mut Reader<'_>, key: &str, allowed: &str, rule: &'static str) {
    let kind = ProblemKind::Conflict {
        rule,
        with: Vec::new(),
    };
    reader.report(key, allowed.to_owned(), kind);
}

fn phases(reader: &mut Reader<'_>, streams: &[Stream], limits: Limits) -> Vec<Phase> {
    if !reader.has("phase") {
        let all = Phase {
            name: ONE_PHASE.to_owned(),
            duration: None,
            streams: (0..streams.len()).collect(),
        };
        let ends = limits != Limits::default() || streams.iter().any(|one| one.count.is_some());
        if !ends && reader.has("workload") && !streams.is_empty() {
            let allowed = "workload.count, workload.duration, or a count for a stream".to_owned();
            reader.report("workload.count", allowed, ProblemKind::Missing);
        }
        return vec![all];
    }
    let mut phases = Vec::new();
    let mut used = vec![false; streams.len()];
    for at in 0..reader.items("phase") {
        let phase = phase(reader, at, streams);
        for at in &phase.streams {
            used[*at] = true;
        }
        phases.push(phase);
    }
    for (at, _) in used.iter().enumerate().filter(|(_, used)| !**used) {
        if !phases.is_empty() && !reader.has_failed("phase") {
            let rule = "no phase runs this stream";
            let allowed = "its name to the streams of a phase, or remove it";
            conflict(reader, &format!("stream[{at}]"), allowed, rule);
        }
    }
    phases
}

fn phase(reader: &mut Reader<'_>, at: u64, streams: &[Stream]) -> Phase {
    let key = |leaf: &str| format!("phase[{at}].{leaf}");
    let name = reader.name(&key("name"));
    let duration = optional(reader, &key("duration")).map(crate::time::Duration);
    let list = key("streams");
    let who = if reader.has(&list) {
        let names = reader.texts(&list);
        let mut who = Vec::new();
        for (item, name) in names.iter().enumerate() {
            let found = streams.iter().position(|stream| &stream.name == name);
            let item = format!("{list}[{item}]");
            match found {
                Some(found) if who.contains(&found) => {
                    conflict(reader, &item, "each name once", "it runs already");
                }
                Some(found) => who.push(found),
                None if name.is_empty() => {}
                None => {
                    let known: Vec<&str> = streams.iter().map(|s| s.name.as_str()).collect();
                    let allowed = format!("one of: {}", known.join(", "));
                    conflict(reader, &item, &allowed, "no stream has this name");
                    reader.fail(&list);
                }
            }
        }
        who
    } else {
        (0..streams.len()).collect()
    };
    let counted = who.iter().any(|at| streams[*at].count.is_some());
    if duration.is_none() && !counted && !reader.has(&key("duration")) {
        let allowed = "a time, or a count for one of its streams".to_owned();
        reader.report(&key("duration"), allowed, ProblemKind::Missing);
    }
    Phase {
        name,
        duration,
        streams: who,
    }
}
