//! Owns the results as other tools read them: `JUnit` XML, a suite for each drive and a case for each
//! cell.
//!
//! A cell that failed is a failure, one whose drive or machine failed an error, an invalid one skipped.

use std::fmt::Write as _;
use std::io::Write;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};

use super::results::{Header, Line};
use super::verdict::Outcome;

/// Writes `lines` to `to`.
///
/// # Errors
/// What writing says.
pub fn write<W: Write>(header: &Header, lines: &[Line], to: W) -> std::io::Result<()> {
    let mut writer = Writer::new_with_indent(to, b' ', 2);
    writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let mut suites: Vec<(&str, Vec<&Line>)> = Vec::new();
    for line in lines {
        match suites.iter_mut().find(|(drive, _)| *drive == line.profile) {
            Some((_, lines)) => lines.push(line),
            None => suites.push((&line.profile, vec![line])),
        }
    }
    let all: Vec<&Line> = lines.iter().collect();
    let name = clean(&header.name);
    let totals = Totals::of(&all);
    let mut outer = writer.create_element("testsuites");
    outer = outer.with_attribute(("name", name.as_str()));
    for (key, value) in totals.attributes() {
        outer = outer.with_attribute((key, value.as_str()));
    }
    outer.write_inner_content(|writer| {
        for (drive, lines) in &suites {
            write_suite(writer, &name, drive, lines)?;
        }
        Ok(())
    })?;
    let mut to = writer.into_inner();
    writeln!(to)
}

/// What a suite counts.
struct Totals {
    tests: usize,
    failures: usize,
    errors: usize,
    skipped: usize,
    took_ms: u64,
}

impl Totals {
    fn of(lines: &[&Line]) -> Totals {
        let count = |wanted: &[Outcome]| {
            let found = lines.iter().filter(|line| wanted.contains(&line.outcome));
            found.count()
        };
        Totals {
            tests: lines.len(),
            failures: count(&[Outcome::Failed]),
            errors: count(&[Outcome::DriveFailed, Outcome::RigFault]),
            skipped: count(&[Outcome::Invalid]),
            took_ms: lines.iter().map(|line| line.took_ms).sum(),
        }
    }

