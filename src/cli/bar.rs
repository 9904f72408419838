//! Owns the bars that people see while something takes long, on a terminal and nowhere else, and how it is
//! said how much is left where there are lines instead.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{HumanDuration, ProgressBar, ProgressStyle};

/// A bar of so many steps that is redrawn from time to time.
///
/// # Panics
/// If `template` is none of indicatif's.
pub(super) fn new(template: &'static str, steps: u64) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template(template).expect("the template is well-formed");
    let bar = ProgressBar::new(steps).with_style(style);
    bar.enable_steady_tick(Duration::from_millis(500));
    bar
}

/// About how much is left after `gone`, of parts that each count the same: ` (about 2 minutes left)`, or
/// nothing where that is not known or nothing is.
pub(super) fn left(gone: Duration, done: u64, all: u64) -> String {
    match (u32::try_from(done), u32::try_from(all - done)) {
        (Ok(done @ 1..), Ok(rest @ 1..)) => {
            format!(" (about {} left)", HumanDuration(gone / done * rest))
        }
        _ => String::new(),
    }
}
