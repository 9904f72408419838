//! Owns the short form of a workload: a few words on the command line.
//!
//! Each word is known by its own form, so their order does not matter; what they leave out has the
//! default that the documentation names. The words become the TOML of a workload, which is checked
//! like any other.

use std::fmt::Write as _;

use super::Workload;
use super::book::ORDER;
use super::error::WorkloadError;
use crate::profile::error::Problem;
use crate::profile::quantity::Unit;
use crate::profile::words;

/// What the words said so far.
#[derive(Default)]
struct Said<'w> {
    order: Option<&'w str>,
    request: Option<&'w str>,
    length: Option<&'w str>,
    mix: Vec<(&'static str, u64)>,
    count: Option<&'w str>,
    duration: Option<&'w str>,
    rate: Option<&'w str>,
    under_way: Option<&'w str>,
    bursts: Option<&'w str>,
    pause: Option<&'w str>,
    drain: bool,
}

/// What can be asked, and the keys of a stream that say so.
const OPERATIONS: [(&str, &str); 6] = [
    ("read", "read"),
    ("write", "write"),
    ("fua-write", "fua_write"),
    ("flush", "flush"),
    ("trim", "trim"),
    ("zero", "zero"),
];
/// Shown to whoever wrote a word that means nothing.
const FORMS: &str = "uniform, sequential, alternate-blocks, skewed, hot-cold, ring or scatter; read, \
                     write, fua-write, flush, trim or zero, with a share such as 70%read; a request \
                     size such as 4KiB; first-10GB; 1000-requests; 60s; 200/s or 8-under-way; \
                     bursts-of-500 with pause-10s; then-drain";

impl Workload {
    /// Whether a text is meant as words and not as the name of a file: it begins with an order.
    pub fn is_words(text: &str) -> bool {
        let first = text.split([' ', ',']).find(|word| !word.is_empty());
        first.is_some_and(|first| words::list(ORDER).contains(&first))
    }

    /// Reads the short form, such as `uniform write 4KiB 10000-requests`.
    ///
    /// # Errors
    /// [`WorkloadError::Words`] with every word that means nothing or comes twice, else what
    /// [`Workload::from_toml`] says of the whole.
    pub fn from_words(text: &str) -> Result<Workload, WorkloadError> {
        let mut said = Said::default();
        let mut problems = Vec::new();
        for word in text.split([' ', ',']).filter(|word| !word.is_empty()) {
            if let Err(problem) = said.take(word) {
                problems.push(problem);
            }
        }
        if said.count.is_none() && said.duration.is_none() {
            problems.push("nothing says when it ends; add 1000-requests or 60s".to_owned());
        }
        if said.bursts.is_some() != said.pause.is_some() {
            problems.push("bursts-of-500 and pause-10s come together or not at all".to_owned());
        }
        if said.rate.is_some() && said.under_way.is_some() {
            problems.push(
                "requests come at a rate (200/s) or stay under way (8-under-way), not both"
                    .to_owned(),
            );
        }
        let file = format!("\"{text}\"");
        if problems.is_empty() {
            Workload::from_toml(&file, &said.to_toml(text)).map_err(in_words)
        } else {
            Err(WorkloadError::Words { file, problems })
        }
    }
}

