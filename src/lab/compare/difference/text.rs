//! Owns how a comparison is told to people.
//!
//! Every number in it is in the comparison; nothing is worked out here but shares.

use std::fmt;

use indicatif::BinaryBytes;

use super::{By, Comparison, Difference, OfRange, Side, Units, Verdict};
use crate::lab::summary::Unwritten;
use crate::time::Duration;
use crate::units::counted;

/// Ranges shown; all of them are in the machine-readable output.
const RANGES_SHOWN: usize = 10;

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (letter, side) in [("A", &self.a), ("B", &self.b)] {
            write_side(f, letter, side)?;
        }
        writeln!(f, "\n{}", self.sentence())?;
        self.write_mix(f)?;
        for told in &self.operations {
            match told.verdict {
                Verdict::NotKnown => writeln!(f, "\n{}", told.operation)?,
                verdict => writeln!(f, "\n{} ({})", told.operation, words(verdict))?,
            }
            let counts = [("requests", told.count), ("bytes", told.bytes)];
            for (name, difference) in counts {
                row(f, name, difference, |value| value.to_string())?;
            }
            let times = [
                ("mean", told.mean_ns),
                ("median", told.p50_ns),
                ("90 %", told.p90_ns),
                ("99 %", told.p99_ns),
                ("longest", told.max_ns),
                ("total", told.total_ns),
            ];
            for (name, difference) in times {
                row(f, name, difference, time)?;
            }
            row(f, "bytes/s", told.bytes_per_s, |value| value.to_string())?;
        }
        if self.verdict == Verdict::NotKnown {
            // Without times there is nothing that adds up to their difference.
            return Ok(());
        }
        self.write_parts(f)?;
        write_ranges(f, "addresses", &self.ranges)?;
        write_ranges(f, "structures", &self.structures)
    }
}

impl Comparison {
    fn write_parts(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(words) = self.unknown_words() {
            return writeln!(f, "\n{words}");
        }
        writeln!(f, "\nwhere the difference of the total time comes from")?;
        let differ = self
            .parts
            .iter()
            .filter(|part| part.total_ns.a != Some(0) || part.total_ns.b != Some(0));
        for part in differ {
            row(f, part.part, part.total_ns, time)?;
        }
        Ok(())
    }

    fn sentence(&self) -> String {
        if let (Verdict::NotKnown, Some(words)) = (self.verdict, self.unknown_words()) {
            return words;
        }
        let by = match self.by {
            By::Mean => "mean",
            By::Median => "median",
            By::P90 => "90 % limit",
            By::P99 => "99 % limit",
        };
        let from = match self.method.units {
            Units::Stretches => format!("from {} stretches of time", self.method.count),
            Units::Runs => format!("from {} pairs of runs", self.method.count),
            Units::None => {
                return format!(
                    "B and A cannot be told apart: for an interval there are too few requests, or runs \
                     (1 or at least {})",
                    super::RUNS_MIN
                );
            }
        };
        let percent = self.method.confidence_percent;
        let verdict = words(self.verdict);
        let of = match self.alike {
            None => "of all requests",
            Some(_) => "of all requests, each operation counted alike on both sides",
        };
        format!("B {verdict} by the {by} latency {of} ({percent} % interval {from})")
    }

    /// What follows from not having asked for the same.
    fn write_mix(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.a.answered != self.b.answered {
            let words =
                "A and B did not ask for the same number of things: sums differ for that reason";
            writeln!(f, "{words}")?;
        }
        let Some(alike) = &self.alike else {
            return Ok(());
        };
        if !alike.left_out.is_empty() {
            let left_out = alike.left_out.join(", ");
            writeln!(
                f,
                "not asked for in every run of both sides, and not judged: {left_out}"
            )?;
        }
        if alike.mean_ns.a.is_none() {
            return writeln!(
                f,
                "A and B have no operation in common: there is nothing to judge"
            );
        }
        let verdict = words(alike.verdict);
        writeln!(
            f,
            "\nall, as if both had the same mix of operations ({verdict})"
        )?;
        for (name, difference) in [
            ("mean", alike.mean_ns),
            ("median", alike.p50_ns),
            ("90 %", alike.p90_ns),
            ("99 %", alike.p99_ns),
        ] {
            row(f, name, difference, time)?;
        }
        Ok(())
    }
}

