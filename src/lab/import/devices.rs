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
    /// The drive of the line that is read; nothing where lines name none.
    current: Option<String>,
    seen: BTreeMap<String, u64>,
}

impl Devices {
    pub(super) fn new(wanted: Option<String>) -> Devices {
        Devices {
            wanted,
            ..Devices::default()
        }
    }

    /// The line that is read is of this drive.
    pub(super) fn note(&mut self, name: &str) {
        let current = self.current.get_or_insert_default();
        current.clear();
        current.push_str(name);
    }

    /// Whether requests of the line are taken.
    pub(super) fn is_wanted(&self) -> bool {
        match (&self.wanted, &self.current) {
            (Some(wanted), Some(current)) => wanted == current,
            // Of the first drive, or of lines that name none.
            (None, _) | (_, None) => true,
        }
    }

    /// Counts requests of the line. The first to be counted are of the drive that is taken from then on.
    pub(super) fn count(&mut self, requests: u64) {
        let Some(current) = &self.current else {
            return;
        };
        if self.wanted.is_none() {
            self.wanted = Some(current.clone());
        }
        if let Some(count) = self.seen.get_mut(current) {
            *count += requests;
        } else if self.seen.len() < NAMES_MAX {
            self.seen.insert(current.clone(), requests);
        }
    }

    /// Drives and how many requests each had; the one that was taken.
    pub(super) fn finish(self) -> (Vec<(String, u64)>, Option<String>) {
        (self.seen.into_iter().collect(), self.wanted)
    }
}
