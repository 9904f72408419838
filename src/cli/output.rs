//! Owns what goes to stdout and the one place where errors are printed.
//!
//! A reader that goes away (`| head`) is not an error.

use std::fmt::Write as _;
use std::io::{self, Write as _};

use super::exit::{self, RigError};

/// Prints `text` as it is.
pub(super) fn print(text: &str) -> Result<(), RigError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|source| RigError {
            doing: "write the results to stdout",
            source,
        }),
    }
}

/// Prints a value as indented JSON.
pub(super) fn print_json(value: &serde_json::Value) -> Result<(), RigError> {
    print(&format!("{value:#}\n"))
}

/// Says something on stderr that is neither an error nor for a log.
pub(super) fn say(line: &str) {
    // Where stderr is closed nobody is to be told.
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// Prints an error and everything that led to it.
pub(super) fn complain(error: &anyhow::Error) {
    let mut text = format!("imbrex: {error}");
    let mut last = error.to_string();
    for cause in error.chain().skip(1) {
        let words = cause.to_string();
        // Some errors name their source in their own message.
        if !last.contains(&words) {
            let _ = write!(text, "\n  because: {words}");
        }
        last = words;
    }
    if let Some(option) = exit::option_for(error) {
        let _ = write!(text, "\n  the option that says so: {option}");
    }
    say(&text);
}

/// A table of two columns, one line each.
pub(super) fn table(rows: &[(&str, String)]) -> String {
    let mut text = String::new();
    for (name, value) in rows {
        let _ = writeln!(text, "{name:<28}{value}");
    }
    text
}
