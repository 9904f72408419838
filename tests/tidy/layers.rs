//! One way down: a folder imports only from folders below it, and what the lower half of the house
//! must not know (threads, clocks, sockets, orders that change from run to run) is not named there.

use crate::source::{Source, find_word, line_of, name_at, sources};
use crate::{Exception, assert_clean, except};

/// Folders and single files of `src`, low to high; those of one row may know one another.
const RANKS: [&[&str]; 13] = [
    &["units", "time", "extent"],
    &["profile"],
    &["mechanics"],
    &["medium"],
    &["translation"],
    &["drive"],
    &["image"],
    &["host"],
    &["control"],
    &["serve", "lab"],
    &["report"],
    &["cli"],
    &["lib", "main"],
];

fn rank(folder: &str) -> Option<usize> {
    RANKS.iter().position(|row| row.contains(&folder))
}

/// Sources from `drive` down.
fn sans_io() -> Vec<Source> {
    let drive = rank("drive").unwrap();
    let mut sources = sources(&["src"]);
    sources.retain(|source| rank(source.folder().unwrap()).is_some_and(|rank| rank <= drive));
    sources
}

/// The folders that code names by `crate::`, and where.
fn crate_paths(code: &str) -> Vec<(usize, &str)> {
    let mut found = Vec::new();
    for at in find_word(code, "crate").filter(|&at| code[at..].starts_with("crate::")) {
        let rest = &code[at + "crate::".len()..];
        if let Some(group) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut fresh = true;
            for (i, c) in group.char_indices() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => fresh = true,
                    c if fresh && !c.is_whitespace() => {
                        found.push((at, name_at(&group[i..])));
                        fresh = false;
                    }
                    _ => {}
                }
            }
        } else {
            found.push((at, name_at(rest)));
        }
    }
    found
}

#[test]
fn folders_import_only_from_folders_below() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        let own = source.folder().unwrap();
        let Some(own_rank) = rank(own) else {
            findings.push(format!(
                "{}: give {own} its place in RANKS of tests/tidy/layers.rs",
                source.path
            ));
            continue;
        };
        for (at, folder) in crate_paths(&source.code) {
            let allowed = rank(folder).is_some_and(|rank| rank <= own_rank);
            if !allowed {
                let line = line_of(&source.code, at);
                findings.push(format!(
                    "{}:{line}: {own} names crate::{folder}",
                    source.path
                ));
            }
        }
    }
    assert_clean("A folder may know only what lies below it:", &findings);
}

#[test]
fn no_path_climbs_out_of_its_folder() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        let inside = source.path.trim_start_matches("src/");
        let modules = inside.trim_end_matches("/mod.rs").matches('/').count() + 1;
        for (at, _) in source.library.match_indices("super::") {
            let chain = source.library[at..]
                .split("super::")
                .take_while(|s| s.is_empty());
            if chain.count() >= modules {
                let line = line_of(&source.library, at);
                findings.push(format!("{}:{line}: name it from crate:: on", source.path));
            }
        }
    }
    assert_clean(
        "A path that leaves its folder begins with crate:: :",
        &findings,
    );
}

#[test]
fn groups_of_imports_are_taken_apart() {
    let code = "use crate::units::Lba; use crate::{time, medium::{arm, guard}, drive};";
    let names: Vec<&str> = crate_paths(code)
        .into_iter()
        .map(|(_, name)| name)
        .collect();
    assert_eq!(names, ["units", "time", "medium", "drive"]);
}

/// Words that the lower half does not use.
const FOREIGN: [&str; 13] = [
    "std::thread",
    "std::net",
    "std::os::unix::net",
    "std::sync",
    "std::time",
    "std::env",
    "std::process",
    "crossbeam_channel",
    "HashMap",
    "HashSet",
    "rand",
    "println",
    "eprintln",
];

