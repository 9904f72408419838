//! Owns the report of an import as people read it. All numbers are those of the report.

use std::fmt;

use super::Report;
use crate::profile::quantity::Unit;
use crate::time::Duration;
use crate::units::{counted, named};

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let span = Duration(self.span_ns);
        writeln!(
            f,
            "{} read, {} over {span}",
            counted(self.lines, "line"),
            counted(self.requests, "request")
        )?;
        self.write_kinds(f)?;
        writeln!(
            f,
            "the last byte asked for lies at {} ({})",
            self.end_bytes,
            binary(self.end_bytes)
        )?;
        for gaps in self.gaps.iter().filter(|gaps| gaps.count > 0) {
            let (from, all) = (Duration(gaps.from_ns), Duration(gaps.ns));
            writeln!(
                f,
                "nothing came for {from} or more: {}, {all} in all",
                counted(gaps.count, "time")
            )?;
        }
        let known = if self.answers_known {
            "known: think times are the trace's"
        } else {
            "not known: between two requests only the time from one to the next is"
        };
        writeln!(f, "how long requests took is {known}")?;
        if self.drives.len() > 1 {
            let taken = self.drive.as_deref().unwrap_or_default();
            writeln!(
                f,
                "the trace is of several drives; taken was {taken} (--device NAME takes another):"
            )?;
            for (name, requests) in self.drives.iter().take(20) {
                let noun = named(*requests, "request");
                writeln!(f, "  {name:<24}{requests:>12} {noun}")?;
            }
        }
        if !self.columns_unread.is_empty() {
            writeln!(f, "columns not read: {}", self.columns_unread.join(", "))?;
            if self.drives.is_empty() {
                writeln!(
                    f,
                    "  where one of these tells drives apart, name it: --columns ...,device=COLUMN"
                )?;
            }
        }
        for (what, lines) in &self.aside {
            writeln!(f, "left aside: {}, {what}", counted(*lines, "line"))?;
        }
        for (why, lines) in &self.bad {
            writeln!(f, "passed over: {}, {why}", counted(*lines, "line"))?;
        }
        for bad in &self.first_bad {
            writeln!(f, "  line {}: {}: {}", bad.line, bad.why, bad.text)?;
        }
        for warning in &self.warnings {
            writeln!(f, "warning: {warning}")?;
        }
        Ok(())
    }
}

impl Report {
    fn write_kinds(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<14}{:>12}{:>8}{:>12}{:>12}  sizes up to",
            "", "requests", "share", "bytes", "sequential"
        )?;
        for kind in &self.operations {
            let share = |part: u64, whole: u64| {
                let milli = u128::from(part) * 1000 / u128::from(whole.max(1));
                format!("{}.{} %", milli / 10, milli % 10)
            };
            let of_size = kind.sizes.iter();
            let sizes: Vec<String> = of_size
                .map(|(size, count)| format!("{} {}", binary(*size), share(*count, kind.requests)))
                .collect();
            writeln!(
                f,
                "{:<14}{:>12}{:>8}{:>12}{:>12}  {}",
                kind.operation,
                kind.requests,
                share(kind.requests, self.requests),
                binary(kind.bytes),
                share(kind.sequential, kind.requests),
                sizes.join(", ")
            )?;
            if kind.fua > 0 {
                writeln!(f, "  {} of these with FUA", kind.fua)?;
            }
        }
        Ok(())
    }
}

/// A size in few digits, rounded down.
fn binary(bytes: u64) -> String {
    let steps = [
        (1 << 40, "TiB"),
        (1 << 30, "GiB"),
        (1 << 20, "MiB"),
        (1 << 10, "KiB"),
    ];
    match steps.into_iter().find(|(worth, _)| bytes >= *worth) {
        Some((worth, unit)) if bytes.is_multiple_of(worth) => format!("{} {unit}", bytes / worth),
        Some((worth, unit)) => {
            let tenths = u128::from(bytes) * 10 / u128::from(worth);
            format!("{}.{} {unit}", tenths / 10, tenths % 10)
        }
        None => Unit::Bytes.format(bytes),
    }
}
