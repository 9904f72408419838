//! Owns how a line of a table is parted into fields, for every table that is read.
//!
//! Always holds: a field is what lies between two separators, without blanks around it, or all that lies
//! between two quotes; whatever else quotes do in a line is told and not guessed at (readers of such
//! tables read on behind a quote that is never closed, which turns the rest of a file into a field). A
//! line break belongs to no field. What the fields mean is not known here.

use std::borrow::Cow;
use std::fmt;

/// What is wrong with the quotes of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Broken {
    /// Which character, from 1 on.
    pub(super) character: u64,
    /// What.
    pub(super) what: &'static str,
}

/// A quote without an end.
pub(super) const UNCLOSED: &str = "a quote that is not closed in its line";
/// A quote where none can be.
pub(super) const INSIDE: &str =
    "a quote inside a field: put the whole field in quotes, and each quote in it twice";

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "character {}: {}", self.character, self.what)
    }
}

/// Hands each field of `line` to `each`, quotes around it taken off; the quotes in it stand twice, as
/// they do in the line (see [`unescaped`]).
pub(super) fn part<'l>(
    line: &'l str,
    separator: char,
    mut each: impl FnMut(&'l str),
) -> Result<(), Broken> {
    if !line.contains('"') {
        line.split(separator).for_each(|field| each(field.trim()));
        return Ok(());
    }
    let mut at = 0;
    loop {
        let rest = &line[at..];
        let blank = rest.len() - rest.trim_start_matches(' ').len();
        let Some(quoted) = rest[blank..].strip_prefix('"') else {
            let end = rest.find(separator).unwrap_or(rest.len());
            if let Some(quote) = rest[..end].find('"') {
                return Err(broken(line, at + quote, INSIDE));
            }
            each(rest[..end].trim());
            if end == rest.len() {
                return Ok(());
            }
            at += end + separator.len_utf8();
            continue;
        };
        let open = at + blank;
        let Some(length) = closing(quoted) else {
            return Err(broken(line, open, UNCLOSED));
        };
        each(&quoted[..length]);
        let behind = open + 1 + length + 1;
        let rest = line[behind..].trim_start_matches(' ');
        match rest.strip_prefix(separator) {
            Some(rest) => at = line.len() - rest.len(),
            None if rest.is_empty() => return Ok(()),
            None => return Err(broken(line, behind - 1, INSIDE)),
        }
    }
}

/// A field as it was meant: what stands twice in a quoted one is one quote.
pub(super) fn unescaped(field: &str) -> Cow<'_, str> {
    if field.contains('"') {
        Cow::Owned(field.replace("\"\"", "\""))
    } else {
        Cow::Borrowed(field)
    }
}

/// Where the quote is that closes a field which begins here.
fn closing(quoted: &str) -> Option<usize> {
    let mut at = 0;
    loop {
        at += quoted[at..].find('"')?;
        if quoted[at + 1..].starts_with('"') {
            at += 2;
        } else {
            return Some(at);
        }
    }
}

fn broken(line: &str, at: usize, what: &'static str) -> Broken {
    Broken {
        character: crate::units::count(line[..at].chars().count()) + 1,
        what,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parted(line: &str) -> Result<Vec<String>, Broken> {
        let mut fields = Vec::new();
        part(line, ',', |field| {
            fields.push(unescaped(field).into_owned());
        })?;
        Ok(fields)
    }

    #[test]
    fn fields_are_parted_and_quotes_taken_off() {
        for (line, expected) in [
            ("", vec![""]),
            ("a", vec!["a"]),
            (" a , b,", vec!["a", "b", ""]),
            ("\"a, b\",c", vec!["a, b", "c"]),
            ("1 , \" a\" ,\"\"", vec!["1", " a", ""]),
            (
                "\"he said \"\"no\"\"\",\"\"\"\"",
                vec!["he said \"no\"", "\""],
            ),
            ("\"ä\",ö", vec!["ä", "ö"]),
        ] {
            assert_eq!(parted(line).unwrap(), expected, "{line}");
        }
    }

    #[test]
    fn whatever_else_quotes_do_is_told_with_its_place() {
        for (line, character, what) in [
            ("a,\"b", 3, UNCLOSED),
            ("\"", 1, UNCLOSED),
            ("ä,\"b\"\"", 3, UNCLOSED),
            ("a\"b\",c", 2, INSIDE),
            ("a,\"b\"c", 5, INSIDE),
            ("a,\"b\" \"c\"", 5, INSIDE),
        ] {
            assert_eq!(parted(line), Err(Broken { character, what }), "{line}");
        }
    }

    proptest! {
        #[test]
        fn what_was_put_in_quotes_comes_out(fields in prop::collection::vec("[a\", ä]{0,5}", 1..5)) {
            let quoted: Vec<String> = fields
                .iter()
                .map(|field| format!("\"{}\"", field.replace('"', "\"\"")))
                .collect();
            prop_assert_eq!(parted(&quoted.join(",")), Ok(fields));
        }

        #[test]
        fn no_line_makes_it_panic(line in "[a\",ä ]{0,12}") {
            if let Err(broken) = parted(&line) {
                let length = u64::try_from(line.chars().count()).unwrap();
                prop_assert!((1..=length).contains(&broken.character), "{broken}");
            }
        }
    }
}
