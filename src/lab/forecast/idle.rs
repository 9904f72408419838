//! Owns how much idle time a day a drive needs to stay out of the slow mode: found by trying.
//!
//! A drive is in the slow mode when a request waits for room: the staging area is full and bands are
//! cleaned in the foreground. The load is run day after day with nothing between but pauses put into
//! it, and the shortest pauses are looked for by bisection with which no request waits for room. While it is
//! looked for, days end once one left no more staged than the one before. Always holds: the time that is told
//! was tried on all days and was enough, and a time tried that is told beside it was not.

use serde::Serialize;

use super::asked::Asked;
use super::trial::{self, Figures, TrialError};
use crate::drive::Drive;
use crate::lab::simulation::course::{Course, Ended, Pauses, Stop};
use crate::profile::{CleaningStyle, Profile};
use crate::time::Duration;

/// Idle time in a day, tried on a drive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Idle {
    /// Days that were run, one after the other.
    pub days: u64,
    /// Pauses in a day; of a load whose days differ, so many on average, rounded up.
    pub pauses: u64,
    /// What was found.
    #[serde(flatten)]
    pub found: Found,
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "needs", rename_all = "kebab-case")]
pub enum Found {
    /// Day follows day without a pause, and no request waits for room.
    Nothing,
    /// So much a day is enough.
    Pauses {
        /// Nanoseconds a day.
        day_ns: u64,
        /// The longest that was tried and was not enough: as many pauses, each shorter.
        short_ns: u64,
        /// How long each pause is.
        each_ns: u64,
    },
    /// Even so much a day is not enough; more would be.
    More {
        /// Nanoseconds a day.
        tried_ns: u64,
    },
    /// However long it is left alone: what the load brings between two pauses finds too little room.
    Never {
        /// The longest that was tried, in nanoseconds a day.
        tried_ns: u64,
        /// Left alone, the drive cleans only while so many percent of the staging area are in use; nothing:
        /// it cleans whatever is staged.
        cleans_from_percent: Option<u8>,
    },
}

/// Most idle time a day that is looked for.
const DAY: Duration = Duration::from_s(24 * 3600);
/// With so much a day no drive has anything left to clean: what is not enough then never is.
const LONG: Duration = Duration::from_s(100 * 24 * 3600);
/// Most days that are run.
pub(super) const DAYS_MAX: u64 = 14;
/// Most requests that are run.
const REQUESTS_MAX: u64 = 4_000_000;
/// A pause comes at least as often as the load takes in so small a part of the staging area.
const PARTS: u64 = 4;
/// Pauses in a day where the load runs out of room within one.
const PAUSES_WITHIN_MIN: u64 = 24;
/// It is looked for to one part in so many.
const FINE: u64 = 16;
/// It is not looked for more finely than this.
const FINE_MIN: Duration = Duration::from_ms(10);

impl Idle {
    /// The time a day; nothing where no time was enough.
    pub fn day_ns(&self) -> Option<u64> {
        match self.found {
            Found::Nothing => Some(0),
            Found::Pauses { day_ns, .. } => Some(day_ns),
            Found::More { .. } | Found::Never { .. } => None,
        }
    }
}

/// The pauses of a day, and how many days are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Frame {
    days: u64,
    pauses: u64,
    /// Requests between two pauses, if there are several a day.
    every: Option<u64>,
}

impl Frame {
    /// For a load of which one day, run on its own, gave `day`.
    fn of(day: &Figures, staging_bytes: u64) -> Frame {
        let answered = day.answered.max(1);
        let staged = day.staged_bytes;
        let within = staged.saturating_mul(PARTS).div_ceil(staging_bytes.max(1));
        let least = match day.room_ran_out_ns {
            Some(_) => PAUSES_WITHIN_MIN,
            None => 1,
        };
        let wanted = within.max(least).min(answered);
        let every = answered.div_ceil(wanted);
        // One comes after the day, the others after so many requests each.
        let pauses = answered.div_ceil(every);
        // Enough to fill the staging area more than twice.
        let fills = staging_bytes
            .saturating_mul(5)
            .div_ceil((2 * staged).max(1));
        let affordable = (REQUESTS_MAX / answered).max(1);
        Frame {
            days: fills.clamp(1, DAYS_MAX).min(affordable),
            pauses,
            every: (pauses > 1).then_some(every),
        }
    }