    fn attributes(&self) -> [(&'static str, String); 5] {
        [
            ("tests", self.tests.to_string()),
            ("failures", self.failures.to_string()),
            ("errors", self.errors.to_string()),
            ("skipped", self.skipped.to_string()),
            ("time", seconds(self.took_ms)),
        ]
    }
}

fn write_suite<W: Write>(
    writer: &mut Writer<W>,
    matrix: &str,
    drive: &str,
    lines: &[&Line],
) -> std::io::Result<()> {
    let drive = clean(drive);
    let mut suite = writer
        .create_element("testsuite")
        .with_attribute(("name", drive.as_str()));
    for (key, value) in Totals::of(lines).attributes() {
        suite = suite.with_attribute((key, value.as_str()));
    }
    suite.write_inner_content(|writer| {
        for line in lines {
            write_case(writer, &format!("{matrix}.{drive}"), line)?;
        }
        Ok(())
    })?;
    Ok(())
}

fn write_case<W: Write>(writer: &mut Writer<W>, class: &str, line: &Line) -> std::io::Result<()> {
    let name = clean(&format!("cell {}: {}", line.cell, line.words()));
    let took = seconds(line.took_ms);
    let case = writer
        .create_element("testcase")
        .with_attribute(("name", name.as_str()))
        .with_attribute(("classname", class))
        .with_attribute(("time", took.as_str()));
    let element = match line.outcome {
        Outcome::Passed => {
            case.write_empty()?;
            return Ok(());
        }
        Outcome::Failed => "failure",
        Outcome::Invalid => "skipped",
        Outcome::DriveFailed | Outcome::RigFault => "error",
    };
    let complaint = clean(&line.complaint());
    case.write_inner_content(|writer| {
        let mut told = writer
            .create_element(element)
            .with_attribute(("message", complaint.as_str()));
        if element != "skipped" {
            told = told.with_attribute(("type", line.outcome.word()));
        }
        told.write_text_content(BytesText::new(&clean(&details(line))))?;
        Ok(())
    })?;
    Ok(())
}

fn details(line: &Line) -> String {
    let mut text = String::new();
    for one in &line.assertions {
        let holds = if one.holds { "holds" } else { "does not hold" };
        let _ = writeln!(text, "{}: {} ({holds})", one.what, one.measured);
    }
    for (name, value) in &line.figures {
        let _ = writeln!(text, "{name} {value}");
    }
    text
}

fn seconds(ms: u64) -> String {
    format!("{}.{:03}", ms / 1000, ms % 1000)
}

/// Without what XML cannot hold, however it is written.
fn clean(text: &str) -> String {
    let allowed = |c: &char| matches!(c, '\t' | '\n' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
    text.chars().filter(allowed).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use quick_xml::Reader;

    use super::*;
    use crate::lab::matrix::verdict::Assertion;

    fn line(cell: u64, profile: &str, outcome: Outcome) -> Line {
        Line {
            cell,
            profile: profile.to_owned(),
            profile_mark: None,
            start: "new".to_owned(),
            workload: "a < b & \"c\" \u{7} \u{b5}".to_owned(),
            seed: 1,
            changes: Vec::new(),
            outcome,
            why: (outcome != Outcome::Passed).then(|| "]]> <because>".to_owned()),
            assertions: vec![Assertion {
                what: "write p99 at most 40 ms".to_owned(),
                measured: "52.3 ms".to_owned(),
                holds: outcome == Outcome::Passed,
            }],
            figures: BTreeMap::new(),
            took_ms: 1_250,
        }
    }

    /// Elements in order with their depth, and attributes by name.
    fn parsed(xml: &str) -> Vec<(usize, String, BTreeMap<String, String>)> {
        let mut reader = Reader::from_str(xml);
        let (mut depth, mut found) = (0, Vec::new());
        loop {
            let event = reader.read_event().expect("well-formed");
            let (start, opens) = match &event {
                Event::Start(start) => (start, true),
                Event::Empty(start) => (start, false),
                Event::End(_) => {
                    depth -= 1;
                    continue;
                }
                Event::Eof => break,
                _ => continue,
            };
            let attributes = start.attributes().map(|attribute| {
                let attribute = attribute.expect("well-formed");
                let name = String::from_utf8(attribute.key.0.to_vec()).unwrap();
                (name, attribute.unescape_value().unwrap().into_owned())
            });
            let name = String::from_utf8(start.name().0.to_vec()).unwrap();
            found.push((depth, name, attributes.collect()));
            depth += usize::from(opens);
        }
        assert_eq!(depth, 0, "all are closed");
        found
    }

    #[test]
    fn what_is_written_reads_back_with_every_outcome_in_its_place() {
        let header = Header {
            kind: String::new(),
            version: 1,
            name: "<m>".to_owned(),
            fingerprint: String::new(),
            cells: 5,
        };
        let lines = [
            line(1, "a", Outcome::Passed),
            line(2, "b", Outcome::Failed),
            line(3, "a", Outcome::Invalid),
            line(4, "b", Outcome::DriveFailed),
            line(5, "b", Outcome::RigFault),
        ];
        let mut xml = Vec::new();
        write(&header, &lines, &mut xml).unwrap();
        let found = parsed(std::str::from_utf8(&xml).unwrap());
        let shape: Vec<(usize, &str)> = found
            .iter()
            .map(|(d, name, _)| (*d, name.as_str()))
            .collect();
        assert_eq!(
            shape,
            [
                (0, "testsuites"),
                (1, "testsuite"),
                (2, "testcase"),
                (2, "testcase"),
                (3, "skipped"),
                (1, "testsuite"),
                (2, "testcase"),
                (3, "failure"),
                (2, "testcase"),
                (3, "error"),
                (2, "testcase"),
                (3, "error"),
            ]
        );
        let counts = |at: usize| {
            let get = |key: &str| found[at].2[key].clone();
            ["name", "tests", "failures", "errors", "skipped", "time"].map(get)
        };
        assert_eq!(counts(0), ["<m>", "5", "1", "2", "1", "6.250"]);
        assert_eq!(counts(1), ["a", "2", "0", "0", "1", "2.500"]);
        assert_eq!(counts(5), ["b", "3", "1", "2", "0", "3.750"]);
        assert_eq!(
            found[2].2["name"], "cell 1: a, new, a < b & \"c\"  \u{b5}, seed 1",
            "what XML cannot hold is left out"
        );
        assert_eq!(found[2].2["classname"], "<m>.a");
        let message = "]]> <because>; write p99 at most 40 ms: 52.3 ms";
        assert_eq!(found[7].2["message"], message);
        assert_eq!(found[9].2["type"], "drive-failed");
        assert_eq!(found[11].2["type"], "rig-fault");
    }
}
