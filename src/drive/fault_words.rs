//! Owns the words in which faults on request are noted: what was asked for, and how it ended.
//!
//! Nothing is decided here.

use super::fault::{
    Commands, FailCommands, Fault, Lasts, MediaError, PowerCut, Slow, Stall, Switch, Whereabouts,
};
use crate::time::Duration;
use crate::units::counted;

impl Fault {
    /// What it is, in words.
    pub fn words(&self) -> String {
        match self {
            Fault::MediaError(error) => error.words(),
            Fault::Stall(Stall { duration_ns: None }) => "no answers until lifted".to_owned(),
            Fault::Stall(Stall {
                duration_ns: Some(ns),
            }) => format!("no answers for {}", Duration(*ns)),
            Fault::Slow(slow) if slow.is_none() => "the mechanism takes its own time".to_owned(),
            Fault::Slow(slow) => format!("the mechanism takes {} % of its time", slow.percent),
            Fault::FailCommands(fail) => fail.words(),
            Fault::PowerCut(cut) => cut.words(),
            Fault::ReadOnly(Switch { on: true }) => "the drive is read-only".to_owned(),
            Fault::ReadOnly(Switch { on: false }) => "the drive may be written again".to_owned(),
            Fault::WriteCache(Switch { on: true }) => "the write cache is on".to_owned(),
            Fault::WriteCache(Switch { on: false }) => "the write cache is off".to_owned(),
        }
    }

    /// How it ended by `how`, with so much left of what it counts down.
    pub(super) fn last_words(&self, left: Option<u64>, how: &str) -> String {
        match self {
            Fault::PowerCut(cut) => {
                let rest = cut.movements(left.unwrap_or(0), "more ");
                format!("never struck: it had to wait for {rest}; {how}")
            }
            Fault::FailCommands(fail) if left == Some(fail.commands) => {
                format!("never struck; {how}")
            }
            _ => how.to_owned(),
        }
    }
}

impl Slow {
    /// The mechanism is as fast as it is by itself.
    pub(super) fn is_none(self) -> bool {
        self.percent == 100
    }
}

impl MediaError {
    fn words(&self) -> String {
        let on = match self.on {
            Commands::Reads => "read",
            Commands::Writes => "written",
        };
        let place = match self.place {
            Whereabouts::Anywhere => "",
            Whereabouts::Home => " at home",
            Whereabouts::Staged => " where they are staged",
        };
        let lasts = match self.lasts {
            Lasts::Once | Lasts::Times(1) => ", once".to_owned(),
            Lasts::Times(times) => format!(", {times} times"),
            Lasts::UntilRewritten => " until rewritten".to_owned(),
            Lasts::Permanent => String::new(),
        };
        format!(
            "the sectors of {} from byte {} on cannot be {on}{place}{lasts}",
            counted(self.bytes, "byte"),
            self.offset
        )
    }
}

impl FailCommands {
    fn words(self) -> String {
        let after = match self.after_bands_cleaned {
            0 => String::new(),
            1 => ", once 1 more band was cleaned while a command waited for room".to_owned(),
            bands => {
                format!(", once {bands} more bands were cleaned while a command waited for room")
            }
        };
        match self.commands {
            1 => format!("the next command fails{after}"),
            commands => format!("the next {commands} commands fail{after}"),
        }
    }
}

impl PowerCut {
    fn words(self) -> String {
        let when = match self.after_movements {
            0 => "now".to_owned(),
            after => format!("after {}", self.movements(after, "")),
        };
        let then = if self.stay_off {
            ", and it stays away"
        } else {
            ""
        };
        format!("the power goes {when}{then}")
    }

    /// So many of the movements that it counts.
    fn movements(self, number: u64, more: &str) -> String {
        let counted = counted(number, &format!("{more}movement"));
        match self.purpose {
            None => counted,
            Some(purpose) => format!("{counted} for {}", purpose.word()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::movement::Purpose;

    #[test]
    fn one_of_something_is_told_as_one() {
        let once = |lasts| {
            Fault::MediaError(MediaError {
                offset: 4096,
                bytes: 1,
                on: Commands::Reads,
                lasts,
                place: Whereabouts::Anywhere,
                tries_ns: 0,
            })
        };
        let words = once(Lasts::Times(1)).words();
        assert_eq!(words, once(Lasts::Once).words());
        assert_eq!(
            words,
            "the sectors of 1 byte from byte 4096 on cannot be read, once"
        );
        assert!(once(Lasts::Times(2)).words().ends_with(", 2 times"));
        let fail = |commands, after_bands_cleaned| {
            Fault::FailCommands(FailCommands {
                commands,
                after_bands_cleaned,
            })
        };
        assert_eq!(fail(1, 0).words(), "the next command fails");
        assert_eq!(
            fail(2, 1).words(),
            "the next 2 commands fail, once 1 more band was cleaned while a command waited for room"
        );
        let cut = |after_movements, purpose| {
            Fault::PowerCut(PowerCut {
                after_movements,
                purpose,
                stay_off: false,
            })
        };
        assert_eq!(cut(1, None).words(), "the power goes after 1 movement");
        assert_eq!(
            cut(2, Some(Purpose::Stage)).words(),
            "the power goes after 2 movements for stage"
        );
    }

    #[test]
    fn what_never_struck_says_so_when_it_ends() {
        let cut = Fault::PowerCut(PowerCut {
            after_movements: 9,
            purpose: Some(Purpose::CleanWrite),
            stay_off: false,
        });
        assert_eq!(
            cut.last_words(Some(1), "lifted"),
            "never struck: it had to wait for 1 more movement for clean-write; lifted"
        );
        let fail = Fault::FailCommands(FailCommands {
            commands: 3,
            after_bands_cleaned: 0,
        });
        assert_eq!(fail.last_words(Some(3), "lifted"), "never struck; lifted");
        assert_eq!(fail.last_words(Some(2), "lifted"), "lifted");
        assert_eq!(
            Fault::Slow(Slow { percent: 300 }).last_words(None, "lifted"),
            "lifted"
        );
    }
}