    fn pauses(&self, day: Duration) -> Pauses {
        Pauses {
            each: Duration(day.0 / self.pauses),
            every: self.every,
        }
    }
}

/// Looks for the idle time that `drive` needs for the load, of which a run on its own gave `day`.
///
/// # Errors
/// If a run ends early for another reason.
pub fn look(drive: &Drive, asked: &Asked, day: &Figures) -> Result<Option<Idle>, TrialError> {
    let Some(staging) = &drive.profile().staging else {
        return Ok(None);
    };
    let frame = Frame::of(day, staging.bytes);
    let tried = |idle: Duration, settled: bool| -> Result<bool, TrialError> {
        let course = Course {
            days: frame.days,
            pauses: frame.pauses(idle),
            stop: Stop {
                out_of_room: true,
                settled,
                ..Stop::default()
            },
            drain: false,
        };
        let outcome = trial::run(drive.clone(), asked, &course)?;
        Ok(matches!(outcome.ended, Ended::Done | Ended::Settled))
    };
    let enough = |idle| tried(idle, true);
    // Of two days nothing is left out.
    let lasts = |idle| Ok(frame.days <= 2 || tried(idle, false)?);
    let found = if enough(Duration::ZERO)? && lasts(Duration::ZERO)? {
        Found::Nothing
    } else {
        lasting(shortest(first_guess(day, &frame), &enough)?, &lasts)?
    };
    let found = match found {
        Found::More { .. } if !enough(LONG)? => Found::Never {
            tried_ns: LONG.0,
            cleans_from_percent: cleans_from_percent(drive.profile()),
        },
        found => found,
    };
    let idle = Idle {
        days: frame.days,
        pauses: frame.pauses,
        found,
    };
    Ok(Some(inserted(idle, drive, asked, &frame)?))
}

fn cleans_from_percent(profile: &Profile) -> Option<u8> {
    match profile.cleaning.style {
        CleaningStyle::Aggressive => None,
        CleaningStyle::Lazy => u8::try_from(profile.cleaning.high_mark_percent).ok(),
    }
}

/// The idle time that was put in: days that end by their time and not by a number of requests have
/// more or fewer pauses than the first that was seen.
fn inserted(idle: Idle, drive: &Drive, asked: &Asked, frame: &Frame) -> Result<Idle, TrialError> {
    let Found::Pauses {
        day_ns, short_ns, ..
    } = idle.found
    else {
        return Ok(idle);
    };
    let each_ns = day_ns / frame.pauses;
    let short_each_ns = short_ns / frame.pauses;
    let mut all = frame.pauses * frame.days;
    if let (None, Some(every)) = (asked.extent().0, frame.every) {
        let course = Course {
            days: frame.days,
            pauses: frame.pauses(Duration(day_ns)),
            ..Course::default()
        };
        all = 0;
        let mut before = 0;
        for answered in trial::run(drive.clone(), asked, &course)?.answered_by_day {
            all += (answered - before).div_ceil(every);
            before = answered;
        }
    }
    let a_day = |each: u64| each.saturating_mul(all) / frame.days;
    Ok(Idle {
        pauses: all.div_ceil(frame.days),
        found: Found::Pauses {
            day_ns: a_day(each_ns),
            short_ns: a_day(short_each_ns),
            each_ns,
        },
        ..idle
    })
}

/// Pauses within a load of which so many requests were answered in one go.
pub fn within(pauses: &Pauses, answered: u64) -> u64 {
    let gaps = answered.saturating_sub(1);
    pauses.every.map_or(0, |every| gaps / every.max(1))
}

/// The course in which the load runs once with the pauses that were found to be enough.
pub fn once(idle: &Idle, day: &Figures, staging_bytes: u64) -> Option<Pauses> {
    let frame = Frame::of(day, staging_bytes);
    match idle.found {
        Found::Pauses { each_ns, .. } => Some(Pauses {
            each: Duration(each_ns),
            every: frame.every,
        }),
        Found::Nothing | Found::More { .. } | Found::Never { .. } => None,
    }
}

/// What the arm took for cleaning when the load ran once.
fn first_guess(day: &Figures, frame: &Frame) -> Duration {
    let least = FINE_MIN.0 * FINE * frame.pauses;
    Duration(day.cleaning_ns.clamp(least.min(DAY.0), DAY.0))
}

