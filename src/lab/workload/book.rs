//! Owns the list of keys that a workload may have: what each takes, when it counts, what it means.

use crate::lab::workload::{Afterwards, COUNT_MAX, Spacing};
use crate::profile::keys::{self, Book, Key, PERCENT, Section, Shape, count, key, only, section};
use crate::profile::quantity::Unit;
use crate::profile::words::{self, Words};

/// Orders before their own keys are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OrderKind {
    Uniform,
    Sequential,
    AlternateBlocks,
    Skewed,
    HotCold,
    Ring,
    Scatter,
}

pub(super) const ORDER: &Words<OrderKind> = &[
    ("uniform", OrderKind::Uniform),
    ("sequential", OrderKind::Sequential),
    ("alternate-blocks", OrderKind::AlternateBlocks),
    ("skewed", OrderKind::Skewed),
    ("hot-cold", OrderKind::HotCold),
    ("ring", OrderKind::Ring),
    ("scatter", OrderKind::Scatter),
];

pub(super) const SPACING: &Words<Spacing> =
    &[("poisson", Spacing::Poisson), ("even", Spacing::Even)];
pub(super) const AFTERWARDS: &Words<Afterwards> =
    &[("stop", Afterwards::Stop), ("drain", Afterwards::Drain)];
/// Whether the often used blocks lie all over the range.
pub(super) const HOT: &Words<bool> = &[("together", false), ("scattered", true)];

/// What a workload may say.
pub(super) const WORKLOAD: Book = Book {
    sections: SECTIONS,
    keys: KEYS,
};

const SECTIONS: &[Section] = &[section("workload", true, "the experiment as a whole")];

const SECTOR_BYTES: u64 = 512;
/// Longest time of an experiment: a year.
const TIME_MAX: u64 = 365 * 86_400 * 1_000_000_000;
const REQUEST_MAX: u64 = 1 << 26;
const RANGE_MAX: u64 = 1 << 50;
const RATE: Shape = keys::range(Unit::Thousandths, 1, 1_000_000_000_000);
/// Shares that leave something for the rest.
const SOME_PERCENT: Shape = keys::range(Unit::Percent, 1, 99);
const PART: Shape = keys::range(Unit::Millionths, 0, 1_000_000);

const OPEN: &str = "with per_second";
const SKEWED: &str = "with order = \"skewed\"";
const HOT_COLD: &str = "with order = \"hot-cold\"";
const SCATTER: &str = "with order = \"scatter\"";

const fn bytes(min: u64, max: u64) -> Shape {
    Shape::Number {
        unit: Unit::Bytes,
        min,
        max,
        multiple: SECTOR_BYTES,
    }
}

const fn long_time() -> Shape {
    keys::range(Unit::Nanoseconds, 1, TIME_MAX)
}

