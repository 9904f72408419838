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
