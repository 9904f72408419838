//! Owns what might help a load on a drive, each tried by a run of its own and set beside the run as
//! asked for.
//!
//! Nothing is estimated: what cannot be tried is told with the reason. Of what was tried, what makes the
//! load fit its window comes first; then it goes by time to finish, then by the longest time without an
//! answer.

use serde::Serialize;

use super::alter;
use super::asked::Asked;
use super::idle::{self, Idle};
use super::plan::Assumed;
use super::trial::{self, Figures, Trial, TrialError};
use super::window::{Miss, Window};
use super::words::spoken;
use crate::drive::Drive;
use crate::drive::fault::{Fault, Switch};
use crate::lab::simulation::course::{Course, Ended, Stop};
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::time::{Duration, Instant};

/// Something that might help.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The same bytes in larger requests.
    LargerRequests,
    /// A discard of what will be overwritten.
    TrimBefore,
    /// The write cache switched over.
    WriteCache,
    /// The load at a lower rate.
    RateLimit,
    /// The staging area on flash memory.
    FlashStaging,
    /// A staging area twice as large.
    MoreStaging,
    /// Pauses in which the drive can clean.
    Pause,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 7] = [
        Kind::LargerRequests,
        Kind::TrimBefore,
        Kind::WriteCache,
        Kind::RateLimit,
        Kind::FlashStaging,
        Kind::MoreStaging,
        Kind::Pause,
    ];

    /// Its name.
    pub fn words(self) -> &'static str {
        match self {
            Kind::LargerRequests => "larger requests",
            Kind::TrimBefore => "trim before overwriting",
            Kind::WriteCache => "write cache switched over",
            Kind::RateLimit => "rate limit",
            Kind::FlashStaging => "staging area on flash memory",
            Kind::MoreStaging => "staging area twice as large",
            Kind::Pause => "pauses",
        }
    }
}

/// Something that might help, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Help {
    /// What.
    pub kind: Kind,
    /// What came of it.
    #[serde(flatten)]
    pub came: Came,
}

/// What came of trying.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Came {
    /// It was run.
    Tried {
        /// What exactly was changed.
        how: String,
        /// What is then wrong with the load in its window; nothing: it fits.
        miss: Option<Miss>,
        /// The figures of the run.
        figures: Box<Figures>,
    },
    /// It was not.
    NotTried {
        /// Why.
        why: String,
    },
}

/// What is known of a drive before help is looked for.
#[derive(Clone, Copy)]
pub struct Known<'k> {
    /// The drive as asked for, not begun.
    pub drive: &'k Drive,
    /// What it was made of.
    pub assumed: &'k Assumed,
    /// What is asked.
    pub asked: &'k Asked,
    /// The figures of the run as asked for.
    pub figures: &'k Figures,
    /// What the runs of the plan assumed, and their figures.
    pub plan: (&'k [Assumed], &'k [Trial]),
    /// Bytes that each stream wrote in it.
    pub written: &'k [u64],
    /// The idle time that it needs.
    pub idle: Option<&'k Idle>,
    /// The rate at which requests were answered by the faster of drive and control, in thousandths
    /// per second.
    pub per_s_milli: u64,
    /// How the load is run.
    pub course: &'k Course,
    /// What it has to hold.
    pub window: &'k Window,
}

/// Rates that are tried at least: down to this many thousandths.
const MILLI_MIN: u64 = 15;
/// A load that is not known to end in time is run to its end with no more requests.
const REQUESTS_MAX: u64 = 4_000_000;
/// Steps of bisection once a rate was found that helps.
const STEPS: u32 = 4;

type Tried = Result<(String, Figures), NotTried>;

/// Why something was not tried, or ended early.
enum NotTried {
    Why(String),
    Error(TrialError),
}

impl From<TrialError> for NotTried {
    fn from(error: TrialError) -> NotTried {
        NotTried::Error(error)
    }
}

impl From<String> for NotTried {
    fn from(why: String) -> NotTried {
        NotTried::Why(why)
    }
}

/// Tries one thing.
pub fn tried(kind: Kind, known: &Known<'_>) -> Help {
    let came = match try_it(kind, known) {
        Ok((how, figures)) => Came::Tried {
            how,
            miss: known.window.miss(&figures),
            figures: Box::new(figures),
        },
        Err(NotTried::Why(why)) => Came::NotTried { why },
        Err(NotTried::Error(error)) => Came::NotTried {
            why: error.to_string(),
        },
    };
    Help { kind, came }
}

/// What was tried first, the most helpful first; then what was not.
pub fn rank(all: &mut [Help]) {
    all.sort_by_key(|help| match &help.came {
        Came::Tried { miss, figures, .. } => {
            let finish = figures.finish_ns.unwrap_or(u64::MAX);
            (false, miss.is_some(), finish, figures.longest_stall_ns)
        }
        Came::NotTried { .. } => (true, true, 0, 0),
    });
}

