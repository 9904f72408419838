//! Owns workloads that are made from rates only: what iostat prints, as text or JSON.
//!
//! Where requests went is not in there, nor when each came: the workload is synthetic and says so in its
//! name and its comments.

use std::fmt::Write as _;
use std::io::Read;

use serde_json::Value;

use super::clock;
use super::number::decimal;
use super::opening::{self, TextError};
use crate::profile::quantity::Unit;
use crate::units::{count, counted};

/// Longest text that is read: days of seconds.
pub const TEXT_BYTES_MAX: u64 = 1 << 28;
/// Parts of a day that a workload has at most.
const PARTS_MAX: u64 = 96;
const PERCENT_MAX: u128 = 1000;

/// Rates of one report, in thousandths a second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rates {
    /// Reads, writes, discards and flushes.
    requests: [u64; 4],
    /// KiB of reads, writes and discards; of no flush.
    kib: [u64; 4],
}

/// Why rates cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RatesError {
    /// No such table.
    #[error(
        "there is no report of iostat in it: neither a line that begins with \"Device\" nor JSON with \"disk\""
    )]
    NoReport,
    /// Not of that drive.
    #[error("no report of the drive {wanted}; there are: {known}")]
    NoSuchDrive {
        /// What was asked for.
        wanted: String,
        /// What there is.
        known: String,
    },
    /// Sizes in another unit.
    #[error("the columns {columns} are not in kB; run iostat with -k")]
    OtherUnit {
        /// The head of the table.
        columns: String,
    },
    /// Nothing happened.
    #[error(
        "nothing was asked of {drive} in {} (drives there are: {known}; --device NAME takes another)",
        counted(*.reports, "report")
    )]
    Idle {
        /// The drive.
        drive: String,
        /// Reports.
        reports: u64,
        /// Drives there are.
        known: String,
    },
}

/// What was understood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Synthetic {
    /// The workload, as TOML.
    pub toml: String,
    /// The drive that was taken.
    pub drive: String,
    /// All drives there are.
    pub drives: Vec<String>,
    /// Time from one report to the next.
    pub interval_ns: u64,
    /// How that is known.
    pub interval_from: IntervalFrom,
    /// Reports that were used; the first one, which speaks of the time since the machine began, is not
    /// one of them where there are more.
    pub reports: u64,
}

/// How the time from one report to the next is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IntervalFrom {
    /// It was given.
    Given,
    /// From the times in the text.
    Times,
    /// It is not known: a second, as is usual.
    Assumed,
}

/// What is assumed where nothing tells.
const INTERVAL_ASSUMED_NS: u64 = 1_000_000_000;

/// Drives and their rates in order of the text, and the times of day of its reports, in seconds.
#[derive(Default)]
struct Found {
    rates: Vec<(String, Rates)>,
    times_s: Vec<u64>,
}

const NAMES: [&str; 4] = ["reads", "writes", "discards", "flushes"];
const KEYS: [&str; 4] = ["read", "write", "trim", "flush"];

/// Makes a workload from reports that are `interval_ns` apart; where that is not given, as far apart as their
/// times say. Without `device` the first drive is taken that is no loop device and none in memory, if there is one.
///
/// # Errors
/// See [`RatesError`].
pub fn workload(
    text: &str,
    device: Option<&str>,
    interval_ns: Option<u64>,
) -> Result<Synthetic, RatesError> {
    let found = match serde_json::from_str(text) {
        Ok(value) => from_json(&value),
        Err(_) => from_text(text)?,
    };
    let mut drives: Vec<String> = Vec::new();
    for (name, _) in &found.rates {
        if !drives.contains(name) {
            drives.push(name.clone());
        }
    }
    let real = drives.iter().find(|name| !is_stand_in(name));
    let first = real.or(drives.first()).ok_or(RatesError::NoReport)?;
    let drive = device.unwrap_or(first).to_owned();
    let mine = found.rates.into_iter().filter(|(name, _)| *name == drive);
    let mut rates: Vec<Rates> = mine.map(|(_, rates)| rates).collect();
    if rates.is_empty() {
        return Err(RatesError::NoSuchDrive {
            wanted: drive,
            known: drives.join(", "),
        });
    }
    if rates.len() > 1 {
        rates.remove(0);
    }
    let reports = count(rates.len());
    let (interval_ns, interval_from) = match (interval_ns, clock::apart_ns(&found.times_s)) {
        (Some(given), _) => (given, IntervalFrom::Given),
        (None, Some(told)) => (told, IntervalFrom::Times),
        (None, None) => (INTERVAL_ASSUMED_NS, IntervalFrom::Assumed),
    };
    let toml = to_toml(&drive, &rates, interval_ns);
    let toml = toml.ok_or_else(|| RatesError::Idle {
        drive: drive.clone(),
        reports,
        known: drives.join(", "),
    })?;
    Ok(Synthetic {
        toml,
        drive,
        drives,
        interval_ns,
        interval_from,
        reports,
    })
}

/// Whether a drive of this name is a file or memory.
fn is_stand_in(name: &str) -> bool {
    let numbered = |kind: &str| {
        let number = name.strip_prefix(kind);
        number.is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
    };
    ["loop", "ram", "zram"].into_iter().any(numbered)
}

/// The text of a file of reports.
///
/// # Errors
/// If it cannot be read, is no text, or is too long.
pub fn text_of(from: impl Read + 'static) -> Result<String, TextError> {
    let mut text = String::new();
    let mut from = opening::open(from)?.take(TEXT_BYTES_MAX + 1);
    from.read_to_string(&mut text)?;
    if count(text.len()) > TEXT_BYTES_MAX {
        let bytes_max = TEXT_BYTES_MAX;
        return Err(TextError::TooLong { bytes_max });
    }
    Ok(text)
}