/// What was found, made longer until it was seen to be enough on all days.
fn lasting(
    found: Found,
    lasts: &dyn Fn(Duration) -> Result<bool, TrialError>,
) -> Result<Found, TrialError> {
    let Found::Pauses {
        mut day_ns,
        mut short_ns,
        ..
    } = found
    else {
        return Ok(found);
    };
    while !lasts(Duration(day_ns))? {
        if day_ns >= DAY.0 {
            return Ok(Found::More { tried_ns: day_ns });
        }
        short_ns = day_ns;
        day_ns = (day_ns + (day_ns / FINE).max(FINE_MIN.0)).min(DAY.0);
    }
    Ok(Found::Pauses {
        day_ns,
        short_ns,
        each_ns: day_ns,
    })
}

/// The shortest time with which it is `enough`, looked for around a guess; none at all is not.
fn shortest(
    guess: Duration,
    enough: &dyn Fn(Duration) -> Result<bool, TrialError>,
) -> Result<Found, TrialError> {
    let (mut short, mut long) = (0, guess.0.max(1));
    while !enough(Duration(long))? {
        if long >= DAY.0 {
            return Ok(Found::More { tried_ns: long });
        }
        (short, long) = (long, long.saturating_mul(2).min(DAY.0));
    }
    while long - short > (long / FINE).max(FINE_MIN.0) {
        let middle = short + (long - short) / 2;
        if enough(Duration(middle))? {
            long = middle;
        } else {
            short = middle;
        }
    }
    Ok(Found::Pauses {
        day_ns: long,
        short_ns: short,
        each_ns: long,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::simulation;
    use crate::lab::simulation::Observers;
    use crate::lab::start::Start;
    use crate::lab::workload::Workload;
    use crate::profile::changed::Change;

    /// The tiny drive with room for 18 staged writes, which begins to clean when so many percent are in use.
    fn cramped(style: &str, percent: u64) -> Drive {
        let text = Profile::built_in("tiny").expect("a shipped profile");
        let tiny = Profile::from_toml("tiny", text).expect("it is valid");
        let keys = [
            "staging.slots=18".to_owned(),
            "staging.bytes=512 KiB".to_owned(),
            "write_cache.enabled=false".to_owned(),
            "cleaning.idle_delay=1 ms".to_owned(),
            format!("cleaning.style={style}"),
            format!("cleaning.high_mark={percent}%"),
        ];
        let changes = keys.map(|key| Change::from_words(&key).expect("a key and its value"));
        let profile = tiny.changed(&changes).expect("it is valid");
        Start::Formatted.drive(&profile).expect("it fits")
    }

    fn scattered() -> Asked {
        Asked::Workload(Workload::from_words("uniform write 4KiB 120-requests").expect("words"))
    }

    fn found(drive: &Drive) -> Idle {
        let once = trial::course(Duration::from_s(3600));
        let day = trial::run(drive.clone(), &scattered(), &once).expect("it runs");
        let idle = look(drive, &scattered(), &Figures::of(&day)).expect("it runs");
        idle.expect("it stages")
    }

    #[test]
    fn a_drive_that_keeps_too_much_staged_when_left_alone_never_has_enough_idle_time() {
        let idle = found(&cramped("lazy", 95));
        let Found::Never {
            cleans_from_percent: Some(95),
            tried_ns,
        } = idle.found
        else {
            panic!("{idle:?}");
        };
        assert!(tried_ns > DAY.0 && idle.day_ns().is_none());
        // From outside: with a hundred times as much it waits for room all the same.
        let course = Course {
            days: idle.days,
            pauses: Pauses {
                each: Duration(tried_ns),
                every: Some(120_u64.div_ceil(idle.pauses)),
            },
            ..Course::default()
        };
        let observers = Observers {
            progress: &mut |_| {},
            jobs: None,
            answers: None,
        };
        let asked = scattered();
        let drive = cramped("lazy", 95);
        let outcome = simulation::carry_out(drive, asked.load(), &course, observers);
        let summary = outcome.expect("it runs").summary;
        assert!(summary.room_ran_out_ns.is_some());
    }

    #[test]
    fn the_same_drive_that_cleans_whenever_it_is_left_alone_has() {
        for (style, percent) in [("aggressive", 95), ("lazy", 50)] {
            let idle = found(&cramped(style, percent));
            assert!(
                matches!(idle.found, Found::Pauses { .. }),
                "{style}: {idle:?}"
            );
        }
    }
}