fn try_it(kind: Kind, known: &Known<'_>) -> Tried {
    let profile = &known.assumed.profile;
    match kind {
        Kind::LargerRequests => {
            let (asked, how) = known.asked.larger()?;
            same_drive(known, &asked, how)
        }
        Kind::TrimBefore => {
            if !profile.trim.enabled {
                return Err("the drive offers no discard".to_owned().into());
            }
            let capacity = profile.drive.capacity_bytes;
            let asked = known.asked.trimmed(capacity, known.written)?;
            let how = "the ranges that streams write in order are discarded first, the time for \
                       that included; only where what they hold is no longer needed";
            same_drive(known, &asked, how.to_owned())
        }
        Kind::WriteCache => write_cache(known),
        Kind::FlashStaging => {
            let how = "another drive: as many bytes of flash memory instead of tracks";
            other_drive(known, alter::flash(profile)?, how.to_owned())
        }
        Kind::MoreStaging => {
            let how = "another drive: bytes, slots and extents twice as many";
            let larger = alter::staging(profile, alter::TWICE)?;
            other_drive(known, larger, how.to_owned())
        }
        Kind::RateLimit => rate_limit(known),
        Kind::Pause => pause(known),
    }
}

fn same_drive(known: &Known<'_>, asked: &Asked, how: String) -> Tried {
    let outcome = trial::run(known.drive.clone(), asked, known.course)?;
    Ok((how, Figures::of(&outcome)))
}

/// The drive as asked for, its cache switched over in the moment in which the load begins, as a host does it:
/// what the drive held before was written with the cache that it has.
fn write_cache(known: &Known<'_>) -> Tried {
    let on = !known.assumed.profile.write_cache.enabled;
    let mut drive = known.drive.clone();
    let switched = drive.impose(Instant::default(), Fault::WriteCache(Switch { on }));
    switched.map_err(|error| error.to_string())?;
    let outcome = trial::run(drive, known.asked, known.course)?;
    let how = format!("switched {}", if on { "on" } else { "off" });
    Ok((how, Figures::of(&outcome)))
}

fn other_drive(known: &Known<'_>, profile: Profile, how: String) -> Tried {
    let assumed = Assumed {
        profile,
        ..known.assumed.clone()
    };
    let (all, trials) = known.plan;
    // The same again would give the same figures.
    let figures = match all.iter().position(|ran| *ran == assumed) {
        Some(at) => trials[at].figures.clone(),
        None => Figures::of(&trial::assumed(&assumed, known.asked, known.course)?),
    };
    Ok((how, figures))
}

const NEVER_SLOW: &str = "it is not needed, no request waits for room";

fn pause(known: &Known<'_>) -> Tried {
    let staging = known.assumed.profile.staging.as_ref();
    let (Some(idle), Some(staging)) = (known.idle, staging) else {
        return Err("a conventional drive cleans nothing".to_owned().into());
    };
    if known.figures.room_ran_out_ns.is_none() {
        return Err(NEVER_SLOW.to_owned().into());
    }
    let Some(pauses) = idle::once(idle, known.figures, staging.bytes) else {
        return Err("no pause was found to be long enough".to_owned().into());
    };
    let course = Course {
        pauses,
        stop: Stop {
            load_at: longer(known.course.stop.load_at),
            ..known.course.stop
        },
        ..*known.course
    };
    let outcome = trial::run(known.drive.clone(), known.asked, &course)?;
    let figures = Figures::of(&outcome);
    let how = format!(
        "{} of {} in the load, as long as those told as idle time",
        idle::within(&pauses, figures.answered),
        pauses.each
    );
    Ok((how, figures))
}

/// What was seen at a rate.
enum Seen {
    /// To the end of the load no request waited for room.
    None(Figures),
    /// Some did.
    Some,
    /// None had when the run was stopped, before its end, after so long.
    NotToTheEnd(Instant),
}

/// Runs the load at so many thousandths of its rate.
fn at_rate(known: &Known<'_>, milli: u64) -> Result<Seen, NotTried> {
    let stop_at = rate_stop(known, milli);
    let course = Course {
        stop: Stop {
            load_at: stop_at,
            out_of_room: true,
            ..known.course.stop
        },
        ..*known.course
    };
    let asked = known.asked.slowed(milli, known.per_s_milli)?;
    let outcome = trial::run(known.drive.clone(), &asked, &course)?;
    if outcome.ended == Ended::OutOfRoom || outcome.summary.room_ran_out_ns.is_some() {
        return Ok(Seen::Some);
    }
    Ok(match (outcome.ended, stop_at) {
        (Ended::TooLong, Some(at)) => Seen::NotToTheEnd(at),
        _ => Seen::None(Figures::of(&outcome)),
    })
}

