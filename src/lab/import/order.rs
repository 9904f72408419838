//! Owns the order of requests by time: lines that are slightly out of order are put right, in bounded
//! memory.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::report::Parsed;

/// Requests that are held back.
const WINDOW: usize = 1 << 16;

/// Hands requests on in order of time. Of two at one moment the earlier line comes first.
#[derive(Default)]
pub(super) struct Order {
    held: BinaryHeap<Reverse<Held>>,
    taken: u64,
    last_ns: u64,
    /// Requests whose line came before that of an earlier one.
    pub(super) turned: u64,
    newest_ns: u64,
    /// Requests that came too late to be put where they belong: they follow at once.
    pub(super) late: u64,
}

#[derive(Debug)]
struct Held {
    place: (u64, u64),
    parsed: Parsed,
}

impl PartialEq for Held {
    fn eq(&self, other: &Held) -> bool {
        self.place == other.place
    }
}

impl Eq for Held {}

impl PartialOrd for Held {
    fn partial_cmp(&self, other: &Held) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Held {
    fn cmp(&self, other: &Held) -> std::cmp::Ordering {
        self.place.cmp(&other.place)
    }
}

impl Order {
    /// Takes a request; hands back the one whose turn it is, once enough are held.
    pub(super) fn take(&mut self, parsed: Parsed) -> Option<Parsed> {
        if parsed.at_ns < self.newest_ns {
            self.turned += 1;
        }
        self.newest_ns = self.newest_ns.max(parsed.at_ns);
        self.taken += 1;
        let place = (parsed.at_ns, self.taken);
        self.held.push(Reverse(Held { place, parsed }));
        if self.held.len() <= WINDOW {
            return None;
        }
        self.next()
    }

    /// The next of those that are held.
    pub(super) fn next(&mut self) -> Option<Parsed> {
        let Reverse(Held { mut parsed, .. }) = self.held.pop()?;
        if parsed.at_ns < self.last_ns {
            self.late += 1;
            parsed.at_ns = self.last_ns;
        }
        self.last_ns = parsed.at_ns;
        Some(parsed)
    }
}
