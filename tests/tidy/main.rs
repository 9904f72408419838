//! The rules of the house, read from the sources: layers, lengths, words, names.
//!
//! Reads text, not syntax: strings and comments are told from code, tests from the rest, and no
//! more. It cannot see what a macro expands to, nor what a name that was imported stands for. Every
//! exception stands in a list with its reason, and one that is no longer needed fails as well.

#![allow(clippy::unwrap_used)] // in a test it is an assertion

mod layers;
mod lists;
mod names;
mod shape;
mod source;
mod words;

use std::fmt::Write;

/// Fails with all findings at once.
fn assert_clean(rule: &str, findings: &[String]) {
    let mut account = String::new();
    for finding in findings {
        let _ = writeln!(account, "  {finding}");
    }
    assert!(
        findings.is_empty(),
        "{rule}\n{account}({} findings)",
        findings.len()
    );
}

/// A file that a rule does not hold for, and why.
struct Exception {
    path: &'static str,
    reason: &'static str,
}

/// Takes findings out that are excepted; an exception without a finding is one itself.
fn except(findings: Vec<(String, String)>, exceptions: &[Exception]) -> Vec<String> {
    let idle = exceptions
        .iter()
        .filter(|exception| !findings.iter().any(|(path, _)| path == exception.path));
    let mut left: Vec<String> = idle
        .map(|exception| {
            format!(
                "{}: listed as an exception ({}), which it no longer needs",
                exception.path, exception.reason
            )
        })
        .collect();
    let kept = findings.into_iter().filter(|(path, _)| {
        !exceptions
            .iter()
            .any(|exception| exception.path == path.as_str())
    });
    left.extend(kept.map(|(path, what)| format!("{path}: {what}")));
    left
}
