//! Owns lists of structures on a drive (journal, inode tables, data ...): a CSV file that says which
//! bytes belong to what.
//!
//! Always holds: the ranges of a list that was read are in ascending order, do not overlap and are not
//! empty. What a filesystem means by a name is not known here; `scripts/structures` makes such lists.

use std::borrow::Cow;
use std::fmt;

use super::fields;

/// Faults listed before the rest is only counted.
const FAULTS_MAX: usize = 10;

/// Who owns what a list leaves out.
pub(super) const NOT_LISTED: &str = "not listed";
/// Who stands for what was there before a run, where causes are told.
pub(super) const BEFORE: &str = "before the run";
/// Who stands for what nobody caused.
pub(super) const NOBODY: &str = "nobody";
/// Names of what no list names, beside which a structure would be mistaken.
const RESERVED: [&str; 3] = [NOT_LISTED, BEFORE, NOBODY];

/// A run of bytes and what lies there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Structure {
    /// First byte.
    pub start: u64,
    /// One past the last byte.
    pub end: u64,
    /// What it is.
    pub name: String,
}

/// A list that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{file} is no list of structures:{}{}", list(.faults), more(.faults))]
pub struct StructuresError {
    /// Name of the file, for people.
    pub file: String,
    /// Everything that is wrong, in order of the file.
    pub faults: Vec<Fault>,
}

/// What is wrong with a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Which, from 1 on.
    pub line: u64,
    /// What.
    pub what: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.what)
    }
}

fn list(faults: &[Fault]) -> String {
    let shown = faults.iter().take(FAULTS_MAX);
    let lines: Vec<String> = shown.map(|fault| format!("\n  {fault}")).collect();
    lines.concat()
}

fn more(faults: &[Fault]) -> String {
    match faults.len().saturating_sub(FAULTS_MAX) {
        0 => String::new(),
        more => format!("\n  and {more} more"),
    }
}

/// Which column holds what.
struct Columns {
    start: usize,
    /// The end, or, if `counts`, the bytes.
    length: usize,
    counts: bool,
    name: usize,
}

/// Reads the text of a list. Columns `start`, `name`, and `end` (the first byte that no longer belongs
/// to it) or `bytes`, in any order, named in the first line; all numbers are bytes. Lines that begin with
/// `#` and empty ones are passed over.
///
/// # Errors
/// Every line that says nothing, says something else than the first line announces, is out of order or
/// overlaps the one before it.
pub fn parse(file: &str, text: &str) -> Result<Vec<Structure>, StructuresError> {
    let refused = |faults| StructuresError {
        file: file.to_owned(),
        faults,
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let lines = text
        .lines()
        .zip(1..)
        .filter(|(line, _)| !line.starts_with('#') && !line.trim().is_empty());
    let mut lines = lines.map(|(line, number)| (parted(line), number));
    let (head, number) = lines.next().unwrap_or_else(|| (Ok(Vec::new()), 1));
    let columns = head.and_then(|head| columns(&head));
    let columns = columns.map_err(|what| {
        let line = number;
        refused(vec![Fault { line, what }])
    })?;
    let mut structures: Vec<Structure> = Vec::new();
    let mut faults = Vec::new();
    let mut last_line = 0;
    for (fields, line) in lines {
        let read = fields.and_then(|fields| row(&columns, &fields));
        let checked = read.and_then(|structure| match structures.last() {
            Some(before) => follows(before, last_line, structure),
            None => Ok(structure),
        });
        match checked {
            Ok(structure) => {
                structures.push(structure);
                last_line = line;
            }
            Err(what) => faults.push(Fault { line, what }),
        }
    }
    if structures.is_empty() && faults.is_empty() {
        let what = "it lists nothing".to_owned();
        faults.push(Fault { line: 1, what });
    }
    if faults.is_empty() {
        Ok(structures)
    } else {
        Err(refused(faults))
    }
}

fn parted(line: &str) -> Result<Vec<Cow<'_, str>>, String> {
    let mut all = Vec::new();
    fields::part(line, ',', |field| all.push(fields::unescaped(field)))
        .map_err(|broken| broken.to_string())?;
    Ok(all)
}

