//! Owns the verdict of a forecast as people read it. Nothing is decided here.

use std::fmt;

use super::verdict::{Missed, Verdict};
use super::whole::DriveForecast;
use super::window::{Dropped, HostLimits, Miss};
use super::words::spoken;

/// What a load has to hold to fit, after "fits:".
pub(super) fn what_fits(limits: &HostLimits, what: &str) -> String {
    let limits: Vec<String> = limits
        .iter()
        .map(|limit| format!("{limit} {}", spoken(limit.duration().0)))
        .collect();
    if limits.is_empty() {
        return format!("done in time; whether a host drops {what} is not judged");
    }
    let limits = limits.join(", ");
    format!("done in time, and no host drops {what} ({limits})")
}

/// The verdict on a drive.
pub(super) fn verdict_words(verdict: &Verdict, runs: usize, deadline_ns: u64) -> String {
    let deadline = spoken(deadline_ns);
    let of_all = match runs {
        1 => "in the only run".to_owned(),
        runs => format!("in each of {runs} runs"),
    };
    match verdict {
        Verdict::Fits => format!("FITS in {deadline}, {of_all}"),
        Verdict::FitsUnless { unless } => {
            let unless: Vec<String> = unless.iter().map(missed).collect();
            let unless = unless.join("; ");
            format!("FITS in {deadline} ONLY IF none of these holds: {unless}")
        }
        Verdict::DoesNotFit { does_with, .. } if does_with.is_empty() => {
            format!(
                "DOES NOT FIT in {deadline}, {}",
                of_all.replace("in each", "in none")
            )
        }
        Verdict::DoesNotFit { does_with, .. } => format!(
            "DOES NOT FIT in {deadline} as asked for; it does with: {}",
            does_with.join("; ")
        ),
    }
}

/// A run that does not fit; of one that is late the range of the time to finish tells.
fn missed(missed: &Missed) -> String {
    let assumes = &missed.assumes;
    match missed.why.dropped {
        None => assumes.clone(),
        Some(dropped) => format!("{assumes} (dropped {})", after(dropped)),
    }
}

/// What is wrong where a host drops the drive, the verdict by the time alone where that is another, and
/// what is not judged.
pub(super) fn write_why(
    f: &mut fmt::Formatter<'_>,
    drive: &DriveForecast,
    deadline_ns: u64,
) -> fmt::Result {
    if let Verdict::DoesNotFit { why, .. } = &drive.verdict
        && let Some(dropped) = why.dropped
    {
        let late = if why.late {
            "it is not done in time, and "
        } else {
            ""
        };
        let after = after(dropped);
        writeln!(f, "  as asked for, {late}a host drops the drive {after}")?;
    }
    let by_time = &drive.by_time_alone;
    if std::mem::discriminant(by_time) != std::mem::discriminant(&drive.verdict) {
        let words = verdict_words(by_time, drive.runs.len(), deadline_ns);
        writeln!(f, "  by the time alone: {words}")?;
    }
    match drive.not_judged {
        None => Ok(()),
        Some(dropped) => writeln!(
            f,
            "  BUT as asked for, a host drops the drive {}, which is not judged",
            after(dropped)
        ),
    }
}

/// What was tried, in a word or a few.
pub(super) fn judged(miss: Option<Miss>) -> String {
    match miss {
        None => "FITS".to_owned(),
        Some(Miss {
            dropped: Some(dropped),
            ..
        }) => format!("DROPPED {}", after(dropped)),
        Some(Miss { dropped: None, .. }) => "TOO LATE".to_owned(),
    }
}

fn after(dropped: Dropped) -> String {
    format!("after {} by {}", spoken(dropped.after_ns), dropped.limit)
}
