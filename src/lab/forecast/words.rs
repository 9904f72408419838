//! Owns a forecast as people read it. All numbers are those of the forecast; nothing is decided here.

use std::cmp::Ordering;
use std::fmt;

use super::help::{Came, Help};
use super::idle_words::write_idle;
use super::plan::CENTRE;
use super::trial::milli;
use super::verdict::Ranged;
use super::verdict_words::{judged, verdict_words, what_fits, write_why};
use super::whole::{DriveForecast, Forecast};
use crate::profile::quantity::Unit;
use crate::time::Duration;
use crate::units::counted;

/// What every forecast ends with.
pub(super) const CAUTION: &str = "\
Every figure comes from running a model of a drive, not a drive. A model informs; before a deadline or
data depend on it, a trial on the real drive decides.\n";

/// A time as people say it.
pub(super) fn spoken(ns: u64) -> String {
    const S: u64 = 1_000_000_000;
    let seconds = (ns + S / 2) / S;
    match seconds {
        0..60 => Duration(ns).to_string(),
        60..3600 => two((seconds / 60, "min"), (seconds % 60, "s")),
        // Rounded to minutes.
        3600..172_800 => {
            let minutes = (seconds + 30) / 60;
            two((minutes / 60, "h"), (minutes % 60, "min"))
        }
        _ => {
            let hours = (seconds + 1800) / 3600;
            two((hours / 24, "d"), (hours % 24, "h"))
        }
    }
}

fn two((whole, unit): (u64, &str), (rest, smaller): (u64, &str)) -> String {
    match rest {
        0 => format!("{whole} {unit}"),
        rest => format!("{whole} {unit} {rest} {smaller}"),
    }
}

/// A size as people say it: exact where that is short.
pub(super) fn sized(bytes: u64) -> String {
    const GB: u64 = 1_000_000_000;
    let exact = Unit::Bytes.format(bytes);
    if exact.len() <= "1000.5 GiB".len() || bytes < GB {
        return exact;
    }
    let tenths = (bytes + GB / 20) / (GB / 10);
    format!("about {}.{} GB", tenths / 10, tenths % 10)
}

/// A ratio in thousandths, such as `1.08`.
pub(super) fn ratio(milli: u64) -> String {
    match milli {
        0..10_000 => format!("{}.{:02}", milli / 1000, milli % 1000 / 10),
        10_000..100_000 => format!("{}.{}", milli / 1000, milli % 1000 / 100),
        _ => format!("{}", milli / 1000),
    }
}

/// Lines with a name and a figure, its range behind it and who is to blame for it below.
pub(super) struct Lines<'f, 'w> {
    pub(super) to: &'w mut fmt::Formatter<'f>,
}

impl Lines<'_, '_> {
    pub(super) fn line(&mut self, name: &str, text: &str) -> fmt::Result {
        writeln!(self.to, "  {name:<32} {text}")
    }

    pub(super) fn ranged(
        &mut self,
        name: &str,
        range: &Ranged,
        say: &dyn Fn(Option<u64>) -> String,
    ) -> fmt::Result {
        self.ranged_by(name, range, &|value, _| say(value))
    }

    /// The same of a figure whose words also depend on what the run assumed.
    pub(super) fn ranged_by(
        &mut self,
        name: &str,
        range: &Ranged,
        say: &dyn Fn(Option<u64>, &str) -> String,
    ) -> fmt::Result {
        let centre = say(range.centre, CENTRE);
        let lowest = say(range.lowest, &range.lowest_with);
        let highest = say(range.highest, &range.highest_with);
        if lowest == centre && highest == centre {
            return self.line(name, &centre);
        }
        self.line(name, &format!("{centre} ({lowest} – {highest})"))?;
        let mut blame = Vec::new();
        if lowest != centre {
            blame.push(format!("{lowest}: {}", range.lowest_with));
        }
        if highest != centre {
            blame.push(format!("{highest}: {}", range.highest_with));
        }
        self.line("", &blame.join("; "))
    }
}

impl fmt::Display for Forecast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{}, to be done in {}",
            self.load,
            spoken(self.deadline_ns)
        )?;
        writeln!(f, "each drive at the start: {}", self.start)?;
        writeln!(f, "fits: {}", what_fits(&self.host_limits, "the drive"))?;
        match &self.varied[..] {
            [] => writeln!(f, "nothing was varied: no figure has a range")?,
            varied => writeln!(
                f,
                "varied: {}; a figure is told as asked for (lowest – highest of all runs)",
                varied.join(", ")
            )?,
        }
        for drive in &self.drives {
            writeln!(f)?;
            self.write_drive(f, drive)?;
        }
        for not_run in &self.not_run {
            writeln!(f, "\n{}: NOT RUN: {}", not_run.what, not_run.why)?;
        }
        write!(f, "\n{CAUTION}")
    }
}