const FOREIGN_EXCEPTIONS: [Exception; 4] = [
    Exception {
        path: "src/medium/buffers.rs",
        reason: "buffers are found by name, and nobody goes through all of them",
    },
    Exception {
        path: "src/medium/memory.rs",
        reason: "memory lent to the kernel is counted, since the kernel gives it back when it likes",
    },
    Exception {
        path: "src/medium/memory_store.rs",
        reason: "the mover's copy of the store and the test's are the same store",
    },
    Exception {
        path: "src/medium/mover.rs",
        reason: "shares memory with the kernel by its count",
    },
];

#[test]
fn from_the_drive_down_there_is_no_thread_clock_socket_or_chance() {
    let mut findings = Vec::new();
    for source in sans_io() {
        for word in FOREIGN {
            for at in find_word(&source.library, word) {
                let line = line_of(&source.library, at);
                findings.push((source.path.clone(), format!("line {line}: {word}")));
            }
        }
    }
    let findings = except(findings, &FOREIGN_EXCEPTIONS);
    assert_clean(
        "From drive down the code is sans-IO and repeatable:",
        &findings,
    );
}

/// The folder whose business is with people and their machine, in their time.
const FACING_PEOPLE: &str = "cli";

/// Waiting for something that the kernel tells nobody about. None of these is a test.
const SLEEP_EXCEPTIONS: [Exception; 2] = [
    Exception {
        path: "src/image/lock.rs",
        reason: "a killed server's lock goes when the kernel is done with it, and no event says so",
    },
    Exception {
        path: "benches/agree.rs",
        reason: "real time has to pass for a drive left alone, as virtual time does",
    },
];

const CLOCK_EXCEPTIONS: [Exception; 8] = [
    Exception {
        path: "src/image/lock.rs",
        reason: "bounds the wait for a killed server's lock",
    },
    Exception {
        path: "src/host/clock.rs",
        reason: "relates model time to real time",
    },
    Exception {
        path: "src/serve/fuse/attributes.rs",
        reason: "the kernel wants times of day in a file's attributes",
    },
    Exception {
        path: "src/serve/fuse/filesystem.rs",
        reason: "hands those times on",
    },
    Exception {
        path: "src/serve/nbd/connection.rs",
        reason: "patience with a client that does not close is real time",
    },
    Exception {
        path: "src/serve/nbd/progress.rs",
        reason: "patience with a client that does not read is real time",
    },
    Exception {
        path: "src/serve/nbd/socket.rs",
        reason: "deadlines of a socket are real time",
    },
    Exception {
        path: "src/serve/nbd/stream.rs",
        reason: "patience with a negotiation is real time",
    },
];

#[test]
fn one_file_reads_the_clock_of_the_drive() {
    let mut findings = Vec::new();
    for source in sources(&["src"]) {
        if source.folder() == Some(FACING_PEOPLE) {
            continue;
        }
        let code = &source.library;
        let std_instant = code.contains("std::time")
            && !code.contains("crate::time::Instant")
            && find_word(code, "Instant").next().is_some();
        let named = ["std::time::Instant", "SystemTime", "clock_gettime"];
        if std_instant
            || named
                .iter()
                .any(|word| find_word(code, word).next().is_some())
        {
            let what = "names a clock of the system".to_owned();
            findings.push((source.path.clone(), what));
        }
    }
    let findings = except(findings, &CLOCK_EXCEPTIONS);
    assert_clean("Model time has one source, src/host/clock.rs:", &findings);
}

#[test]
fn nobody_sleeps_by_the_clock() {
    let mut findings = Vec::new();
    for source in sources(&["src", "tests", "benches", "examples"]) {
        if source.folder() == Some(FACING_PEOPLE) {
            continue;
        }
        for word in ["thread::sleep", "nanosleep", "park_timeout"] {
            let hits = find_word(&source.code, word);
            findings.extend(hits.map(|at| {
                let line = line_of(&source.code, at);
                (source.path.clone(), format!("line {line}: {word}"))
            }));
        }
    }
    let findings = except(findings, &SLEEP_EXCEPTIONS);
    assert_clean("Wait for what happens, in tests too:", &findings);
}
