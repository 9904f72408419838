//! Owns the bars that people see while something takes long: on a terminal, and nowhere else.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

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
