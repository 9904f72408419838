//! Owns the list of keys that a matrix may have: what each takes, when it counts, what it means.

use super::spec::Attach;
use crate::lab::replay::{Beyond, Keep};
use crate::profile::keys::{self, Book, Key, PERCENT, Section, Shape, count, key, only, section};
use crate::profile::quantity::Unit;
use crate::profile::words::{self, Words};

/// Most items of an axis.
const AXIS_MAX: u64 = 1000;
/// Most characters of a name, and of a line of text.
const NAME_MAX: usize = 128;
const LINE_MAX: usize = 4000;
const TIME_MAX: u64 = 365 * 86_400 * 1_000_000_000;
const COUNT_MAX: u64 = 1_000_000_000_000;

pub(super) const KEEP: &Words<Keep> = &[("times", Keep::Times), ("think-times", Keep::ThinkTimes)];
pub(super) const BEYOND: &Words<Beyond> = &[("refuse", Beyond::Refuse), ("fold", Beyond::Fold)];
pub(super) const ATTACH: &Words<Attach> = &[
    ("virtio", Attach::Virtio),
    ("sata", Attach::Sata),
    ("scsi", Attach::Scsi),
];
/// Places of words in `Operation::WORDS`.
pub(super) const OPERATION: &Words<&str> = &[
    ("read", "read"),
    ("write", "write"),
    ("flush", "flush"),
    ("trim", "trim"),
    ("write-zeroes", "write-zeroes"),
];

/// What a matrix may say.
pub(super) const MATRIX: Book = Book {
    sections: SECTIONS,
    keys: KEYS,
};

const SECTIONS: &[Section] = &[section("matrix", true, "the matrix as a whole")];

const NAMES: &str = "names";
const LATENCY: &str = "with operation";
const SIMULATED: &str = "with workload";
const REPLAYED: &str = "with replay";
const SERVED: &str = "with command or guest";
const GUEST: &str = "with guest";

const fn name() -> Shape {
    Shape::Name {
        chars_max: NAME_MAX,
    }
}

const fn line() -> Shape {
    Shape::Name {
        chars_max: LINE_MAX,
    }
}

const fn names() -> Shape {
    Shape::Texts {
        items_min: 1,
        items_max: AXIS_MAX,
        what: NAMES,
    }
}

const fn long_time() -> Shape {
    keys::range(Unit::Nanoseconds, 1, TIME_MAX)
}

const fn at_most() -> Shape {
    keys::range(Unit::Nanoseconds, 1, TIME_MAX)
}

const fn rate() -> Shape {
    keys::range(Unit::BytesPerSecond, 1, 1_000_000_000_000)
}