impl<'w> Said<'w> {
    fn take(&mut self, word: &'w str) -> Result<(), String> {
        if let Some((share, operation)) = operation(word) {
            if self.mix.iter().any(|(known, _)| *known == operation) {
                return Err(format!("{word}: {operation} comes twice"));
            }
            self.mix.push((operation, share));
            return Ok(());
        }
        if word == "then-drain" {
            self.drain = true;
            return Ok(());
        }
        let number = |text: &str| Unit::Count.parse(text).is_ok();
        let bytes = |text: &str| Unit::Bytes.parse(text).is_ok();
        let time = |text: &str| Unit::Nanoseconds.parse(text).is_ok();
        let rate = |text: &str| Unit::Thousandths.parse(text).is_ok();
        let slot = if words::list(ORDER).contains(&word) {
            (&mut self.order, word)
        } else if let Some(n) = word.strip_suffix("-requests").filter(|n| number(n)) {
            (&mut self.count, n)
        } else if let Some(n) = word.strip_suffix("-under-way").filter(|n| number(n)) {
            (&mut self.under_way, n)
        } else if let Some(n) = word.strip_suffix("/s").filter(|n| rate(n)) {
            (&mut self.rate, n)
        } else if let Some(n) = word.strip_prefix("bursts-of-").filter(|n| number(n)) {
            (&mut self.bursts, n)
        } else if let Some(t) = word.strip_prefix("pause-").filter(|t| time(t)) {
            (&mut self.pause, t)
        } else if let Some(size) = word.strip_prefix("first-").filter(|size| bytes(size)) {
            (&mut self.length, size)
        } else if bytes(word) {
            (&mut self.request, word)
        } else if time(word) {
            (&mut self.duration, word)
        } else {
            return Err(format!("{word}: not known; words are {FORMS}"));
        };
        match slot.0.replace(slot.1) {
            Some(before) => Err(format!("{word}: {before} has said that already")),
            None => Ok(()),
        }
    }

    fn to_toml(&self, text: &str) -> String {
        let mut toml = String::new();
        let mut line = |line: String| {
            let _ = writeln!(toml, "{line}");
        };
        line(format!("[workload]\nname = {:?}", shortened(text)));
        if let Some(count) = self.count {
            line(format!("count = {count}"));
        }
        if let Some(duration) = self.duration {
            line(format!("duration = \"{duration}\""));
        }
        if self.drain {
            line("afterwards = \"drain\"".to_owned());
        }
        let order = self.order.unwrap_or("uniform");
        let request = self.request.unwrap_or("4 KiB");
        line(format!(
            "[[stream]]\norder = \"{order}\"\nrequest = \"{request}\""
        ));
        if let Some(length) = self.length {
            line(format!("length = \"{length}\""));
        }
        for (operation, share) in &self.mix {
            line(format!("{operation} = \"{share}%\""));
        }
        match self.rate {
            Some(rate) => line(format!("per_second = {rate}")),
            None => line(format!("under_way = {}", self.under_way.unwrap_or("1"))),
        }
        if let (Some(count), Some(pause)) = (self.bursts, self.pause) {
            line(format!("burst = {count}\nburst_pause = \"{pause}\""));
        }
        toml
    }
}

/// What is wrong with the text that was made of words: nobody knows lines, tables and sections of it.
fn in_words(error: WorkloadError) -> WorkloadError {
    let WorkloadError::Invalid { file, problems } = error else {
        return error;
    };
    let plain = |mut problem: Problem| {
        problem.line = None;
        let key = problem.key.strip_prefix("workload.");
        let key = key.or_else(|| problem.key.strip_prefix("stream[0]."));
        problem.key = match key.unwrap_or(&problem.key) {
            "stream[0]" => "the words".to_owned(),
            key => key.to_owned(),
        };
        problem.to_string()
    };
    WorkloadError::Words {
        file,
        problems: problems.into_iter().map(plain).collect(),
    }
}

/// `70%read` or `read`, which is all of it: the key and the share.
fn operation(word: &str) -> Option<(u64, &'static str)> {
    let (share, operation) = match word.split_once('%') {
        Some((share, operation)) => (Unit::Count.parse(share).ok()?, operation),
        None => (100, word),
    };
    let known = OPERATIONS.iter().find(|(known, _)| *known == operation);
    known.map(|(_, key)| (share, *key))
}

/// As much of a text as a name may have.
fn shortened(text: &str) -> String {
    const NAME_CHARS: usize = 64;
    text.chars().take(NAME_CHARS).collect()
}
