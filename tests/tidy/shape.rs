//! The shape of files and functions: how they open, how long they are.

use crate::source::{Source, find_word, item_end, line_of, name_at, sources};
use crate::{Exception, assert_clean, except};

/// Lines of a file before its tests.
const FILE_LINES_MAX: usize = 400;
/// Lines of a file that is all tests.
const TEST_FILE_LINES_MAX: usize = 600;
/// Lines of a file before its tests, whatever the reason.
const EXCEPTED_LINES_MAX: usize = 600;
const FUNCTION_LINES_MAX: usize = 70;
/// Words that an opening says at least.
const OPENING_WORDS_MIN: usize = 4;

const LONG_FILES: [Exception; 3] = [
    Exception {
        path: "src/drive/engine.rs",
        reason: "the drive's parts, and the moments at which it goes on",
    },
    Exception {
        path: "src/drive/writes.rs",
        reason: "one way of a write from its arrival to its answer",
    },
    Exception {
        path: "src/translation/state.rs",
        reason: "every change is applied in one place, and the counts follow there",
    },
];

const LONG_FUNCTIONS: [Exception; 0] = [];

const EVERYWHERE: [&str; 4] = ["src", "tests", "benches", "examples"];

#[test]
fn every_file_opens_with_what_it_owns() {
    let mut findings = Vec::new();
    for source in sources(&EVERYWHERE) {
        let opening: Vec<&str> = source
            .text
            .lines()
            .map_while(|line| line.strip_prefix("//!"))
            .flat_map(str::split_whitespace)
            .collect();
        if opening.len() < OPENING_WORDS_MIN {
            findings.push(source.path);
        }
    }
    assert_clean(
        "The first line of a file is `//!` and says what the file owns:",
        &findings,
    );
}

#[test]
fn every_folder_has_a_table_of_contents() {
    let mut findings = Vec::new();
    let all = sources(&["src"]);
    for source in &all {
        let (folder, _) = source.path.rsplit_once('/').unwrap();
        let contents = [
            format!("{folder}/mod.rs"),
            format!("{folder}.rs"),
            "src/lib.rs".to_owned(),
        ];
        let named = &contents[..if folder == "src" { 3 } else { 2 }];
        if !all.iter().any(|other| named.contains(&other.path)) {
            findings.push(format!("{folder} has no mod.rs"));
        }
    }
    findings.dedup();
    assert_clean("Each folder has a mod.rs:", &findings);
}

/// Lines up to the tests at the end.
fn lines_before_tests(source: &Source) -> usize {
    let library = source.library.trim_end();
    line_of(library, library.len())
}

#[test]
fn files_are_short() {
    let mut findings = Vec::new();
    for source in sources(&EVERYWHERE) {
        let (lines, most) = if source.is_test() {
            (source.text.lines().count(), TEST_FILE_LINES_MAX)
        } else {
            (lines_before_tests(&source), FILE_LINES_MAX)
        };
        assert!(
            lines <= EXCEPTED_LINES_MAX,
            "{}: {lines} lines; no reason is good enough for that",
            source.path
        );
        if lines > most {
            findings.push((source.path, format!("{lines} lines, at most {most}")));
        }
    }
    let findings = except(findings, &LONG_FILES);
    assert_clean("One idea per file:", &findings);
}

/// The functions with a body: name, first line, lines.
fn functions(code: &str) -> Vec<(&str, usize, usize)> {
    let mut found = Vec::new();
    for at in find_word(code, "fn") {
        let name = name_at(code[at + 2..].trim_start());
        if name.is_empty() {
            continue;
        }
        let end = item_end(code, at);
        if code[..end].ends_with('}') {
            let (first, last) = (line_of(code, at), line_of(code, end));
            found.push((name, first, last - first + 1));
        }
    }
    found
}

#[test]
fn functions_are_short() {
    let mut findings = Vec::new();
    for source in sources(&EVERYWHERE) {
        for (name, line, lines) in functions(&source.code) {
            if lines > FUNCTION_LINES_MAX {
                let which = format!("{}: {name}", source.path);
                findings.push((which, format!("{lines} lines from line {line} on")));
            }
        }
    }
    let findings = except(findings, &LONG_FUNCTIONS);
    assert_clean(
        "A function has at most 70 lines: branch in the parent, compute in the leaf:",
        &findings,
    );
}

#[test]
fn the_lines_of_a_function_are_counted_to_its_brace() {
    let code = "fn a(f: fn(u8) -> u8) -> [u8; 2] {\n  {}\n}\ntrait T { fn b(&self); }\nfn c() {}";
    assert_eq!(functions(code), [("a", 1, 3), ("c", 5, 1)]);
}