impl Forecast {
    fn write_drive(&self, f: &mut fmt::Formatter<'_>, drive: &DriveForecast) -> fmt::Result {
        writeln!(
            f,
            "{} ({}): {}",
            drive.profile,
            sized(drive.capacity_bytes),
            verdict_words(&drive.verdict, drive.runs.len(), self.deadline_ns)
        )?;
        write_why(f, drive, self.deadline_ns)?;
        if self.ends_by_time {
            write_by_time(f, drive)?;
        }
        let centre = &drive.runs[0].figures;
        if let Some(words) = centre.reads_unwritten.words() {
            writeln!(f, "  as asked for, {words}")?;
        }
        let mut lines = Lines { to: f };
        let stopped = format!("not done within {}", spoken(self.stopped_ns));
        let or =
            |none: &'static str| move |value: Option<u64>| value.map_or(none.to_owned(), spoken);
        lines.ranged("time to finish", &drive.finish_ns, &|value| {
            value.map_or(stopped.clone(), spoken)
        })?;
        let name = if self.paced {
            "furthest behind its times"
        } else {
            "longest that a request took"
        };
        lines.ranged(name, &drive.longest_request_ns, &or("-"))?;
        let cause = &centre.slowest_cause;
        lines.line("", &format!("as asked for, the slowest: {cause}"))?;
        write_control(&mut lines, drive, &stopped)?;
        lines.ranged(
            "staging area runs out after",
            &drive.room_ran_out_ns,
            &or("never"),
        )?;
        let unseen = unseen_recovery(drive);
        let recovery = |value| recovery_words(value, unseen);
        lines.ranged("recovers afterwards in", &drive.recovery_ns, &recovery)?;
        lines.ranged(
            "longest without an answer",
            &drive.longest_stall_ns,
            &or("-"),
        )?;
        write_limits(&mut lines, drive)?;
        if self.paced && !drive.beyond.is_empty() {
            let words = "counted from when a request was to come: a host that holds requests back \
                         has fewer";
            lines.line("", words)?;
        }
        if let Some(idle) = &drive.idle {
            write_idle(&mut lines, idle, drive)?;
        }
        for run in &drive.not_run {
            lines.line("not run", &format!("{}: {}", run.what, run.why))?;
        }
        write_help(&mut lines, drive, &stopped, self.ends_by_time)
    }
}

/// What the conventional drive makes of the load.
fn write_control(lines: &mut Lines<'_, '_>, drive: &DriveForecast, stopped: &str) -> fmt::Result {
    let control = &drive.control;
    let as_long = |value: Option<u64>| {
        value.map_or("unknown".to_owned(), |milli| {
            format!("{} times", ratio(milli))
        })
    };
    let on_control = control.figures.finish_ns.map_or(stopped.to_owned(), spoken);
    let name = format!("{} takes", control.profile);
    lines.line(&name, &on_control)?;
    lines.ranged("  the load takes that", &drive.slowdown_milli, &as_long)?;
    lines.ranged(
        "  a request on average",
        &drive.request_slowdown_milli,
        &as_long,
    )
}

fn recovery_words(value: Option<u64>, unseen: &str) -> String {
    match value {
        None => unseen.to_owned(),
        Some(0) => "no time".to_owned(),
        Some(ns) => spoken(ns),
    }
}

/// What a recovery without an end is called: it is only looked at once the load is done.
fn unseen_recovery(drive: &DriveForecast) -> &'static str {
    let runs = drive.runs.iter().map(|run| &run.figures);
    let unseen = runs.filter(|run| run.recovery_ns.is_none());
    let (stopped, too_long): (Vec<_>, Vec<_>) = unseen.partition(|run| run.finish_ns.is_none());
    match (stopped.is_empty(), too_long.is_empty()) {
        (true, _) => "more than a day",
        (false, true) => "not seen: the load was stopped",
        (false, false) => "not seen: the load was stopped, or it takes more than a day",
    }
}

