//! The command line: parses arguments, composes a drive from an image and a profile, prints.

/// Runs the program with the process's arguments and returns its exit code.
pub fn run() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
