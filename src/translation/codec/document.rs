//! Compares the layouts that decoding follows with the tables in `docs/image-format.md`.
//!
//! Only offsets, lengths and names of fields are compared; what the document says of their meaning
//! is not.

use crate::translation::codec::field::Reader;
use crate::translation::codec::header::{self, seal};
use crate::translation::codec::tests::{sample_delta, sample_full, sample_journal};
use crate::translation::codec::{map_record, record};

const DOCUMENT: &str = include_str!("../../../docs/image-format.md");

/// A field as decoding met it: offset, bytes, name.
pub(crate) type Seen = (usize, usize, &'static str);

/// Compares the fields of one structure with the table under the marker `layout: name`. Offsets
/// count from `base`.
#[track_caller]
pub(crate) fn check(name: &str, base: usize, seen: &[Seen]) {
    let decoded: Vec<String> = seen
        .iter()
        .map(|(offset, bytes, field)| format!("| {} | {bytes} | {field} |", offset - base))
        .collect();
    assert_eq!(
        decoded.join("\n"),
        documented(name).join("\n"),
        "layout of {name}"
    );
}

#[track_caller]
fn documented(name: &str) -> Vec<String> {
    let marker = format!("<!-- layout: {name} -->");
    let (_, after) = DOCUMENT
        .split_once(&marker)
        .unwrap_or_else(|| panic!("no {marker} in the document"));
    after
        .lines()
        .skip_while(|line| !line.starts_with('|'))
        .take_while(|line| line.starts_with('|'))
        .skip(2)
        .map(|line| {
            let cells: Vec<&str> = line.split('|').map(str::trim).collect();
            format!("| {} | {} | {} |", cells[1], cells[2], cells[3])
        })
        .collect()
}

/// Compares the only entry of a table, whose fields are called `name.something`.
#[track_caller]
fn check_entry(seen: &[Seen], name: &str) {
    let of_entry = |(_, _, field): &&Seen| field.split('.').next() == Some(name);
    let fields: Vec<Seen> = seen.iter().filter(of_entry).copied().collect();
    check(name, fields[0].0, &fields);
}

/// The header and the fields that every record of the kind has.
fn fixed(seen: &[Seen]) -> Vec<Seen> {
    let fixed = seen
        .iter()
        .filter(|(_, _, field)| !field.contains('.') && *field != "tag");
    fixed.copied().collect()
}

fn journal_fields() -> Vec<Seen> {
    let sample = sample_journal();
    let (mut bytes, _) = record::encode_journal(&sample.header, &sample.payload, &sample.changes);
    seal(&mut bytes);
    let (common, mut reader) = header::open(&bytes, &record::sought(sample.header.at)).unwrap();
    record::read_body(&common, &mut reader).unwrap();
    reader.seen
}

fn map_fields(sample: map_record::MapRecord) -> Vec<Seen> {
    let (header, mut bytes) = match sample {
        map_record::MapRecord::Full { header, state } => {
            (header, map_record::encode_state(&header, &state))
        }
        map_record::MapRecord::Delta {
            header,
            index,
            changes,
        } => (header, map_record::encode_delta(&header, index, &changes)),
    };
    seal(&mut bytes);
    let (common, mut reader): (_, Reader<'_>) =
        header::open(&bytes, &map_record::sought(header.at)).unwrap();
    map_record::read_body(&common, &mut reader).unwrap();
    reader.seen
}

#[test]
fn the_document_shows_the_header_of_every_record() {
    for seen in [
        journal_fields(),
        map_fields(sample_full()),
        map_fields(sample_delta()),
    ] {
        check("header", 0, &seen[..8]);
    }
}

#[test]
fn the_document_shows_the_journal_record() {
    let seen = journal_fields();
    check("journal", 0, &fixed(&seen)[8..]);
    check_entry(&seen, "span");
}

#[test]
fn the_document_shows_every_change() {
    let seen = journal_fields();
    let changes: Vec<&[Seen]> = seen
        .split(|(_, _, field)| *field == "tag")
        .skip(1)
        .collect();
    let names = ["stage", "append", "divert", "trim", "cleaned"];
    assert_eq!(changes.len(), names.len());
    for (name, fields) in names.iter().zip(changes) {
        let start = fields[0].0 - 1;
        check(name, start, &[&[(start, 1, "tag")], fields].concat());
    }
}

#[test]
fn the_document_shows_the_map_records() {
    let seen = map_fields(sample_full());
    check("full", 0, &fixed(&seen)[8..]);
    for table in ["extent", "place", "pass", "head", "age"] {
        check_entry(&seen, table);
    }
    check("delta", 0, &fixed(&map_fields(sample_delta()))[8..]);
}
