//! Owns what a comparison leaves out because a recording does not know it.
//!
//! Always holds: a time that nobody knows is nothing and never 0, and no verdict comes of it.

use super::{Comparison, Difference, Method, OfRange, Side, Units, Verdict};
use crate::lab::recording::Took;

impl Comparison {
    /// The same without what one of the sides does not know.
    pub(in crate::lab::compare) fn known_only(mut self) -> Comparison {
        let least = self.a.took.max(self.b.took);
        if least == Took::Parts {
            return self;
        }
        self.parts.clear();
        for range in self.ranges.iter_mut().chain(&mut self.structures) {
            (range.mostly, range.mostly_ns) = (None, None);
        }
        if least == Took::Unknown {
            self.leave_out_times();
        }
        self
    }

    fn leave_out_times(&mut self) {
        let unknown = [&self.a, &self.b].map(Side::is_untimed);
        for told in &mut self.operations {
            told.verdict = Verdict::NotKnown;
            for time in [
                &mut told.mean_ns,
                &mut told.p50_ns,
                &mut told.p90_ns,
                &mut told.p99_ns,
                &mut told.max_ns,
                &mut told.total_ns,
                // By the time to the last answer, which is not known either.
                &mut told.bytes_per_s,
            ] {
                time.forget(unknown);
            }
        }
        let ranges = self.ranges.iter_mut().chain(&mut self.structures);
        ranges.for_each(|range: &mut OfRange| range.total_ns.forget(unknown));
        self.alike = None;
        self.verdict = Verdict::NotKnown;
        self.method = Method {
            units: Units::None,
            count: 0,
            ..self.method
        };
    }

    /// Which sides do not know something, and what, in a sentence; nothing where both know all.
    pub(super) fn unknown_words(&self) -> Option<String> {
        let least = self.a.took.max(self.b.took);
        let sides = [("A", &self.a), ("B", &self.b)];
        let named = sides.into_iter().filter(|(_, side)| side.took == least);
        let named: Vec<&str> = named.map(|(letter, _)| letter).collect();
        let named = named.join(" and ");
        match least {
            Took::Parts => None,
            Took::Whole => Some(format!(
                "where the time went is not known of {named}: traces of other tools do not tell it"
            )),
            Took::Unknown => Some(format!(
                "how long requests took is not known of {named}: the trace that was imported does not tell \
                 it, so there is no verdict; --profile runs both on the same drive and compares that"
            )),
        }
    }
}

impl Side {
    fn is_untimed(&self) -> bool {
        self.took == Took::Unknown
    }
}

impl Difference {
    /// Leaves out the sides of which it is not known.
    fn forget(&mut self, unknown: [bool; 2]) {
        let [a, b] = unknown;
        *self = Difference {
            a: self.a.filter(|_| !a),
            b: self.b.filter(|_| !b),
            ..Difference::default()
        };
    }

    /// Whether nothing is known of either side.
    pub(super) fn is_nothing(&self) -> bool {
        self.a.is_none() && self.b.is_none()
    }
}
