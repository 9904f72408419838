//! Owns the idle time of a forecast as people read it. Nothing is decided here.

use std::fmt::{self, Write as _};

use super::idle::Found;
use super::whole::{DriveForecast, IdleForecast};
use super::words::{Lines, spoken};

/// The idle time that was found, how it was tried, and whether a day has as much left.
pub(super) fn write_idle(
    lines: &mut Lines<'_, '_>,
    idle: &IdleForecast,
    drive: &DriveForecast,
) -> fmt::Result {
    const NAME: &str = "idle time needed a day";
    let centre = &idle.centre;
    let say = |value: Option<u64>| match value {
        Some(0) => "none".to_owned(),
        Some(ns) => spoken(ns),
        None => "more than a day".to_owned(),
    };
    lines.ranged(NAME, &idle.day_ns, &say)?;
    let days = centre.days;
    let mut words = String::new();
    match centre.found {
        Found::Nothing => {
            write!(
                words,
                "the load {days} times without a break keeps out of the slow mode"
            )?;
        }
        Found::Pauses {
            short_ns, each_ns, ..
        } => {
            let each = spoken(each_ns);
            let pauses = match centre.pauses {
                1 => format!("a pause of {each} after each"),
                pauses => format!("{pauses} pauses of {each} in each"),
            };
            let short = spoken(short_ns);
            write!(
                words,
                "tried: the load {days} times, {pauses}; with {short} requests wait for room"
            )?;
        }
        Found::More { tried_ns } => {
            let tried = spoken(tried_ns);
            let pauses = match centre.pauses {
                1 => format!("a pause of {tried} after each"),
                pauses => format!("{pauses} pauses in each, {tried} together"),
            };
            write!(words, "tried: the load {days} times, {pauses}")?;
        }
    }
    lines.line("", &words)?;
    match (centre.day_ns(), drive.finish_ns.centre) {
        (Some(0), _) | (_, None) => Ok(()),
        (needed, Some(finish)) => {
            let left = DAY_NS.saturating_sub(finish);
            let more = if needed.is_none_or(|needed| needed > left) {
                ": TOO LITTLE"
            } else {
                ""
            };
            let left = spoken(left);
            lines.line(
                "",
                &format!("a day with this load once has {left} left{more}"),
            )
        }
    }
}

const DAY_NS: u64 = 24 * 3600 * 1_000_000_000;
