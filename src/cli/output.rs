//! Owns what goes to stdout and the one place where errors are printed.
//!
//! A reader that goes away (`| head`) is not an error. Always holds: of control characters only line
//! breaks and tabs are printed as they are, since names come from files, and a terminal obeys what they
//! say.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::io::{self, Write as _};

use super::exit::{self, RigError};

/// Prints `text`.
pub(super) fn print(text: &str) -> Result<(), RigError> {
    let mut out = io::stdout().lock();
    match out
        .write_all(tame(text).as_bytes())
        .and_then(|()| out.flush())
    {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|source| RigError {
            doing: "write the results to stdout",
            source,
        }),
    }
}

/// Prints a value as indented JSON.
pub(super) fn print_json(value: &serde_json::Value) -> Result<(), RigError> {
    print(&tame_json(&format!("{value:#}\n")))
}

/// The same object, without what a terminal would obey: in strings of JSON such characters are escaped,
/// and nowhere else in it can they be.
fn tame_json(text: &str) -> String {
    let mut tamed = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() && c != '\n' {
            let _ = write!(tamed, "\\u{:04x}", u32::from(c));
        } else {
            tamed.push(c);
        }
    }
    tamed
}

/// Says something on stderr that is neither an error nor for a log.
pub(super) fn say(line: &str) {
    // Where stderr is closed nobody is to be told.
    let _ = writeln!(io::stderr().lock(), "{}", tame(line));
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

/// The text without what a terminal would obey: such characters are written out, as `\u{1b}`.
fn tame(text: &str) -> Cow<'_, str> {
    let obeyed = |c: char| c.is_control() && c != '\n' && c != '\t';
    if !text.contains(obeyed) {
        return Cow::Borrowed(text);
    }
    let mut tamed = String::with_capacity(text.len());
    for c in text.chars() {
        if obeyed(c) {
            tamed.extend(c.escape_default());
        } else {
            tamed.push(c);
        }
    }
    Cow::Owned(tamed)
}

/// A table of two columns, one line each.
pub(super) fn table(rows: &[(&str, String)]) -> String {
    let mut text = String::new();
    for (name, value) in rows {
        let _ = writeln!(text, "{name:<28}{value}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_terminal_would_obey_is_written_out() {
        assert_eq!(tame("sd\u{1b}[31mb\r\n"), "sd\\u{1b}[31mb\\r\n");
        assert_eq!(tame("\u{9b}2J\u{7f}\0"), "\\u{9b}2J\\u{7f}\\u{0}");
        let value = serde_json::json!({ "name": "\u{1b}\u{7f}\u{9b}ä", "b": [1] });
        let text = tame_json(&format!("{value:#}\n"));
        assert!(
            !text.contains(|c: char| c.is_control() && c != '\n'),
            "{text}"
        );
        let back: serde_json::Value = serde_json::from_str(&text).expect("it is JSON still");
        assert_eq!(back, value);
        assert!(matches!(tame("a\tb ä €\n"), Cow::Borrowed(_)));
    }
}
