//! Owns running the programs of the system in tests.
//!
//! Other tests of this process start programs too, and between fork and exec such a child holds
//! copies of our open files, so what was just closed can still be in use for a moment.

use std::fmt::Display;
use std::process::Command;
use std::time::{Duration, Instant};

/// How long something may be in use by a child of another test.
const PATIENCE: Duration = Duration::from_secs(10);

/// Tries again for a while.
pub(crate) fn soon<T, E: Display>(mut attempt: impl FnMut() -> Result<T, E>) -> T {
    let start = Instant::now();
    loop {
        match attempt() {
            Ok(done) => return done,
            Err(error) if start.elapsed() >= PATIENCE => panic!("{error}"),
            Err(_) => std::thread::yield_now(),
        }
    }
}

/// Runs a program until it succeeds; what it printed.
pub(crate) fn run(program: &str, arguments: &[&str]) -> String {
    soon(|| {
        let output = Command::new(program).args(arguments).output().unwrap();
        if output.status.success() {
            Ok(String::from_utf8(output.stdout).unwrap().trim().to_string())
        } else {
            let said = String::from_utf8_lossy(&output.stderr);
            Err(format!("{program} {arguments:?}: {said}"))
        }
    })
}
