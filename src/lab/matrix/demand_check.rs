//! Owns how the demands of a matrix are read.

use super::book::OPERATION;
use super::check::{Names, conflict, optional};
use super::demand::{Demand, Rank};
use super::spec::Pick;
use crate::host::time_limits::TimeLimit;
use crate::profile::reader::Reader;
use crate::time::Duration;

/// All limits of hosts.
const ANY: &str = "any";

pub(super) fn demands(reader: &mut Reader<'_>, names: &Names) -> Vec<(Pick, Demand)> {
    if !reader.has("demand") {
        return Vec::new();
    }
    let mut all = Vec::new();
    for at in 0..reader.items("demand") {
        let item = format!("demand[{at}]");
        let pick = names.pick(reader, &item);
        let before = all.len();
        let found = demands_of(reader, &item);
        all.extend(found.into_iter().map(|demand| (pick.clone(), demand)));
        if all.len() == before && !reader.has_failed("demand") {
            let allowed = "p99_at_most with operation, stall_at_most, trips_none_of, written_at_least, \
                           read_at_least, amplification_at_most, drained_within, staging_down_to";
            conflict(reader, &item, allowed, "it demands nothing");
        }
    }
    all
}

fn demands_of(reader: &mut Reader<'_>, item: &str) -> Vec<Demand> {
    let mut found = latencies(reader, item);
    let mut number = |leaf: &str| optional(reader, &format!("{item}.{leaf}"));
    let singles = [
        number("stall_at_most").map(|ns| Demand::Stall(Duration(ns))),
        number("written_at_least").map(Demand::Written),
        number("read_at_least").map(Demand::Read),
        number("amplification_at_most").map(Demand::Amplification),
        number("drained_within").map(|ns| Demand::Drained(Duration(ns))),
    ];
    found.extend(singles.into_iter().flatten());
    if let Some(percent) = number("staging_down_to") {
        let within = reader.time(&format!("{item}.staging_down_within"));
        found.push(Demand::StagingDown { percent, within });
    }
    let list = format!("{item}.trips_none_of");
    if reader.has(&list) {
        found.push(Demand::NoTrips(limits(reader, &list)));
    }
    found
}

fn latencies(reader: &mut Reader<'_>, item: &str) -> Vec<Demand> {
    let key = format!("{item}.operation");
    if !reader.has(&key) {
        return Vec::new();
    }
    let operation = reader.word(&key, OPERATION);
    let mut found = Vec::new();
    for rank in Rank::ALL {
        let key = format!("{item}.{}_at_most", rank.word());
        if let Some(ns) = optional(reader, &key) {
            found.push(Demand::Latency {
                operation,
                rank,
                at_most: Duration(ns),
            });
        }
    }
    if found.is_empty() && !reader.has_failed("demand") {
        let allowed = "p50_at_most, p90_at_most, p99_at_most, p999_at_most or longest_at_most too";
        conflict(
            reader,
            &key,
            allowed,
            "it says nothing of how long they may take",
        );
    }
    found
}

fn limits(reader: &mut Reader<'_>, list: &str) -> Vec<TimeLimit> {
    let mut limits = Vec::new();
    for (at, word) in reader.texts(list).iter().enumerate() {
        if word == ANY {
            limits = TimeLimit::ALL.to_vec();
            continue;
        }
        match word.parse() {
            Ok(limit) if limits.contains(&limit) => {}
            Ok(limit) => limits.push(limit),
            // What is no text was reported when it was read.
            Err(_) if word.is_empty() => {}
            Err(told) => {
                reader.tell(&format!("{list}[{at}]"), format!("{told}, or {ANY:?}"));
            }
        }
    }
    limits
}
