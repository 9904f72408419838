//! Owns the line that shows what a served drive is doing: redrawn on a terminal, one line after
//! another elsewhere.

use std::io::IsTerminal;
use std::time::{Duration, Instant};

use indicatif::{BinaryBytes, ProgressBar};

use super::output;
use crate::drive::request::Status;
use crate::host::handle::{Answer, Ask, Handle};
use crate::medium::movement::Purpose;
use crate::units::{counted, percent};

/// How often a terminal is redrawn unless told otherwise.
const TERMINAL_PERIOD: Duration = Duration::from_secs(1);

/// Shows the state from time to time.
pub(super) struct Display {
    /// `None`: nothing is shown.
    period: Option<Duration>,
    last: Instant,
    /// Arm time by purpose when it was shown last.
    before: [u64; 13],
    line: Option<ProgressBar>,
}

impl Display {
    /// `seconds`: as asked for on the command line.
    pub(super) fn new(seconds: Option<u32>) -> Display {
        let terminal = std::io::stderr().is_terminal();
        let asked = seconds.map(|seconds| Duration::from_secs(seconds.into()));
        Display {
            period: asked.or(terminal.then_some(TERMINAL_PERIOD)),
            last: Instant::now(),
            before: [0; 13],
            line: terminal.then(ProgressBar::new_spinner),
        }
    }

    /// Shows nothing.
    pub(super) fn none() -> Display {
        Display {
            period: None,
            last: Instant::now(),
            before: [0; 13],
            line: None,
        }
    }

    /// Shows the state if it is time.
    pub(super) fn tick(&mut self, handle: &Handle) {
        let since = self.last.elapsed();
        if self.period.is_none_or(|period| since < period) {
            return;
        }
        self.last = Instant::now();
        let Ok(Answer::Status(status)) = handle.ask(Ask::Status) else {
            return;
        };
        let words = words(&status, &self.before);
        self.before = status.counters.medium_ns;
        match &self.line {
            Some(line) => {
                line.set_message(words);
                line.tick();
            }
            None => output::say(&words),
        }
    }
}

impl Drop for Display {
    fn drop(&mut self) {
        if let Some(line) = &self.line {
            line.finish_and_clear();
        }
    }
}

fn words(status: &Status, before: &[u64; 13]) -> String {
    let fill = percent(status.staging_slots_used, status.staging_slots);
    let cleaning = status
        .cleaning_band
        .map_or_else(String::new, |band| format!(", cleaning band {band}"));
    format!(
        "staging {fill} % full, {}, {} cached, arm: {}{cleaning}",
        counted(status.dirty_bands, "dirty band"),
        BinaryBytes(status.cached_bytes),
        busiest(&status.counters.medium_ns, before)
    )
}

/// What the arm spent most time on since it was shown last.
fn busiest(now: &[u64; 13], before: &[u64; 13]) -> &'static str {
    let spent = now
        .iter()
        .zip(before)
        .map(|(now, before)| now.saturating_sub(*before));
    let most = spent.zip(Purpose::ALL).max_by_key(|(ns, _)| *ns);
    match most {
        Some((ns, purpose)) if ns > 0 => purpose.word(),
        _ => "idle",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_arm_is_idle_until_it_has_spent_time_on_something() {
        let mut now = [5; 13];
        assert_eq!(busiest(&now, &[5; 13]), "idle");
        now[3] = 9;
        now[7] = 8;
        assert_eq!(busiest(&now, &[5; 13]), Purpose::ALL[3].word());
    }
}