fn milli(text: &str) -> u64 {
    // With a comma where the machine's language has one.
    decimal(&text.replace(',', "."), 1000).unwrap_or(0)
}

fn from_json(value: &Value) -> Found {
    let list = |value: &Value, key: &str| value[key].as_array().cloned().unwrap_or_default();
    let mut found = Found::default();
    for host in list(&value["sysstat"], "hosts") {
        for report in list(&host, "statistics") {
            let time = report["timestamp"].as_str().and_then(clock::of_day_s);
            found.times_s.extend(time);
            for disk in list(&report, "disk") {
                let Some(name) = disk["disk_device"].as_str() else {
                    continue;
                };
                let get = |key: &str| disk.get(key).map(|value| milli(&value.to_string()));
                found.rates.push((name.to_owned(), rates(get)));
            }
        }
    }
    found
}

fn from_text(text: &str) -> Result<Found, RatesError> {
    let mut head: Option<Vec<&str>> = None;
    let mut found = Found::default();
    for line in text.lines() {
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        match words.first() {
            Some(first) if first.trim_end_matches(':') == "Device" => {
                if !words.iter().any(|word| word.contains("kB")) {
                    let columns = line.to_owned();
                    return Err(RatesError::OtherUnit { columns });
                }
                head = Some(words);
            }
            None => head = None,
            Some(name) => {
                let Some(head) = head.as_ref().filter(|head| head.len() == words.len()) else {
                    found.times_s.extend(clock::of_day_s(line));
                    continue;
                };
                let get = |key: &str| {
                    let at = head.iter().position(|word| *word == key)?;
                    Some(milli(words[at]))
                };
                found.rates.push(((*name).to_owned(), rates(get)));
            }
        }
    }
    if found.rates.is_empty() {
        return Err(RatesError::NoReport);
    }
    Ok(found)
}

/// Rates from the columns of the extended report, or else of the short one.
fn rates(get: impl Fn(&str) -> Option<u64>) -> Rates {
    let or_none = |key: &str| get(key).unwrap_or(0);
    if get("r/s").is_some() {
        return Rates {
            requests: ["r/s", "w/s", "d/s", "f/s"].map(or_none),
            kib: ["rkB/s", "wkB/s", "dkB/s", ""].map(or_none),
        };
    }
    // Transfers together: shared out by bytes.
    let kib = ["kB_read/s", "kB_wrtn/s", "kB_dscd/s", ""].map(or_none);
    let (all, transfers) = (kib.iter().sum::<u64>(), or_none("tps"));
    let share = |part: u64| {
        let wide = u128::from(transfers) * u128::from(part) / u128::from(all.max(1));
        u64::try_from(wide).unwrap_or(u64::MAX)
    };
    Rates {
        requests: kib.map(share),
        kib,
    }
}

fn to_toml(drive: &str, rates: &[Rates], interval_ns: u64) -> Option<String> {
    let reports = count(rates.len());
    let length_ns = interval_ns.saturating_mul(reports);
    let length = Unit::Nanoseconds.format(length_ns);
    // A comment of TOML holds no control characters.
    let drive = drive.escape_debug();
    let mut toml = format!(
        "# SYNTHETIC: made from {} of iostat for {drive}. They say how many requests came and how\n# large \
         they were on average, and nothing of where they went or when each came. Places are\n# uniform over \
         the drive, sizes all the same, arrivals independent: change what you know better.\n[workload]\n\
         name = \"synthetic, from rates\"\nduration = \"{length}\"\n",
        counted(reports, "report")
    );
    let mut any = false;
    for which in 0..4 {
        let sum: u128 = rates.iter().map(|r| u128::from(r.requests[which])).sum();
        let kib: u128 = rates.iter().map(|r| u128::from(r.kib[which])).sum();
        let mean = u64::try_from(sum / u128::from(reports)).unwrap_or(u64::MAX);
        // A stream has a thousandth of a request a second at least.
        if mean == 0 {
            continue;
        }
        any = true;
        let sectors = (kib * 2 / sum).clamp(1, 1 << 17);
        let _ = write!(
            toml,
            "\n[[stream]]\nname = \"{}\"\norder = \"uniform\"\nrequest = \"{} B\"\nalign = \"4 KiB\"\n{} = \
             \"100%\"\nper_second = {}\n",
            NAMES[which],
            sectors * 512,
            KEYS[which],
            Unit::Thousandths.format(mean),
        );
        if let Some(parts) = day(rates, which, sum) {
            let _ = write!(toml, "day = [{parts}]\nday_length = \"{length}\"\n");
        }
    }
    any.then_some(toml)
}

/// How a rate changes over the reports, in percent of its mean.
fn day(rates: &[Rates], which: usize, sum: u128) -> Option<String> {
    let reports = count(rates.len());
    let parts = reports.min(PARTS_MAX);
    if parts < 2 {
        return None;
    }
    let edge =
        |part: u64| usize::try_from(u128::from(reports) * u128::from(part) / u128::from(parts));
    let percents = (0..parts).map(|part| {
        let (from, to) = (edge(part).ok()?, edge(part + 1).ok()?);
        let inside: u128 = rates[from..to]
            .iter()
            .map(|r| u128::from(r.requests[which]))
            .sum();
        let whole = u128::from(count(to - from)) * sum;
        let percent = (inside * 100 * u128::from(reports) + whole / 2) / whole;
        Some(format!("\"{}%\"", percent.min(PERCENT_MAX)))
    });
    let all: Option<Vec<String>> = percents.collect();
    all.map(|all| all.join(", "))
}