fn words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Faster => "is faster than A",
        Verdict::Slower => "is slower than A",
        Verdict::CannotBeToldApart => "cannot be told apart from A",
        Verdict::NotKnown => "may be faster or slower than A",
    }
}

fn write_side(f: &mut fmt::Formatter<'_>, letter: &str, side: &Side) -> fmt::Result {
    let runs = match side.runs {
        1 => String::new(),
        runs => format!(" in {runs} runs"),
    };
    writeln!(
        f,
        "{letter}  {}: {}{runs}",
        side.name,
        counted(side.answered, "request")
    )?;
    if let Some(lag) = &side.lag {
        writeln!(f, "   lag: {lag}")?;
    }
    match side.reads_unwritten.and_then(Unwritten::words) {
        Some(words) => writeln!(f, "   {words}"),
        None => Ok(()),
    }
}

fn row(
    f: &mut fmt::Formatter<'_>,
    name: &str,
    difference: Difference,
    show: impl Fn(i64) -> String,
) -> fmt::Result {
    if difference.is_nothing() {
        return Ok(());
    }
    let side = |value: Option<i64>| value.map_or_else(|| "-".to_owned(), &show);
    let signed = |value: i64| signed(value, &show);
    let apart = difference.difference.map_or_else(|| "-".to_owned(), signed);
    write!(
        f,
        "  {name:<12}{:>14}{:>14}{apart:>15}",
        side(difference.a),
        side(difference.b)
    )?;
    if let Some((low, high)) = difference.low.zip(difference.high) {
        write!(f, "   {} to {}", signed(low), signed(high))?;
    }
    writeln!(f)
}

fn write_ranges(f: &mut fmt::Formatter<'_>, what: &str, ranges: &[OfRange]) -> fmt::Result {
    if ranges.is_empty() {
        return Ok(());
    }
    let differ = ranges
        .iter()
        .filter(|range| range.total_ns.difference != Some(0));
    let mut sorted: Vec<&OfRange> = differ.collect();
    if sorted.is_empty() {
        return writeln!(f, "\n{what}: none differs in its total time");
    }
    sorted.sort_by_key(|range| {
        let apart = range.total_ns.difference.unwrap_or(0).unsigned_abs();
        (std::cmp::Reverse(apart), range.range.start_bytes)
    });
    writeln!(f, "\n{what} with the largest differences of the total time")?;
    for range in sorted.iter().take(RANGES_SHOWN) {
        let apart = range.total_ns.difference.unwrap_or(0);
        write!(f, "  {:<34}{:>15}", label(range), signed(apart, time))?;
        if let Some((mostly, ns)) = range.mostly.zip(range.mostly_ns) {
            write!(f, "   mostly {mostly} ({})", signed(ns, time))?;
        }
        writeln!(f)?;
    }
    match sorted.len().saturating_sub(RANGES_SHOWN) {
        0 => Ok(()),
        more => writeln!(f, "  and {more} more"),
    }
}

/// Ranges of equal width have no name but where they lie.
fn label(range: &OfRange) -> String {
    let own = &range.range;
    if own.name == format!("{} to {}", own.start_bytes, own.end_bytes) {
        let (start, end) = (BinaryBytes(own.start_bytes), BinaryBytes(own.end_bytes));
        return format!("{start} to {end}");
    }
    own.name.clone()
}

fn signed(value: i64, show: impl Fn(i64) -> String) -> String {
    let sign = if value < 0 { "-" } else { "+" };
    format!("{sign}{}", show(value.abs()))
}

fn time(ns: i64) -> String {
    Duration(u64::try_from(ns).unwrap_or(0)).to_string()
}
