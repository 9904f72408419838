//! Names: of modules, of tests.

use crate::assert_clean;
use crate::source::{line_of, name_at, sources};

/// Names that say nothing.
const EMPTY: [&str; 8] = [
    "util", "utils", "common", "helper", "helpers", "misc", "shared", "stuff",
];
/// Words in the name of a test at least: fewer are not a statement.
const TEST_WORDS_MIN: usize = 3;

#[test]
fn modules_are_named_by_what_they_own() {
    let mut findings = Vec::new();
    for source in sources(&["src", "tests", "benches", "examples"]) {
        let parts = source.path.trim_end_matches(".rs").split('/');
        // Helper programs of other projects are called that; ours only talk to one.
        let known = source.path == "src/serve/fuse/helper.rs";
        if !known && parts.into_iter().any(|part| EMPTY.contains(&part)) {
            findings.push(source.path.clone());
        }
    }
    assert_clean("A name must say what a module owns:", &findings);
}

#[test]
fn tests_are_named_by_statements() {
    let mut findings = Vec::new();
    for source in sources(&["src", "tests"]) {
        for (at, _) in source.code.match_indices("#[test]") {
            let Some((_, rest)) = source.code[at..].split_once("fn ") else {
                continue;
            };
            let name = name_at(rest);
            if name.split('_').filter(|word| !word.is_empty()).count() < TEST_WORDS_MIN {
                let line = line_of(&source.code, at);
                findings.push(format!("{}:{line}: {name}", source.path));
            }
        }
    }
    assert_clean("The name of a test states what holds:", &findings);
}
