//! Owns the account of a session: one page for people, one JSON object for programs.
//!
//! Everything in it was counted by the drive and its thread; only ratios are computed here.

use std::fmt::Write as _;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration as RealTime;

use indicatif::BinaryBytes;
use serde_json::{Map, Value, json};

use super::exit::OutputError;
use crate::drive::request::Counters;
use crate::host::account::Account;
use crate::host::owner::Stopped;
use crate::lab::summary::Unwritten;
use crate::medium::movement::Purpose;
use crate::time::Duration;
use crate::translation::recovery::Report;
use crate::units::{count, counted};

/// Purposes for which the head writes.
const WRITES: [Purpose; 7] = [
    Purpose::HostWrite,
    Purpose::Bypass,
    Purpose::Stage,
    Purpose::OutOfBand,
    Purpose::MapMerge,
    Purpose::CleanCopy,
    Purpose::CleanWrite,
];

/// Notes of faults on request that the page lists.
const NOTES_SHOWN: usize = 40;

/// What is known of a session besides what was counted.
pub(super) struct Session {
    /// The image.
    pub(super) image: PathBuf,
    /// Its identity.
    pub(super) id: String,
    /// Name of the profile.
    pub(super) profile: String,
    /// Whether answers wait for their moment.
    pub(super) paced: bool,
    /// The pace, in words.
    pub(super) pace: String,
    /// The mover.
    pub(super) mover: &'static str,
    /// Whether the drive is sealed: then only what a host can know is told.
    pub(super) sealed: bool,
    /// What opening found.
    pub(super) recovery: Report,
    /// How long it took.
    pub(super) real: RealTime,
}

/// The file that the account is written to, opened before anything is written to the image: who
/// learns at the end of a long session that there is no such folder has lost its account.
pub(super) struct AccountFile {
    path: PathBuf,
    file: File,
}

impl AccountFile {
    /// What the file holds stays until there is something to replace it.
    pub(super) fn open(path: &Path) -> anyhow::Result<AccountFile> {
        let mut options = File::options();
        let opened = options.write(true).create(true).truncate(false).open(path);
        let file = opened.map_err(unwritten(path))?;
        let path = path.to_owned();
        Ok(AccountFile { path, file })
    }

    pub(super) fn write(mut self, account: &Value) -> anyhow::Result<()> {
        // Not everything that can be written to has a length: a pipe has none.
        let emptied = match self.file.metadata() {
            Ok(found) if found.is_file() => self.file.set_len(0),
            other => other.map(drop),
        };
        emptied
            .and_then(|()| writeln!(self.file, "{account:#}"))
            .map_err(unwritten(&self.path))?;
        Ok(())
    }
}

fn unwritten(path: &Path) -> impl FnOnce(std::io::Error) -> OutputError {
    OutputError::of(format!("the account to {}", path.display()))
}

/// The page.
pub(super) fn words(session: &Session, stopped: &Stopped) -> String {
    let (status, counters) = (&stopped.status, &stopped.status.counters);
    let mut text = format!(
        "\nserved {} ({}) for {} of its time, {:.1} s of ours; pace: {}\n",
        session.image.display(),
        session.profile,
        Duration(status.at_ns),
        session.real.as_secs_f64(),
        session.pace
    );
    write_host(&mut text, counters);
    if session.sealed {
        write_latencies(&mut text, &stopped.account);
        write_lag(&mut text, session, stopped);
        return text;
    }
    write_medium(&mut text, counters);
    let _ = writeln!(
        text,
        "cleaning    {}, {} of them while the host waited; {} dirty, {} of {} slots in use",
        counted(counters.bands_cleaned, "band"),
        counters.bands_cleaned_foreground,
        counted(status.dirty_bands, "band"),
        status.staging_slots_used,
        status.staging_slots
    );
    write_latencies(&mut text, &stopped.account);
    write_slowest(&mut text, &stopped.account);
    let tally = &stopped.tally;
    let _ = writeln!(
        text,
        "image file  {}, {}, {} zeroed, {} ({})",
        counted(tally.reads, "read"),
        counted(tally.writes, "write"),
        counted(tally.zeroes, "range"),
        counted(tally.syncs, "sync"),
        session.mover
    );
    write_faults(&mut text, &stopped.account);
    write_limits(&mut text, &stopped.account);
    write_lag(&mut text, session, stopped);
    text
}

