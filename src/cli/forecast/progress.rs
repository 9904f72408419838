//! Owns what people see while a forecast is made: a bar on a terminal, else a line now and then.

use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::cli::{bar, output};
use crate::lab::forecast::crew::Told;
use crate::units::count;

/// Of so many parts one must be done before it is said how much time is left: runs differ.
const ENOUGH: usize = 10;
/// Between two lines, where there is no terminal.
const SELDOM: Duration = Duration::from_secs(20);

/// Runs something of many steps, and shows how far it is.
pub(super) fn shown<T>(run: impl FnOnce(&Told<'_>) -> T) -> T {
    if !std::io::stderr().is_terminal() {
        let lines = Mutex::new(Lines::new(Instant::now()));
        return run(&|done, all| {
            let mut lines = lines.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(line) = lines.line((done, all), Instant::now()) {
                output::say(&line);
            }
        });
    }
    let bar = bar::new(
        "{bar:30} {pos} of {len} runs, {elapsed}, about {eta} to go",
        1,
    );
    let answer = run(&|done, all| {
        bar.set_length(count(all));
        bar.set_position(count(done));
    });
    bar.finish_and_clear();
    answer
}

/// When a line is due, and what it says.
struct Lines {
    begun: Instant,
    last: Instant,
}

impl Lines {
    fn new(now: Instant) -> Lines {
        Lines {
            begun: now,
            last: now,
        }
    }

    /// The line that is due `now` that so many of so many runs are done.
    fn line(&mut self, (done, all): (usize, usize), now: Instant) -> Option<String> {
        if now.duration_since(self.last) < SELDOM {
            return None;
        }
        self.last = now;
        let gone = now.duration_since(self.begun);
        let left = if done >= all.div_ceil(ENOUGH) {
            bar::left(gone, count(done), count(all))
        } else {
            String::new()
        };
        Some(format!("{done}/{all} runs{left}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_comes_now_and_then_and_says_how_much_is_left() {
        let begun = Instant::now();
        let mut lines = Lines::new(begun);
        assert_eq!(lines.line((1, 20), begun + SELDOM / 2), None);
        let told = lines.line((1, 20), begun + SELDOM);
        assert_eq!(told.as_deref(), Some("1/20 runs"));
        assert_eq!(lines.line((2, 20), begun + SELDOM), None);
        let told = lines.line((5, 20), begun + 2 * SELDOM);
        assert_eq!(told.as_deref(), Some("5/20 runs (about 2 minutes left)"));
        let told = lines.line((20, 20), begun + 3 * SELDOM);
        assert_eq!(told.as_deref(), Some("20/20 runs"));
    }
}