/// When a run at so many thousandths of the rate is stopped: late enough to see the end of a load that
/// is not too long to be run as a whole.
fn rate_stop(known: &Known<'_>, milli: u64) -> Option<Instant> {
    let at_least = longer(known.course.stop.load_at);
    let (count, time) = known.asked.extent();
    let answers = count.map(|count| {
        let wide = u128::from(count) * 1_000_000_000_000 / u128::from(known.per_s_milli.max(1));
        u64::try_from(wide).unwrap_or(u64::MAX)
    });
    if known.figures.finish_ns.is_none() && count.is_none_or(|count| count > REQUESTS_MAX) {
        return at_least;
    }
    let times = [known.figures.finish_ns, answers, time.map(|time| time.0)];
    let at_full_rate = times.into_iter().flatten().max()?;
    // Pauses of its own, and what is late by chance, come on top.
    let wide = u128::from(at_full_rate) * 3000 / u128::from(milli.max(1));
    let enough = u64::try_from(wide).map_or(u64::MAX >> 2, |ns| ns.min(u64::MAX >> 2));
    at_least.map(|at| at.max(Instant(enough)))
}

/// The highest rate at which no request waits for room, by bisection. Only a run seen to its end counts.
fn rate_limit(known: &Known<'_>) -> Tried {
    if known.figures.room_ran_out_ns.is_none() {
        return Err(NEVER_SLOW.to_owned().into());
    }
    if known.per_s_milli == 0 {
        let why = "neither the drive nor the control got the load done: there is no rate to lower";
        return Err(why.to_owned().into());
    }
    let (mut high, mut low) = (1000, 500);
    let mut above = "some do".to_owned();
    let mut found = loop {
        match at_rate(known, low)? {
            Seen::None(figures) => break figures,
            Seen::NotToTheEnd(at) => {
                return Err(
                    format!("tried: at {} of the rate {}", percent(low), unseen(at)).into(),
                );
            }
            Seen::Some if low <= MILLI_MIN => {
                let words = percent(low);
                return Err(
                    format!("tried: even at {words} of the rate requests wait for room").into(),
                );
            }
            Seen::Some => (high, low) = (low, low / 2),
        }
    };
    for _ in 0..STEPS {
        let middle = low + (high - low) / 2;
        match at_rate(known, middle)? {
            Seen::None(figures) => (low, found) = (middle, figures),
            Seen::Some => (high, above) = (middle, "some do".to_owned()),
            Seen::NotToTheEnd(at) => (high, above) = (middle, unseen(at)),
        }
    }
    let rate = known.per_s_milli * low / 1000;
    let how = format!(
        "at {} of the rate, about {} requests a second, no request waits for room; at {} {above}",
        percent(low),
        Unit::Thousandths.format(rate / 100 * 100),
        percent(high)
    );
    Ok((how, found))
}

fn unseen(stopped: Instant) -> String {
    let stopped = spoken(stopped.0);
    format!("none did within {stopped}, when it was stopped before its end")
}

/// What is slowed on purpose is waited for longer.
fn longer(at: Option<Instant>) -> Option<Instant> {
    at.map(|at| Instant(at.0.saturating_mul(2).min(u64::MAX >> 2)))
}

fn percent(milli: u64) -> String {
    format!("{}.{} %", milli / 10, milli % 10)
}

/// Answers per second in thousandths.
pub fn per_s_milli(figures: &Figures) -> u64 {
    let ns = Duration(figures.finish_ns.unwrap_or(u64::MAX)).0.max(1);
    let wide = u128::from(figures.answered) * 1_000_000_000_000 / u128::from(ns);
    u64::try_from(wide).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn help(kind: Kind, finish_ns: Option<u64>, longest_stall_ns: u64) -> Help {
        let figures = Figures {
            finish_ns,
            longest_stall_ns,
            ..Figures::nothing()
        };
        let came = Came::Tried {
            how: String::new(),
            miss: finish_ns.is_none_or(|at| at > 6).then_some(Miss {
                late: true,
                dropped: None,
            }),
            figures: Box::new(figures),
        };
        Help { kind, came }
    }

    #[test]
    fn what_fits_and_helps_most_comes_first_and_what_was_not_tried_last() {
        let mut dropped = help(Kind::RateLimit, Some(4), 1);
        if let Came::Tried { miss, .. } = &mut dropped.came {
            *miss = Some(Miss {
                late: false,
                dropped: None,
            });
        }
        let mut all = [
            dropped,
            Help {
                kind: Kind::TrimBefore,
                came: Came::NotTried { why: String::new() },
            },
            help(Kind::Pause, None, 1),
            help(Kind::WriteCache, Some(7), 9),
            help(Kind::MoreStaging, Some(7), 3),
            help(Kind::FlashStaging, Some(5), 20),
        ];
        rank(&mut all);
        let order: Vec<Kind> = all.iter().map(|help| help.kind).collect();
        let expected = [
            Kind::FlashStaging,
            Kind::RateLimit,
            Kind::MoreStaging,
            Kind::WriteCache,
            Kind::Pause,
            Kind::TrimBefore,
        ];
        assert_eq!(order, expected);
    }
}