fn write_lag(text: &mut String, session: &Session, stopped: &Stopped) {
    if session.paced {
        let _ = writeln!(text, "lag         {}", stopped.account.lag_words());
    }
}

/// The object of a sealed drive: what a host can know.
fn discreet_value(session: &Session, stopped: &Stopped, failed: bool) -> Value {
    let account = &stopped.account;
    let counters = &stopped.status.counters;
    json!({
        "imbrex": env!("CARGO_PKG_VERSION"),
        "image": session.image,
        "id": session.id,
        "profile": session.profile,
        "sealed": true,
        "pace": session.pace,
        "failed": failed,
        "real_s": session.real.as_secs_f64(),
        "at_ns": stopped.status.at_ns,
        "host": {
            "reads": counters.host_reads,
            "writes": counters.host_writes,
            "flushes": counters.host_flushes,
            "trims": counters.host_trims,
            "zeroes": counters.host_zeroes,
            "read_bytes": counters.host_read_bytes,
            "written_bytes": counters.host_written_bytes,
        },
        "latencies": account.kinds,
        "late": account.late,
        "lag_ns_max": account.lag_ns_max,
        "lag_ns_sum": account.lag_ns_sum,
        "turn_ns_max": account.turn_ns_max,
    })
}

/// The object. `failed`: why the drive did, if it did.
pub(super) fn value(session: &Session, stopped: &Stopped, failed: Option<&str>) -> Value {
    if session.sealed {
        return discreet_value(session, stopped, failed.is_some());
    }
    let counters = &stopped.status.counters;
    let medium: Map<String, Value> = Purpose::ALL
        .into_iter()
        .zip(counters.medium_bytes.iter().zip(&counters.medium_ns))
        .map(|(purpose, (bytes, ns))| {
            (
                purpose.word().to_owned(),
                json!({ "bytes": bytes, "ns": ns }),
            )
        })
        .collect();
    json!({
        "imbrex": env!("CARGO_PKG_VERSION"),
        "image": session.image,
        "id": session.id,
        "profile": session.profile,
        "pace": session.pace,
        "mover": session.mover,
        "failed": failed,
        "real_s": session.real.as_secs_f64(),
        "recovery": session.recovery,
        "write_amplification": amplification(counters),
        "medium": medium,
        "status": stopped.status,
        "account": stopped.account,
        "image_file": stopped.tally,
    })
}

/// Bytes that the head wrote for each byte that the host wrote; none where the host wrote nothing.
fn amplification(counters: &Counters) -> Option<f64> {
    let [written, host] = [written_bytes(counters), counters.host_written_bytes].map(as_float);
    (counters.host_written_bytes > 0).then(|| written / host)
}

fn written_bytes(counters: &Counters) -> u64 {
    let purposes = Purpose::ALL.into_iter().zip(counters.medium_bytes);
    purposes
        .filter(|(purpose, _)| WRITES.contains(purpose))
        .map(|(_, bytes)| bytes)
        .sum()
}

/// Exact up to 2^53, and close enough for a ratio beyond.
fn as_float(value: u64) -> f64 {
    let [high, low] = [value >> 32, value & u64::from(u32::MAX)]
        .map(|half| f64::from(u32::try_from(half).expect("half of 64 bits")));
    high * 4_294_967_296.0 + low
}

fn write_host(text: &mut String, counters: &Counters) {
    let _ = writeln!(
        text,
        "host        read {} in {}, wrote {} in {}, {}, {}, {}",
        BinaryBytes(counters.host_read_bytes),
        counted(counters.host_reads, "request"),
        BinaryBytes(counters.host_written_bytes),
        counters.host_writes,
        counted(counters.host_flushes, "flush"),
        counted(counters.host_trims, "trim"),
        counted(counters.host_zeroes, "zeroing")
    );
    if let Some(words) = Unwritten::of(counters).told() {
        let _ = writeln!(text, "            {words}");
    }
}

