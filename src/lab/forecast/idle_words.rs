//! Owns the idle time of a forecast as people read it. Nothing is decided here.

use std::fmt;

use super::idle::{Found, Idle};
use super::whole::{DriveForecast, IdleForecast};
use super::words::{Lines, spoken};

/// The idle time that was found, how it was tried, and whether a day has as much left.
pub(super) fn write_idle(
    lines: &mut Lines<'_, '_>,
    idle: &IdleForecast,
    drive: &DriveForecast,
) -> fmt::Result {
    let never = |with: &str| idle.never_enough_with.iter().any(|known| known == with);
    let say = |value: Option<u64>, with: &str| match value {
        Some(0) => "none".to_owned(),
        Some(ns) => spoken(ns),
        None if never(with) => "no idle time is enough".to_owned(),
        None => "more than a day".to_owned(),
    };
    lines.ranged_by("idle time needed a day", &idle.day_ns, &say)?;
    let centre = &idle.centre;
    if let Some(why) = why(centre) {
        lines.line("", &why)?;
    }
    lines.line("", &tried(centre))?;
    match drive.finish_ns.centre {
        Some(finish_ns) => write_left(lines, centre, finish_ns),
        None => Ok(()),
    }
}

/// Why no time of a day was enough.
fn why(idle: &Idle) -> Option<String> {
    match idle.found {
        Found::Nothing | Found::Pauses { .. } => None,
        Found::More { .. } => {
            Some("the load brings more than the drive can clean in a day".to_owned())
        }
        Found::Never {
            cleans_from_percent: Some(percent),
            ..
        } => Some(format!(
            "left alone the drive cleans only while {percent} % of the staging area or more are in use: what the \
             load brings until the next pause finds too little room beside what stays"
        )),
        Found::Never {
            cleans_from_percent: None,
            ..
        } => Some("the load brings more between two pauses than there is room for".to_owned()),
    }
}

fn tried(idle: &Idle) -> String {
    let days = idle.days;
    match idle.found {
        Found::Nothing => {
            format!("the load {days} times without a break keeps out of the slow mode")
        }
        Found::Pauses {
            short_ns, each_ns, ..
        } => {
            let each = spoken(each_ns);
            let pauses = match idle.pauses {
                1 => format!("a pause of {each} after each"),
                pauses => format!("{pauses} pauses of {each} in each"),
            };
            let short = spoken(short_ns);
            format!("tried: the load {days} times, {pauses}; with {short} requests wait for room")
        }
        Found::More { tried_ns } | Found::Never { tried_ns, .. } => {
            let tried = spoken(tried_ns);
            let pauses = match idle.pauses {
                1 => format!("a pause of {tried} after each"),
                pauses => format!("{pauses} pauses in each, {tried} together"),
            };
            format!("tried: the load {days} times, {pauses}")
        }
    }
}

/// What a day has left, where that matters.
fn write_left(lines: &mut Lines<'_, '_>, idle: &Idle, finish_ns: u64) -> fmt::Result {
    const DAY_NS: u64 = 24 * 3600 * 1_000_000_000;
    let left = DAY_NS.saturating_sub(finish_ns);
    let too_little = match idle.found {
        Found::Nothing | Found::Never { .. } => return Ok(()),
        Found::Pauses { day_ns, .. } => day_ns > left,
        Found::More { .. } => true,
    };
    let more = if too_little { ": TOO LITTLE" } else { "" };
    let left = spoken(left);
    lines.line(
        "",
        &format!("a day with this load once has {left} left{more}"),
    )
}