fn columns(head: &[Cow<'_, str>]) -> Result<Columns, String> {
    let expected = "the first line names the columns: start,end,name or start,bytes,name";
    for (at, name) in head.iter().enumerate() {
        let column = at + 1;
        if !["start", "end", "bytes", "name"].contains(&&**name) {
            return Err(format!("{expected}; there is a column {column}, {name:?}"));
        }
        if let Some(first) = head[..at].iter().position(|other| other == name) {
            let first = first + 1;
            return Err(format!(
                "{expected}; {name} is there twice, as column {first} and column {column}"
            ));
        }
    }
    let place = |name: &str| head.iter().position(|other| other == name);
    let length = match (place("end"), place("bytes")) {
        (Some(end), None) => (end, false),
        (None, Some(bytes)) => (bytes, true),
        (Some(_), Some(_)) => return Err(format!("{expected}; there are both end and bytes")),
        (None, None) => return Err(format!("{expected}; there is neither end nor bytes")),
    };
    let missing = |name: &str| format!("{expected}; there is no {name}");
    Ok(Columns {
        start: place("start").ok_or_else(|| missing("start"))?,
        length: length.0,
        counts: length.1,
        name: place("name").ok_or_else(|| missing("name"))?,
    })
}

/// Fields of a line: a start, an end or a length, a name.
const FIELDS: usize = 3;

fn row(columns: &Columns, fields: &[Cow<'_, str>]) -> Result<Structure, String> {
    if let Some(more) = fields.get(FIELDS) {
        return Err(format!(
            "column {} ({more:?}) has no name in the first line, which names {FIELDS}; a field that \
             holds a comma goes in quotes",
            FIELDS + 1
        ));
    }
    if fields.len() < FIELDS {
        let given = fields.len();
        return Err(format!("it has {given} of {FIELDS} columns"));
    }
    let number = |column: usize| {
        let text = &fields[column];
        text.parse::<u64>()
            .map_err(|_| format!("column {}: {text:?} is no number of bytes", column + 1))
    };
    let (start, length) = (number(columns.start)?, number(columns.length)?);
    let end = if columns.counts {
        let too_far = || format!("{length} bytes from {start} on are beyond all bounds");
        start.checked_add(length).ok_or_else(too_far)?
    } else {
        length
    };
    if end <= start {
        return Err(format!("it begins at {start} and ends at {end}: no byte"));
    }
    let name = &fields[columns.name];
    let column = columns.name + 1;
    if name.is_empty() || name.chars().any(char::is_control) {
        return Err(format!(
            "column {column}: it has no name, or one that cannot be printed"
        ));
    }
    if RESERVED.contains(&&**name) {
        return Err(format!(
            "column {column}: {name:?} is what imbrex calls something else; any name is allowed but {}",
            RESERVED.map(|name| format!("{name:?}")).join(", ")
        ));
    }
    let name = name.clone().into_owned();
    Ok(Structure { start, end, name })
}

/// The structure, if it comes after the one before it, which stood in line `at`.
fn follows(before: &Structure, at: u64, structure: Structure) -> Result<Structure, String> {
    let Structure { start, name, .. } = &structure;
    if *start < before.start {
        let first = before.start;
        return Err(format!(
            "{name} at {start} comes after {} at {first} in line {at}: sort by start",
            before.name
        ));
    }
    if *start < before.end {
        let end = before.end;
        return Err(format!(
            "{name} begins at {start}, inside {} of line {at}, which ends at {end}",
            before.name
        ));
    }
    Ok(structure)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn told(text: &str) -> String {
        parse("x.csv", text).unwrap_err().to_string()
    }

    #[test]
    fn ends_and_lengths_say_the_same() {
        let ends = parse("a", "start,end,name\n0,4096,super\n8192,9000,\"a, b\"\n").unwrap();
        let bytes = parse("b", "name,bytes,start\nsuper,4096,0\n\"a, b\",808,8192\n").unwrap();
        assert_eq!(ends, bytes);
        assert_eq!(ends[1].name, "a, b");
        assert_eq!((ends[1].start, ends[1].end), (8192, 9000));
    }

    #[test]
    fn every_faulty_line_is_told_with_its_number() {
        let text = "start,end,name\n0,10,a\n5,20,b\n30,40,c\n20,25,d\nx,50,e\n60,60,f\n70,80,\n";
        let told = told(text);
        for expected in [
            "line 3: b begins at 5, inside a of line 2, which ends at 10",
            "line 5: d at 20 comes after c at 30 in line 4: sort by start",
            "line 6: column 1: \"x\" is no number of bytes",
            "line 7: it begins at 60 and ends at 60: no byte",
            "line 8: column 3: it has no name",
        ] {
            assert!(told.contains(expected), "{expected} is not in {told}");
        }
    }

    #[test]
    fn no_line_of_what_is_said_ends_in_a_blank() {
        let told = told("start,end,name\n0,10,a\n5,20,b\n");
        assert!(
            told.starts_with("x.csv is no list of structures:\n  line 3: "),
            "{told}"
        );
        assert!(told.lines().all(|line| line.trim_end() == line), "{told:?}");
    }

    #[test]
    fn a_file_of_something_else_is_refused() {
        for (text, words) in [
            ("", "neither end nor bytes"),
            ("start,end,name\n", "lists nothing"),
            ("start,end\n1,2\n", "there is no name"),
            ("start,end,bytes,name\n", "both end and bytes"),
            ("start,end,name,colour\n", "a column 4, \"colour\""),
            (
                "start,end,name,end\n1,2,a,3\n",
                "end is there twice, as column 2 and column 4",
            ),
            (
                "start,end,\"name\n1,2,a\n",
                "character 11: a quote that is not closed",
            ),
            (
                "start,end,name\n0,1,a\n1,2,b,\"c, d\"\n",
                "line 3: column 4 (\"c, d\") has no name in the first line, which names 3",
            ),
            ("start,end,name\n1,2\n", "line 2: it has 2 of 3 columns"),
            (
                "start,end,name\n1,2,a\n# x\n2,3,\"b\n3,4,c\n",
                "line 4: character 5: a quote that is not closed",
            ),
            (
                "start,end,name\n1,2,a\"b\"\n",
                "line 2: character 6: a quote inside",
            ),
            (
                "start,end,name\n1,2,not listed\n",
                "line 2: column 3: \"not listed\" is what imbrex calls something else",
            ),
            (
                "start,end,name\n1,2,nobody\n",
                "but \"not listed\", \"before the run\", \"nobody\"",
            ),
            (
                "start,bytes,name\n2,18446744073709551615,a\n",
                "beyond all bounds",
            ),
        ] {
            assert!(told(text).contains(words), "{text}: {}", told(text));
        }
    }

    proptest! {
        #[test]
        fn what_is_read_is_in_order_and_disjoint(
            rows in prop::collection::vec((0..60_u64, 0..60_u64), 1..8),
        ) {
            let lines: Vec<String> = rows.iter().map(|(a, b)| format!("{a},{b},n\n")).collect();
            let lines = lines.concat();
            let good = rows.iter().all(|(a, b)| a < b)
                && rows.windows(2).all(|pair| pair[0].1 <= pair[1].0);
            let read = parse("x", &format!("start,end,name\n{lines}"));
            prop_assert_eq!(read.is_ok(), good);
            if let Ok(read) = read {
                let read: Vec<(u64, u64)> = read.iter().map(|s| (s.start, s.end)).collect();
                prop_assert_eq!(read, rows);
            }
        }

        #[test]
        fn no_text_makes_it_panic(text in "(start|end|bytes|name|,|\n|[0-9\"a-z# ]){0,60}") {
            let _ = parse("x", &text).map_err(|error| error.to_string().len());
        }
    }
}