/// Every key, in the order in which a matrix is written.
#[rustfmt::skip] // a table: one key a line
const KEYS: &[Key] = &[
    key("matrix.name", name(), "short name, shown to people"),
    only("matrix.seeds", "without seed_count", Shape::Numbers { items_max: AXIS_MAX, max: u64::MAX >> 1 }, "starts of everything that looks random; [1] where not given"),
    only("matrix.seed_count", "without seeds", count(1, AXIS_MAX), "the same as seeds from 1 to this"),
    key("matrix.starts", Shape::Texts { items_min: 1, items_max: AXIS_MAX, what: "states of a drive such as \"new\" or \"filled 60%, staging 95%\"" }, "states in which the drive is when a cell begins; [\"as-it-comes\"] where not given. One that names no seed takes the cell's"),

    key("drive", Shape::List { items_max: AXIS_MAX, keys: "profile" }, "the drives"),
    key("drive.name", name(), "its name; the profile and the capacity where not given"),
    key("drive.profile", line(), "a built-in profile or a TOML file"),
    key("drive.capacity", keys::range(Unit::Bytes, 4096, 1 << 50), "scales the drive to this capacity, rounded down to whole sectors of 4096 bytes"),

    key("change", Shape::List { items_max: AXIS_MAX, keys: "set" }, "sets of changes of the profiles; where there are none, the profiles stay as they are"),
    key("change.name", name(), "its name; the changes where not given, or \"unchanged\""),
    key("change.set", Shape::Texts { items_min: 0, items_max: 64, what: "changes such as \"staging.bytes=10GiB\"" }, "keys of the profile that are set anew; an empty list leaves it as it is"),

    key("work", Shape::List { items_max: AXIS_MAX, keys: "workload, replay, command or guest" }, "what is asked of the drives"),
    key("work.name", name(), "its name; the workload or the recording where not given"),
    key("work.workload", line(), "a workload's name, a TOML file or a few words, run in virtual time"),
    only("work.count", SIMULATED, count(1, COUNT_MAX), "requests in all, instead of the workload's end"),
    only("work.duration", SIMULATED, long_time(), "time in which requests are submitted, instead of the workload's end"),
    only("work.replay", "without workload", line(), "a recording that is replayed in virtual time"),
    only("work.keep", REPLAYED, Shape::Word(|| words::list(KEEP)), "what of its times stays; \"times\" where not given"),
    only("work.speed", REPLAYED, keys::range(Unit::Thousandths, 1, 1_000_000_000), "how much faster its times become; 1 where not given"),
    only("work.beyond", REPLAYED, Shape::Word(|| words::list(BEYOND)), "what happens to requests beyond the end of the drive; \"refuse\" where not given"),
    only("work.command", "without workload and replay", line(), "a command line for sh, run beside a served drive; {uri}, {socket}, {image}, {fuse}, {folder} and {seed} stand for where it is"),
    only("work.guest", "without workload, replay and command", line(), "a script that scripts/vm runs in a guest with the served drive"),
    only("work.attach", GUEST, Shape::Word(|| words::list(ATTACH)), "what kind of disk the drive is to the guest; \"virtio\" where not given"),
    only("work.arguments", GUEST, Shape::Texts { items_min: 0, items_max: 64, what: "arguments" }, "arguments of the script"),
    only("work.pace", SERVED, name(), "how long the drive takes: \"real\", \"off\", or a factor such as \"10x\"; \"real\" where not given"),
    only("work.late_at_most", SERVED, PERCENT, "share of answers that this machine may give late before the cell is invalid; \"1%\" where not given"),
    only("work.exit", SERVED, count(0, 255), "exit code that is demanded; 0 where not given"),
    only("work.verify", SERVED, Shape::Flag, "whether the image must be undamaged afterwards, all data read; false where not given"),
    only("work.ends_within", SERVED, long_time(), "real time in which it must end; \"1 h\" where not given"),

    key("leave_out", Shape::List { items_max: AXIS_MAX, keys: "drives, changes, starts or works" }, "cells that are not run: those that all lists of an item name"),
    key("leave_out.drives", names(), "drives by name"),
    key("leave_out.changes", names(), "sets of changes by name"),
    key("leave_out.starts", names(), "starts as matrix.starts has them"),
    key("leave_out.works", names(), "works by name"),

    key("demand", Shape::List { items_max: AXIS_MAX, keys: "what is demanded" }, "what must hold; each key of an item is a demand of its own"),
    key("demand.drives", names(), "only of these drives"),
    key("demand.changes", names(), "only of these sets of changes"),
    key("demand.starts", names(), "only of these starts"),
    key("demand.works", names(), "only of these works"),
    key("demand.operation", Shape::Word(|| words::list(OPERATION)), "whose latencies are meant"),
    only("demand.p50_at_most", LATENCY, at_most(), "half of them take no longer"),
    only("demand.p90_at_most", LATENCY, at_most(), "90 % of them take no longer"),
    only("demand.p99_at_most", LATENCY, at_most(), "99 % of them take no longer"),
    only("demand.p999_at_most", LATENCY, at_most(), "99.9 % of them take no longer"),
    only("demand.longest_at_most", LATENCY, at_most(), "none of them takes longer"),
    key("demand.stall_at_most", at_most(), "longest time without an answer while a request is under way"),
    key("demand.trips_none_of", Shape::Texts { items_min: 1, items_max: 16, what: "limits of hosts (see docs/control.md), or \"any\"" }, "limits of hosts that must not be tripped"),
    key("demand.written_at_least", rate(), "bytes written by the host over the time of the run"),
    key("demand.read_at_least", rate(), "bytes read by the host over the time of the run"),
    key("demand.amplification_at_most", keys::range(Unit::Thousandths, 0, 1_000_000_000), "bytes written to the medium for each byte of the host"),
    key("demand.drained_within", keys::time(TIME_MAX), "time from the last answer until the drive has nothing left to do, for workloads that let it drain"),
    key("demand.staging_down_to", PERCENT, "fill of the staging area that must be reached after the last answer, for workloads that let it drain"),
    only("demand.staging_down_within", "with staging_down_to", keys::time(TIME_MAX), "time for that"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_documentation_describes_exactly_the_known_keys_and_what_they_take() {
        MATRIX.assert_documented_in("docs/matrix.md");
    }
}
