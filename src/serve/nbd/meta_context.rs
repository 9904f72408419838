//! Owns the metadata contexts: their names, how queries match them, and what they say.
//!
//! `base:allocation` is the protocol's own (section "Metadata contexts"); `imbrex:whereabouts`
//! tells where each range lives now. Runs handed out are never empty and never go past the range
//! that was asked about.

use crate::drive::request::Whereabouts;

/// A context this server knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Context {
    Allocation,
    Whereabouts,
}

/// A run of bytes and its state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) bytes: u64,
    pub(super) state: u32,
}

/// A set of contexts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Contexts {
    allocation: bool,
    whereabouts: bool,
}

/// Most runs told per context in one reply; a client that wants more asks again.
pub(super) const RUNS_MAX: usize = 4096;

impl Context {
    pub(super) const ALL: [Context; 2] = [Context::Allocation, Context::Whereabouts];

    /// The name in queries.
    pub(super) fn name(self) -> &'static str {
        match self {
            Context::Allocation => "base:allocation",
            Context::Whereabouts => "imbrex:whereabouts",
        }
    }

    /// The number that stands for it in replies.
    pub(super) fn id(self) -> u32 {
        match self {
            Context::Allocation => 1,
            Context::Whereabouts => 2,
        }
    }

    /// What the context says of a range that lives there.
    pub(super) fn state(self, place: Whereabouts) -> u32 {
        // Section "Metadata contexts": bit 0 is a hole, bit 1 reads as zeroes.
        const HOLE_AND_ZERO: u32 = 0b11;
        match (self, place) {
            (Context::Allocation, Whereabouts::Nowhere) => HOLE_AND_ZERO,
            (
                Context::Allocation,
                Whereabouts::Home | Whereabouts::Staged | Whereabouts::Cached,
            )
            | (Context::Whereabouts, Whereabouts::Nowhere) => 0,
            (Context::Whereabouts, Whereabouts::Home) => 1,
            (Context::Whereabouts, Whereabouts::Staged) => 2,
            (Context::Whereabouts, Whereabouts::Cached) => 3,
        }
    }

    /// Joins the parts that look alike through this context, up to `bytes` in all and at most
    /// `most` runs.
    pub(super) fn runs(self, parts: &[(u64, Whereabouts)], bytes: u64, most: usize) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        let mut left = bytes;
        for (part, place) in parts {
            let length = left.min(*part);
            if length == 0 {
                continue;
            }
            let state = self.state(*place);
            let full = runs.len() == most;
            match runs.last_mut() {
                Some(run) if run.state == state => run.bytes += length,
                _ if full => break,
                _ => runs.push(Run {
                    bytes: length,
                    state,
                }),
            }
            left -= length;
        }
        runs
    }
}

impl Contexts {
    /// Adds what a query names. A namespace alone stands for all its contexts when listing.
    pub(super) fn add_matching(&mut self, query: &str, listing: bool) {
        for context in Context::ALL {
            let name = context.name();
            let namespace = listing && query.ends_with(':') && name.starts_with(query);
            if query == name || namespace {
                self.insert(context);
            }
        }
    }

    /// Adds one.
    pub(super) fn insert(&mut self, context: Context) {
        match context {
            Context::Allocation => self.allocation = true,
            Context::Whereabouts => self.whereabouts = true,
        }
    }

    /// Those in the set, in order of their numbers.
    pub(super) fn iter(self) -> impl Iterator<Item = Context> {
        Context::ALL
            .into_iter()
            .filter(move |context| match context {
                Context::Allocation => self.allocation,
                Context::Whereabouts => self.whereabouts,
            })
    }

    /// Whether there is none.
    pub(super) fn is_empty(self) -> bool {
        self == Contexts::default()
    }
}
