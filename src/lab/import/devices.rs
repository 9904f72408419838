//! Owns which of several drives in a trace is taken: the one that was named, or else the first.
//!
//! A line says first of which drive it is; its requests count once they are known to make sense.

use std::collections::BTreeMap;

/// Names that are kept for the report.
const NAMES_MAX: usize = 1000;

/// The drives that a trace names.
#[derive(Debug, Default)]
pub(super) struct Devices {
    wanted: Option<String>,
    /// The drive of the line that is read, if it names one.
    current: String,
    named: bool,
    seen: BTreeMap<String, u64>,
}

impl Devices {
    pub(super) fn new(wanted: Option<String>) -> Devices {
        Devices {
            wanted,
            ..Devices::default()
        }
    }

    /// The next line is read, which names no drive so far.
    pub(super) fn begin_line(&mut self) {
        self.named = false;
    }

    /// The line that is read is of this drive.
    pub(super) fn note(&mut self, name: &str) {
        self.named = true;
        self.current.clear();
        self.current.push_str(name);
    }

    /// Whether requests of the line are taken.
    pub(super) fn is_wanted(&self) -> bool {
        match &self.wanted {
            Some(wanted) if self.named => *wanted == self.current,
            // Of the first drive, or of a line that names none.
            _ => true,
        }
    }

    /// Counts requests of the line. The first to be counted are of the drive that is taken from then on.
    pub(super) fn count(&mut self, requests: u64) {
        if !self.named {
            return;
        }
        if self.wanted.is_none() {
            self.wanted = Some(self.current.clone());
        }
        if let Some(count) = self.seen.get_mut(&self.current) {
            *count += requests;
        } else if self.seen.len() < NAMES_MAX {
            self.seen.insert(self.current.clone(), requests);
        }
    }

    /// Drives and how many requests each had; the one that was taken.
    pub(super) fn finish(self) -> (Vec<(String, u64)>, Option<String>) {
        (self.seen.into_iter().collect(), self.wanted)
    }
}