/// Every key, in the order in which a workload is written.
#[rustfmt::skip] // a table: one key a line
const KEYS: &[Key] = &[
    key("workload.name", Shape::Name { chars_max: 64 }, "short name, shown to people"),
    key("workload.seed", count(0, u64::MAX >> 1), "start of everything that looks random; 1 where not given"),
    key("workload.count", count(1, COUNT_MAX), "requests in all"),
    key("workload.duration", keys::time(TIME_MAX), "time in which requests are submitted; with a count, too, whichever ends first"),
    key("workload.rounds", count(1, 1_000_000), "how many times the phases are gone through; 1 where not given"),
    key("workload.afterwards", Shape::Word(|| words::list(AFTERWARDS)), "whether the drive is left alone until it has nothing left to do; \"stop\" where not given"),

    key("phase", Shape::List { items_max: 64, keys: "name, duration and streams" }, "phases, one after the other; where there are none, all streams run in one"),
    key("phase.name", Shape::Name { chars_max: 64 }, "its name"),
    key("phase.duration", long_time(), "time in which requests are submitted; it also ends when all of its streams that have a count are through"),
    key("phase.streams", Shape::Texts { items_min: 0, items_max: 64, what: "names of streams" }, "who runs in it; all where not given, and with none the drive is left alone"),

    key("stream", Shape::List { items_max: 64, keys: "order, request, shares of operations, and per_second or under_way" }, "streams of requests, side by side"),
    key("stream.name", Shape::Name { chars_max: 64 }, "its name; \"stream-1\" and so on where not given"),
    key("stream.order", Shape::Word(|| words::list(ORDER)), "order in which blocks are asked for"),
    only("stream.request", "without sizes", bytes(SECTOR_BYTES, REQUEST_MAX), "bytes of a request"),
    only("stream.sizes", "without request", Shape::List { items_max: 64, keys: "request and share" }, "several sizes of requests"),
    only("stream.sizes.request", "as part of sizes", bytes(SECTOR_BYTES, REQUEST_MAX), "bytes of such a request"),
    only("stream.sizes.share", "as part of sizes", PERCENT, "share of such requests"),
    key("stream.align", bytes(SECTOR_BYTES, REQUEST_MAX), "the range is cut into blocks of this size, and requests begin where one does; the smallest request where not given"),
    key("stream.from", bytes(0, RANGE_MAX), "first byte of the range; the start of the drive where not given"),
    only("stream.from_part", "without from", PART, "the same as a part of the drive"),
    key("stream.length", bytes(SECTOR_BYTES, RANGE_MAX), "bytes of the range; up to the end of the drive where not given"),
    only("stream.length_part", "without length", PART, "the same as a part of the drive"),
    only("stream.skip", "with order = \"alternate-blocks\"", count(1, 1_000_000), "blocks left out between two; 1 where not given"),
    only("stream.skew", SKEWED, keys::range(Unit::Percent, 50, 99), "share of the requests that goes to the rest of percent of the blocks (80%: to 20% of them), and so on within both; \"80%\" where not given"),
    only("stream.hot", SKEWED, Shape::Word(|| words::list(HOT)), "whether the often used blocks lie at the start of the range or all over it; \"together\" where not given"),
    only("stream.hot_part", HOT_COLD, SOME_PERCENT, "part of the range, from its start, that is hot; \"10%\" where not given"),
    only("stream.hot_share", HOT_COLD, SOME_PERCENT, "share of the requests that goes there; \"90%\" where not given"),
    only("stream.mark_every", "with order = \"ring\"", count(1, COUNT_MAX), "requests after which the mark at the start of the ring is written again; 32 where not given"),
    only("stream.group", SCATTER, bytes(SECTOR_BYTES, RANGE_MAX), "bytes from one group to the next; \"128 MiB\" where not given"),
    only("stream.group_area", SCATTER, bytes(SECTOR_BYTES, RANGE_MAX), "bytes at the start of each group that requests go to; \"2 MiB\" where not given"),
    only("stream.stay", SCATTER, count(1, COUNT_MAX), "requests in a group before another is chosen; 4 where not given"),

    key("stream.read", PERCENT, "share of reads; 0% where not given, as with the others"),
    key("stream.write", PERCENT, "share of writes"),
    key("stream.fua_write", PERCENT, "share of writes that are durable before they are answered"),
    key("stream.flush", PERCENT, "share of flushes"),
    key("stream.trim", PERCENT, "share of discards"),
    key("stream.zero", PERCENT, "share of zeroing requests, which may deallocate"),
    key("stream.flush_every", count(1, COUNT_MAX), "a flush follows each time so many other requests were made"),

    only("stream.per_second", "without under_way", RATE, "requests come at this rate, whatever the drive does"),
    only("stream.spacing", OPEN, Shape::Word(|| words::list(SPACING)), "how far they are apart; \"poisson\" where not given"),
    only("stream.day", OPEN, Shape::Texts { items_min: 2, items_max: 96, what: "percentages from 0% to 1000%" }, "parts of the rate over a day that is cut into as many equal stretches and begins with the run"),
    only("stream.day_length", "with day", long_time(), "how long that day is; \"24 h\" where not given"),
    only("stream.under_way", "without per_second", count(1, 65_536), "so many requests are kept under way"),
    key("stream.burst", count(1, COUNT_MAX), "requests of a burst"),
    only("stream.burst_pause", "with burst", keys::time(TIME_MAX), "from the last answer of a burst to the first request of the next"),
    key("stream.count", count(1, COUNT_MAX), "requests of this stream in each phase"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_documentation_describes_exactly_the_known_keys_and_what_they_take() {
        WORKLOAD.assert_documented_in("docs/workloads.md");
    }
}
