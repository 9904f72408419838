//! Words that have no place in the sources, or only in one.

use std::path::Path;

use crate::source::{collect, find_word, line_of, relative, root, sources};
use crate::{Exception, assert_clean, except};

/// Left behind by somebody who was not done.
const UNFINISHED: [&str; 7] = [
    concat!("FIX", "ME"),
    concat!("TO", "DO"),
    concat!("XX", "X"),
    concat!("HA", "CK"),
    concat!("dbg", "!"),
    concat!("todo", "!"),
    concat!("unimplemented", "!"),
];

/// Where machines keep things; no path of one belongs into a project.
const MACHINE: [&str; 4] = [
    concat!("/wo", "rk/"),
    concat!("/ro", "ot/"),
    concat!("/ho", "me/"),
    concat!("/Us", "ers/"),
];

/// Files at the root of the project and below its folders, as text.
fn texts() -> Vec<(String, String)> {
    let mut paths = Vec::new();
    for folder in [
        "src", "tests", "benches", "examples", "docs", "configs", "scripts", ".github", "fuzz",
    ] {
        collect(&root().join(folder), "", &mut paths);
    }
    for entry in std::fs::read_dir(root()).unwrap() {
        let path = entry.unwrap().path();
        // In a second working tree `.git` is a file that says where the first one is.
        let foreign = ["Cargo.lock", ".git"];
        if path.is_file() && !foreign.iter().any(|name| path.ends_with(name)) {
            paths.push(path);
        }
    }
    paths.retain(|path| !path.components().any(|part| part.as_os_str() == "target"));
    paths.sort();
    // What is no text (a corpus of a fuzzer) names nothing.
    let read = |path: &Path| Some((relative(path), std::fs::read_to_string(path).ok()?));
    paths.iter().filter_map(|path| read(path)).collect()
}

#[test]
fn nothing_is_left_unfinished() {
    let mut findings = Vec::new();
    for (path, text) in texts() {
        for word in UNFINISHED {
            // The last character of a macro's name is no letter.
            let name = word.trim_end_matches('!');
            let hits = find_word(&text, name).filter(|&at| text[at..].starts_with(word));
            findings.extend(hits.map(|at| format!("{path}:{}: {word}", line_of(&text, at))));
        }
    }
    assert_clean("Finish it, or write down why it is not:", &findings);
}

#[test]
fn no_path_of_a_machine_is_named() {
    let mut findings = Vec::new();
    for (path, text) in texts() {
        for word in MACHINE {
            let hits = text.match_indices(word);
            findings.extend(hits.map(|(at, _)| format!("{path}:{}: {word}", line_of(&text, at))));
        }
    }
    assert_clean("A path of one machine means nothing on another:", &findings);
}

#[test]
fn the_library_does_not_unwrap() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        for word in [".unwrap()", ".unwrap_err()", ".unwrap_unchecked()"] {
            let hits = source.library.match_indices(word);
            findings.extend(hits.map(|(at, _)| {
                let line = line_of(&source.library, at);
                format!("{}:{line}: {word}", source.path)
            }));
        }
    }
    assert_clean("`expect` states why it cannot fail:", &findings);
}

/// Words that a reason has at least.
const REASON_WORDS_MIN: usize = 2;

#[test]
fn what_is_expected_has_a_reason() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        for (at, word) in source.library.match_indices(".expect(") {
            let literal = source.text[at + word.len()..].trim_start();
            let reason = literal
                .strip_prefix('"')
                .and_then(|rest| rest.split_once('"'))
                .map(|(reason, _)| reason);
            if reason.is_some_and(|reason| reason.split(' ').count() < REASON_WORDS_MIN) {
                let line = line_of(&source.library, at);
                findings.push(format!("{}:{line}: {reason:?}", source.path));
            }
        }
    }
    assert_clean("`expect` states why it cannot fail:", &findings);
}

#[test]
fn names_are_imported_one_by_one() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        let library = &source.library;
        let hits = ["::*;", "::*,", "::*}", "{*"].into_iter();
        for (at, _) in hits.flat_map(|word| library.match_indices(word)) {
            let line = line_of(library, at);
            findings.push(format!("{}:{line}", source.path));
        }
    }
    assert_clean("Globs are for `mod tests`:", &findings);
}

const UNSAFE: [Exception; 3] = [
    Exception {
        path: "src/medium/memory.rs",
        reason: "memory that the kernel reads and writes behind the compiler's back",
    },
    Exception {
        path: "src/medium/ring.rs",
        reason: "addresses of memory are handed to the kernel",
    },
    Exception {
        path: "src/serve/fuse/helper.rs",
        reason: "a descriptor received over a socket arrives as a bare number",
    },
];

#[test]
fn unsafe_code_stays_in_its_files() {
    let mut findings = Vec::new();
    for source in sources(&["src", "tests", "benches", "examples"]) {
        for word in ["unsafe", "unsafe_code"] {
            for at in find_word(&source.code, word) {
                let line = line_of(&source.code, at);
                findings.push((source.path.clone(), format!("line {line}: {word}")));
            }
        }
    }
    let findings = except(findings, &UNSAFE);
    assert_clean(
        "Unsafe code lives in small files that are listed:",
        &findings,
    );
}
