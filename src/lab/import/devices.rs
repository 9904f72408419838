//! Owns which of several drives in a trace is taken: the one that was named, or else the first.

use std::collections::BTreeMap;

use super::report::Skip;

/// Names that are kept for the report.
const NAMES_MAX: usize = 1000;

/// The drives that a trace names.
#[derive(Debug, Default)]
pub(super) struct Devices {
    wanted: Option<String>,
    seen: BTreeMap<String, u64>,
}

impl Devices {
    pub(super) fn new(wanted: Option<String>) -> Devices {
        Devices {
            wanted,
            seen: BTreeMap::new(),
        }
    }

    /// Whether a request of this drive is taken.
    pub(super) fn take(&mut self, name: &str) -> Result<(), Skip> {
        if let Some(count) = self.seen.get_mut(name) {
            *count += 1;
        } else if self.seen.len() < NAMES_MAX {
            self.seen.insert(name.to_owned(), 1);
        }
        match &self.wanted {
            Some(wanted) if wanted == name => Ok(()),
            Some(_) => Err(Skip::Aside("of another drive")),
            None => {
                self.wanted = Some(name.to_owned());
                Ok(())
            }
        }
    }

    /// Drives and how many requests each had; the one that was taken.
    pub(super) fn finish(self) -> (Vec<(String, u64)>, Option<String>) {
        (self.seen.into_iter().collect(), self.wanted)
    }
}
