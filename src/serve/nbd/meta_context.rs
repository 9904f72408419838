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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn place() -> impl Strategy<Value = Whereabouts> {
        prop::sample::select(vec![
            Whereabouts::Nowhere,
            Whereabouts::Home,
            Whereabouts::Staged,
            Whereabouts::Cached,
        ])
    }

    #[test]
    fn states_are_those_of_the_documentation() {
        let rows = [
            (Whereabouts::Nowhere, 3, 0),
            (Whereabouts::Home, 0, 1),
            (Whereabouts::Staged, 0, 2),
            (Whereabouts::Cached, 0, 3),
        ];
        for (place, allocation, whereabouts) in rows {
            assert_eq!(Context::Allocation.state(place), allocation);
            assert_eq!(Context::Whereabouts.state(place), whereabouts);
        }
    }

    proptest! {
        #[test]
        fn runs_say_of_every_byte_what_the_parts_say(
            parts in prop::collection::vec((0_u64..5, place()), 0..20),
            bytes in 0_u64..60,
            most in 1_usize..8,
        ) {
            for context in Context::ALL {
                let plain: Vec<u32> = parts
                    .iter()
                    .flat_map(|(length, place)| (0..*length).map(|_| context.state(*place)))
                    .take(crate::units::index(bytes))
                    .collect();
                let runs = context.runs(&parts, bytes, most);
                let told: Vec<u32> = runs
                    .iter()
                    .flat_map(|run| (0..run.bytes).map(|_| run.state))
                    .collect();
                prop_assert!(plain.starts_with(&told));
                prop_assert!(runs.len() <= most && runs.iter().all(|run| run.bytes > 0));
                prop_assert!(runs.windows(2).all(|pair| pair[0].state != pair[1].state));
                prop_assert!(told.len() == plain.len() || runs.len() == most);
            }
        }
    }
}