fn write_medium(text: &mut String, counters: &Counters) {
    let _ = writeln!(
        text,
        "drive       {:<14}{:>12}  {:>10}",
        "purpose", "bytes", "arm time"
    );
    for ((purpose, bytes), ns) in Purpose::ALL
        .into_iter()
        .zip(counters.medium_bytes)
        .zip(counters.medium_ns)
    {
        if bytes > 0 || ns > 0 {
            let (bytes, time) = (BinaryBytes(bytes).to_string(), Duration(ns).to_string());
            let _ = writeln!(
                text,
                "            {:<14}{bytes:>12}  {time:>10}",
                purpose.word()
            );
        }
    }
    if let Some(factor) = amplification(counters) {
        let _ = writeln!(
            text,
            "            wrote {} in all: {factor:.2} bytes for each byte of the host (write amplification)",
            BinaryBytes(written_bytes(counters))
        );
    }
}

fn write_faults(text: &mut String, account: &Account) {
    for (turn, note) in account.faults.iter().take(NOTES_SHOWN).enumerate() {
        let _ = writeln!(
            text,
            "{:<12}{}: fault {}: {}",
            if turn == 0 { "on request" } else { "" },
            Duration(note.at_ns),
            note.fault,
            note.what
        );
    }
    let shown = account.faults_noted.min(count(NOTES_SHOWN));
    if account.faults_noted > shown {
        let more = account.faults_noted - shown;
        let _ = writeln!(
            text,
            "            and {more} times more, by faults on request"
        );
    }
}

fn write_limits(text: &mut String, account: &Account) {
    let tripped = account.limits.iter().filter(|limit| limit.trips > 0);
    for (turn, limit) in tripped.enumerate() {
        let dropped = limit.dropped_ns.map_or_else(String::new, |at| {
            format!("; the drive would have been dropped at {}", Duration(at))
        });
        let first = limit.first.first().map_or_else(String::new, |trip| {
            format!(
                "; the first was a {} at {}: {}",
                trip.operation,
                Duration(trip.arrived_ns),
                trip.cause
            )
        });
        let _ = writeln!(
            text,
            "{:<12}{} ({}) tripped {}{dropped}{first}",
            if turn == 0 { "host limits" } else { "" },
            limit.limit,
            Duration(limit.limit_ns),
            counted(limit.trips, "time")
        );
    }
}

fn write_latencies(text: &mut String, account: &Account) {
    let _ = writeln!(
        text,
        "latency     {:<14}{:>8}{:>11}{:>11}{:>11}{:>11}",
        "request", "count", "median", "90 %", "99 %", "longest"
    );
    for kind in account.kinds.iter().filter(|kind| kind.count > 0) {
        let [p50, p90, p99, max] =
            [kind.p50_ns, kind.p90_ns, kind.p99_ns, kind.max_ns].map(|ns| Duration(ns).to_string());
        let _ = writeln!(
            text,
            "            {:<14}{:>8}{p50:>11}{p90:>11}{p99:>11}{max:>11}",
            kind.operation, kind.count
        );
    }
    if account.failed_at_limits > 0 {
        let _ = writeln!(
            text,
            "            {} more had no answer within an enforced limit and were failed (see host limits)",
            account.failed_at_limits
        );
    }
}

fn write_slowest(text: &mut String, account: &Account) {
    for (turn, slow) in account.slowest.iter().enumerate() {
        let place = match slow.bytes {
            // A flush is of everything and nowhere.
            0 => String::new(),
            bytes => format!(" of {} at byte {}", BinaryBytes(bytes), slow.offset),
        };
        let _ = writeln!(
            text,
            "{:<12}{}{place} took {}: {}",
            if turn == 0 { "slowest" } else { "" },
            slow.operation,
            Duration(slow.took_ns),
            slow.cause
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amplification_counts_what_the_head_writes_and_nothing_it_reads() {
        let mut counters = Counters {
            host_written_bytes: 1000,
            ..Counters::default()
        };
        for (bytes, purpose) in counters.medium_bytes.iter_mut().zip(Purpose::ALL) {
            *bytes = match purpose {
                Purpose::Stage => 1000,
                Purpose::CleanWrite => 1500,
                Purpose::CleanRead | Purpose::HostRead | Purpose::ReadAhead => 7777,
                _ => 0,
            };
        }
        assert_eq!(amplification(&counters), Some(2.5));
        assert_eq!(amplification(&Counters::default()), None);
    }

    #[test]
    fn large_counts_survive_as_floats() {
        for value in [0, 1, (1 << 40) + 12345, 1 << 52] {
            assert_eq!(format!("{:.0}", as_float(value)), value.to_string());
        }
    }
}
