//! Owns the list of keys that a workload may have: what each takes, when it counts, what it means.

use crate::lab::workload::{Afterwards, Spacing};
use crate::profile::keys::{self, Book, Key, PERCENT, Section, Shape, count, key, only, section};
use crate::profile::quantity::Unit;
use crate::profile::words::{self, Words};

/// Orders before their own keys are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OrderKind {
    Uniform,
    Sequential,
    AlternateBlocks,
}

pub(super) const ORDER: &Words<OrderKind> = &[
    ("uniform", OrderKind::Uniform),
    ("sequential", OrderKind::Sequential),
    ("alternate-blocks", OrderKind::AlternateBlocks),
];

/// Kinds of arrivals before their own keys are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ArrivalKind {
    Open,
    Closed,
}

pub(super) const ARRIVAL: &Words<ArrivalKind> =
    &[("open", ArrivalKind::Open), ("closed", ArrivalKind::Closed)];
pub(super) const SPACING: &Words<Spacing> =
    &[("poisson", Spacing::Poisson), ("even", Spacing::Even)];
pub(super) const AFTERWARDS: &Words<Afterwards> =
    &[("stop", Afterwards::Stop), ("drain", Afterwards::Drain)];

/// What a workload may say.
pub(super) const WORKLOAD: Book = Book {
    sections: SECTIONS,
    keys: KEYS,
};

const SECTIONS: &[Section] = &[
    section("workload", true, "the experiment as a whole"),
    section("place", true, "where the requests go"),
    section("mix", true, "what is asked, in percent; adds up to 100%"),
    section("arrivals", true, "when the requests come"),
    section("bursts", false, "bursts with pauses between them"),
];

const SECTOR_BYTES: u64 = 512;
/// Most requests of an experiment.
const COUNT_MAX: u64 = 1_000_000_000_000;
/// Longest time of an experiment: a year.
const TIME_MAX: u64 = 365 * 86_400 * 1_000_000_000;
const OPEN: &str = "with arrivals.kind = \"open\"";
const CLOSED: &str = "with arrivals.kind = \"closed\"";

const fn bytes(min: u64, max: u64) -> Shape {
    Shape::Number {
        unit: Unit::Bytes,
        min,
        max,
        multiple: SECTOR_BYTES,
    }
}

/// Every key, in the order in which a workload is written.
#[rustfmt::skip] // a table: one key a line
const KEYS: &[Key] = &[
    key("workload.name", Shape::Name { chars_max: 64 }, "short name, shown to people"),
    key("workload.seed", count(0, u64::MAX >> 1), "start of everything that looks random"),
    key("workload.count", count(1, COUNT_MAX), "requests in all; this or a duration, or both: whichever ends first"),
    key("workload.duration", keys::time(TIME_MAX), "time in which requests are submitted"),
    key("workload.afterwards", Shape::Word(|| words::list(AFTERWARDS)), "whether the drive is left alone until it has nothing left to do; \"stop\" where not given"),

    key("place.order", Shape::Word(|| words::list(ORDER)), "order in which blocks are asked for"),
    key("place.request", bytes(SECTOR_BYTES, 1 << 26), "bytes of a request; the range is cut into blocks of this size"),
    key("place.from", bytes(0, 1 << 50), "first byte of the range; the start of the drive where not given"),
    key("place.length", bytes(SECTOR_BYTES, 1 << 50), "bytes of the range; up to the end of the drive where not given"),
    only("place.skip", "with place.order = \"alternate-blocks\"", count(1, 1_000_000), "blocks left out between two"),

    key("mix.read", PERCENT, "share of reads; 0% where not given"),
    key("mix.write", PERCENT, "share of writes; 0% where not given"),
    key("mix.trim", PERCENT, "share of discards; 0% where not given"),
    key("mix.flush", PERCENT, "share of flushes; 0% where not given"),

    key("arrivals.kind", Shape::Word(|| words::list(ARRIVAL)), "whether requests come at a rate, or when others are answered"),
    only("arrivals.per_second", OPEN, keys::range(Unit::Thousandths, 1, 1_000_000_000_000), "requests per second, on average"),
    only("arrivals.spacing", OPEN, Shape::Word(|| words::list(SPACING)), "how far requests are apart"),
    only("arrivals.under_way", CLOSED, count(1, 65_536), "requests kept under way"),

    key("bursts.count", count(1, COUNT_MAX), "requests of a burst"),
    key("bursts.pause", keys::time(TIME_MAX), "from the last answer of a burst to the first request of the next"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_documentation_describes_exactly_the_known_keys_and_what_they_take() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/simulate.md");
        let text = std::fs::read_to_string(path).expect("docs/simulate.md is there");
        let rows = text.lines().filter(|line| line.starts_with("| `"));
        let mut documented = Vec::new();
        for row in rows {
            let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
            let path = cells[0].trim_matches('`');
            let Some(key) = WORKLOAD.find(path) else {
                continue;
            };
            documented.push(path);
            let only = key
                .only
                .map_or_else(String::new, |only| format!(" ({only})"));
            assert_eq!(cells[1], format!("{}{only}", key.about), "{path}");
            assert_eq!(cells[2], key.allowed(), "{path}");
        }
        let known: Vec<&str> = KEYS.iter().map(|key| key.path).collect();
        assert_eq!(documented, known);
    }
}