/// A load that waits for answers until its time is over is done by then on any drive.
fn write_by_time(f: &mut fmt::Formatter<'_>, drive: &DriveForecast) -> fmt::Result {
    writeln!(
        f,
        "  BUT the load ends by its own time and waits for answers: it is done by then on any drive, \
         a slow\n  one gets less done; compare the requests answered"
    )?;
    let mut lines = Lines { to: f };
    let requests = |value: Option<u64>| value.unwrap_or(0).to_string();
    lines.ranged("requests answered", &drive.answered, &requests)?;
    let on_control = drive.control.figures.answered;
    let share = milli(drive.runs[0].figures.answered, on_control);
    let share = share.map_or(String::new(), |share| {
        format!("; this drive answers {} times as many", ratio(share))
    });
    let name = format!("  {} answers", drive.control.profile);
    lines.line(&name, &format!("{on_control}{share}"))
}

fn write_limits(lines: &mut Lines<'_, '_>, drive: &DriveForecast) -> fmt::Result {
    if drive.beyond.is_empty() {
        return lines.line("beyond limits of hosts", "nothing");
    }
    for beyond in &drive.beyond {
        let name = format!("beyond {} ({})", beyond.limit, spoken(beyond.limit_ns));
        let operations = |value: Option<u64>| match value {
            Some(1) => "1 operation".to_owned(),
            value => format!("{} operations", value.unwrap_or(0)),
        };
        lines.ranged(&name, &beyond.operations, &operations)?;
        if let Some(at) = beyond.dropped_ns {
            let words = format!("as asked for, a host drops the drive after {}", spoken(at));
            lines.line("", &words)?;
        }
    }
    Ok(())
}

fn write_help(
    lines: &mut Lines<'_, '_>,
    drive: &DriveForecast,
    stopped: &str,
    by_time: bool,
) -> fmt::Result {
    let (tried, not): (Vec<&Help>, Vec<&Help>) = drive
        .help
        .iter()
        .partition(|help| matches!(help.came, Came::Tried { .. }));
    if tried.is_empty() && not.is_empty() {
        return Ok(());
    }
    let centre = &drive.runs[0].figures;
    let finish = |value: Option<u64>| value.map_or(stopped.to_owned(), spoken);
    writeln!(
        lines.to,
        "  what would help, tried one by one (as asked for: {}, longest without an answer {})",
        finish(centre.finish_ns),
        spoken(centre.longest_stall_ns)
    )?;
    for help in tried.into_iter().chain(not) {
        let name = format!("  {}", help.kind.words());
        match &help.came {
            Came::Tried { how, miss, figures } => {
                let (sooner, answered) = if by_time {
                    (
                        "",
                        format!(", {} answered", counted(figures.answered, "request")),
                    )
                } else {
                    let sooner = compared(figures.finish_ns, centre.finish_ns);
                    (sooner, String::new())
                };
                let text = format!(
                    "{}: {}{sooner}{answered}, longest without an answer {}",
                    judged(*miss),
                    finish(figures.finish_ns),
                    spoken(figures.longest_stall_ns)
                );
                lines.line(&name, &text)?;
                lines.line("", how)?;
            }
            Came::NotTried { why } => lines.line(&name, &format!("not tried: {why}"))?,
        }
    }
    Ok(())
}

/// How a time to finish stands to that as asked for.
fn compared(tried: Option<u64>, centre: Option<u64>) -> &'static str {
    let size = |value: Option<u64>| value.unwrap_or(u64::MAX);
    match size(tried).cmp(&size(centre)) {
        Ordering::Less => " (sooner)",
        Ordering::Equal => " (no sooner)",
        Ordering::Greater => " (LATER)",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_said_in_the_units_that_people_use() {
        const S: u64 = 1_000_000_000;
        for (ns, expected) in [
            (1_500_000, "1.50 ms"),
            (59 * S, "59 s"),
            (60 * S, "1 min"),
            (125 * S, "2 min 5 s"),
            (3600 * S, "1 h"),
            (3600 * S + 29 * S, "1 h"),
            (8 * 3600 * S + 31 * S, "8 h 1 min"),
            (86_400 * S, "24 h"),
            (2 * 86_400 * S, "2 d"),
            (90 * 3600 * S, "3 d 18 h"),
        ] {
            assert_eq!(spoken(ns), expected);
        }
    }

    #[test]
    fn sizes_are_exact_where_that_is_short() {
        for (bytes, expected) in [
            (8 << 20, "8 MiB"),
            (5_000_000_000_000, "5 TB"),
            (20_000_000_000 / 4096 * 4096, "about 20.0 GB"),
        ] {
            assert_eq!(sized(bytes), expected);
        }
    }

    #[test]
    fn ratios_keep_three_digits() {
        let said = [0, 999, 1000, 1085, 12_340, 234_567].map(ratio);
        assert_eq!(said, ["0.00", "0.99", "1.00", "1.08", "12.3", "234"]);
    }
}
