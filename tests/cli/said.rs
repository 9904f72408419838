//! What is said on a command line counts, or is refused with what to do: no option is passed over in
//! silence, and every refusal has the exit code that `docs/cli.md` promises.

use std::process::Command;

use super::program::Ended;

/// Runs the program with arguments that may hold blanks.
fn run(arguments: &[&str]) -> Ended {
    let mut program = Command::new(env!("CARGO_BIN_EXE_imbrex"));
    program.args(arguments).output().expect("it runs").into()
}

/// Insists on an exit code and on words in what is said.
fn refused(arguments: &[&str], code: i32, words: &[&str]) {
    let told = run(arguments).expect(code);
    for words in words {
        assert!(told.contains(words), "{arguments:?}: {words:?}: {told}");
    }
}

#[test]
fn options_of_a_replay_are_refused_where_nothing_is_replayed() {
    let words = "uniform write 4KiB 1-requests";
    for option in [
        ["--speed", "2"],
        ["--keep", "times"],
        ["--keep", "think-times"],
        ["--beyond", "refuse"],
        ["--beyond", "fold"],
    ] {
        let said = [option[0], "--replay FILE"];
        for command in [
            &["simulate", "tiny", words][..],
            &["blame", "tiny", words],
            &["forecast", words, "--deadline", "1h", "--profile", "tiny"],
        ] {
            refused(&[command, &option].concat(), 2, &said);
        }
    }
    // The same of what a comparison with earlier results says.
    refused(
        &["matrix", "m.toml", "-o", "r", "--tolerance", "9%"],
        2,
        &["--baseline"],
    );
}

/// Requests that no test waits for.
const ONE: &str = "uniform write 4KiB 1-requests";
