//! Owns a summary as people read it. All numbers are those of the summary.

use std::fmt;

use super::Summary;
use crate::drive::request::Status;
use crate::host::account::Latencies;
use crate::lab::series::{Bucket, Series};
use crate::profile::quantity::Unit;
use crate::time::Duration;
use crate::units::{count, counted, nearest};

/// Rows of the table over time.
const ROWS_MAX: usize = 25;
/// Slow requests shown.
const SLOW_SHOWN: usize = 5;

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let capacity = Unit::Bytes.format(self.capacity_bytes);
        let seed = self.seed.map(|seed| format!(", seed {seed}"));
        writeln!(
            f,
            "{} ({capacity}), workload {}{}",
            self.profile,
            self.workload,
            seed.unwrap_or_default()
        )?;
        let took = Duration(self.answered_ns);
        writeln!(
            f,
            "{} answered in {took} of model time",
            counted(self.answered, "request")
        )?;
        if let Some(drained_ns) = self.drained_ns {
            let rest = Duration(drained_ns.saturating_sub(self.answered_ns));
            writeln!(f, "nothing left to do {rest} after the last answer")?;
        }
        if let Some(ns) = self.room_ran_out_ns {
            let at = Duration(ns);
            writeln!(
                f,
                "requests waited for room from {at} on: the staging area was full"
            )?;
        }
        if let Some(words) = self.reads_unwritten.words() {
            writeln!(f, "{words}")?;
        }
        self.write_latencies(f)?;
        self.write_causes(f)?;
        self.write_purposes(f)?;
        write_end(f, &self.status)?;
        self.write_limits(f)?;
        self.write_slow(f)?;
        write_series(f, &self.over_time)
    }
}

impl Summary {
    /// What a host can know of the run: latencies, and nothing of what happened inside.
    pub fn latencies(&self) -> String {
        struct Latencies<'s>(&'s Summary);
        impl fmt::Display for Latencies<'_> {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let Latencies(summary) = self;
                let took = Duration(summary.answered_ns);
                writeln!(
                    f,
                    "{}, workload {}: {} answered in {took} of model time",
                    summary.profile,
                    summary.workload,
                    counted(summary.answered, "request")
                )?;
                summary.write_latencies(f)
            }
        }
        Latencies(self).to_string()
    }

    fn write_latencies(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\n{:<14}{:>10}{:>11}{:>11}{:>11}{:>11}{:>11}",
            "latency", "answered", "50%", "90%", "99%", "99.9%", "longest"
        )?;
        for kind in &self.operations {
            write_row(f, kind.operation, kind)?;
        }
        for stream in &self.streams {
            writeln!(f, "{}", stream.stream)?;
            for kind in &stream.operations {
                write_row(f, &format!("  {}", kind.operation), kind)?;
            }
        }
        Ok(())
    }

    fn write_causes(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let total: u64 = self.causes.parts().iter().map(|(_, ns)| ns).sum();
        writeln!(f, "\nwhere the time of the requests went")?;
        for (cause, ns) in self.causes.parts().into_iter().filter(|(_, ns)| *ns > 0) {
            writeln!(
                f,
                "  {cause:<24}{:>12}{:>8}",
                Duration(ns).to_string(),
                share(ns, total)
            )?;
        }
        Ok(())
    }

    fn write_purposes(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let total: u64 = self.purposes.iter().map(|purpose| purpose.arm_ns).sum();
        writeln!(f, "\nwhat the arm did")?;
        let used = self.purposes.iter().filter(|p| p.arm_ns > 0 || p.bytes > 0);
        for purpose in used {
            writeln!(
                f,
                "  {:<24}{:>12}{:>8}{:>12}",
                purpose.purpose,
                Duration(purpose.arm_ns).to_string(),
                share(purpose.arm_ns, total),
                rounded(purpose.bytes)
            )?;
        }
        if let Some(milli) = self.write_amplification_milli {
            writeln!(
                f,
                "  written {} for {} of the host: write amplification {}.{:02}",
                rounded(self.medium_written_bytes),
                rounded(self.host_written_bytes),
                milli / 1000,
                milli % 1000 / 10
            )?;
        }
        Ok(())
    }

    fn write_limits(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for tripped in self.host_limits.iter().filter(|each| each.trips > 0) {
            let limit = Duration(tripped.limit_ns);
            let (name, times) = (tripped.limit, counted(tripped.trips, "time"));
            writeln!(f, "limit of hosts {name} ({limit}): tripped {times}")?;
        }
        Ok(())
    }

    fn write_slow(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(stall) = &self.longest_stall {
            writeln!(
                f,
                "\nlongest time without an answer: {} from {} on: {}",
                Duration(stall.took_ns),
                Duration(stall.from_ns),
                stall.cause
            )?;
        }
        for slow in self.slowest.iter().take(SLOW_SHOWN) {
            writeln!(
                f,
                "  {} of {} at {} took {}: {}",
                slow.operation,
                rounded(slow.bytes),
                Duration(slow.arrived_ns),
                Duration(slow.took_ns),
                slow.cause
            )?;
        }
        Ok(())
    }
}

fn write_row(f: &mut fmt::Formatter<'_>, what: &str, kind: &Latencies) -> fmt::Result {
    write!(f, "{what:<14}{:>10}", kind.count)?;
    for ns in [
        kind.p50_ns,
        kind.p90_ns,
        kind.p99_ns,
        kind.p999_ns,
        kind.max_ns,
    ] {
        write!(f, "{:>11}", Duration(ns).to_string())?;
    }
    writeln!(f)
}

fn write_end(f: &mut fmt::Formatter<'_>, status: &Status) -> fmt::Result {
    let counters = &status.counters;
    if status.staging_slots == 0 {
        return Ok(());
    }
    writeln!(
        f,
        "\nat the end {} of {} slots and {} of {} extents are in use, {}",
        status.staging_slots_used,
        status.staging_slots,
        status.extents_used,
        status.extents,
        counted(status.dirty_bands, "dirty band")
    )?;
    writeln!(
        f,
        "log entries {}, merges of the map {}, bands cleaned {} ({} while a request waited)",
        counters.entries,
        counters.merges,
        counters.bands_cleaned,
        counters.bands_cleaned_foreground
    )
}

fn write_series(f: &mut fmt::Formatter<'_>, series: &Series) -> fmt::Result {
    let group = series.buckets.len().div_ceil(ROWS_MAX).max(1);
    let row_ns = series.bucket_ns * count(group);
    writeln!(
        f,
        "\n{:>10}{:>12}{:>14}{:>14}{:>11}{:>9}{:>8}",
        "from", "requests/s", "read/s", "written/s", "slowest", "slots", "dirty"
    )?;
    for (row, buckets) in (0..).zip(series.buckets.chunks(group)) {
        let sum = |part: fn(&Bucket) -> u64| buckets.iter().map(part).sum::<u64>();
        let ns = series.bucket_ns * count(buckets.len());
        let slowest = buckets.iter().map(|bucket| bucket.slowest_ns).max();
        let level = buckets
            .last()
            .map(|bucket| bucket.level)
            .unwrap_or_default();
        writeln!(
            f,
            "{:>10}{:>12}{:>14}{:>14}{:>11}{:>9}{:>8}",
            Duration(row_ns * row).to_string(),
            per_second(sum(|bucket| bucket.answered), ns),
            rounded(per_second(sum(|bucket| bucket.read_bytes), ns)),
            rounded(per_second(sum(|bucket| bucket.written_bytes), ns)),
            Duration(slowest.unwrap_or(0)).to_string(),
            level.staging_slots_used,
            level.dirty_bands
        )?;
    }
    Ok(())
}

fn per_second(value: u64, ns: u64) -> u64 {
    let rate = u128::from(value) * 1_000_000_000 / u128::from(ns.max(1));
    u64::try_from(rate).unwrap_or(u64::MAX)
}

/// A share in percent with one decimal, rounded to the nearest.
fn share(part: u64, whole: u64) -> String {
    let milli = nearest(part, whole, 1000);
    format!("{}.{}%", milli / 10, milli % 10)
}

/// Bytes with three digits, rounded to the nearest.
fn rounded(bytes: u64) -> String {
    let units = [
        ("TB", 1_000_000_000_000),
        ("GB", 1_000_000_000),
        ("MB", 1_000_000),
        ("kB", 1_000),
    ];
    match units.into_iter().find(|(_, worth)| bytes >= *worth) {
        None => format!("{bytes} B"),
        Some((unit, worth)) => match (nearest(bytes, worth, 100), nearest(bytes, worth, 10)) {
            (hundredths @ ..1000, _) => {
                format!("{}.{:02} {unit}", hundredths / 100, hundredths % 100)
            }
            (_, tenths @ ..1000) => format!("{}.{} {unit}", tenths / 10, tenths % 10),
            _ => format!("{} {unit}", nearest(bytes, worth, 1)),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_and_shares_are_rounded_to_the_nearest() {
        let check = |bytes, words: &str| assert_eq!(rounded(bytes), words);
        check(0, "0 B");
        check(999, "999 B");
        check(4_096, "4.10 kB");
        check(9_994, "9.99 kB");
        check(9_996, "10.0 kB");
        check(65_536, "65.5 kB");
        check(99_960, "100 kB");
        check(1_048_576, "1.05 MB");
        check(u64::MAX, "18446744 TB");
        // 1/64 is 1.5625 %, 683/10,680 is 6.395 %.
        assert_eq!(share(1, 64), "1.6%");
        assert_eq!(share(683, 10_680), "6.4%");
        assert_eq!(share(0, 0), "0.0%");
        assert_eq!(share(u64::MAX, u64::MAX), "100.0%");
    }
}
