//! What is said on a command line counts, or is refused with what to do: no option is passed over in
//! silence, and every refusal has the exit code that `docs/cli.md` promises.

use std::fs;
use std::process::Command;

use super::image::Scratch;
use super::program::{Ended, imbrex};

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

#[test]
fn a_start_that_says_a_thing_twice_is_refused() {
    let start = "staging 10%, staging 20%";
    let said = ["says again", "staging 10%", "staging 20%"];
    refused(&["simulate", "tiny", ONE, "--start", start], 2, &said);
}

#[test]
fn a_start_that_takes_a_staging_area_is_refused_for_a_drive_without_one() {
    for start in ["staging 50%", "filled 60%, dirty-bands 4", "merge-in 1"] {
        let given = ["--start", start];
        for command in [
            &["simulate", "control-5tb", ONE][..],
            &["blame", "control-5tb", ONE],
            &["compare", ONE, ONE, "--profile", "control-5tb"],
            &[
                "forecast",
                ONE,
                "--deadline",
                "1h",
                "--profile",
                "control-5tb",
            ],
            &[
                "forecast",
                "rebuild",
                "--deadline",
                "24h",
                "--profile",
                "control-5tb",
            ],
        ] {
            refused(
                &[command, &given].concat(),
                2,
                &["control-5tb is conventional"],
            );
        }
    }
}

#[test]
fn a_drive_that_is_not_in_the_state_of_the_others_is_named() {
    let words = "counts as written at the start whatever was asked for: control-5tb\n";
    let forecast = [
        "forecast",
        ONE,
        "--deadline",
        "1h",
        "--vary",
        "none",
        "--no-advice",
        "--start",
        "staging 50%",
        "--profile",
        "tiny",
        "--profile",
        "control-5tb",
    ];
    let told = run(&forecast);
    assert_eq!(told.code, Some(0), "{told:#?}");
    assert!(told.stderr.contains(words), "{told:#?}");
    let folder = tempfile::tempdir().expect("a folder");
    let matrix = "[matrix]\nname = \"m\"\nstarts = [\"new\", \"staging 50%\"]\n[[drive]]\nprofile = \"tiny\"\n\
                  [[drive]]\nprofile = \"control-5tb\"\n[[work]]\nworkload = \"uniform write 4KiB 1-requests\"\n";
    fs::write(folder.path().join("m.toml"), matrix).expect("written");
    let told = imbrex("matrix {}/m.toml -o {}/results", folder.path());
    assert_eq!(told.code, Some(0), "{told:#?}");
    assert_eq!(told.stderr.matches(words).count(), 1, "{told:#?}");
}

#[test]
fn a_profile_that_comes_with_imbrex_is_no_image_to_begin_with() {
    let given = ["--start", "as-it-is"];
    for command in [
        &["simulate", "tiny", ONE][..],
        &["blame", "tiny", ONE],
        &["compare", ONE, ONE, "--profile", "tiny"],
    ] {
        let words = "tiny is a profile that comes with imbrex";
        refused(&[command, &given].concat(), 2, &[words, "path of an image"]);
    }
    // What is neither is not there.
    refused(
        &["simulate", "/nowhere.img", ONE, "--start", "as-it-is"],
        3,
        &["does not exist"],
    );
}

#[test]
fn words_are_a_workload_that_can_be_checked() {
    let told = run(&["workload", "check", ONE]).success();
    assert!(told.contains("a valid workload"), "{told}");
    let told = run(&["workload", "check", "database-commit"]).success();
    assert!(told.contains("a valid workload"), "{told}");
    let told = run(&["profile", "check", "tiny"]).success();
    assert!(told.contains("a valid profile"), "{told}");
    let wrong = ["workload", "check", "uniform writes 4KiB 1-requests"];
    refused(&wrong, 3, &["writes: not known"]);
    let nothing = ["workload", "check", "mine.toml"];
    refused(&nothing, 3, &["mine.toml is not a file"]);
}

#[test]
fn of_words_and_keys_on_the_command_line_no_lines_are_told() {
    let share = "uniform 50%write 4KiB 1-requests";
    for (words, told) in [
        (
            "uniform write 4KiB 0-requests",
            "\": count = 0: not allowed",
        ),
        (
            "uniform write 100B 1-requests",
            "\": request = \"100B\": not allowed",
        ),
        (
            share,
            "\": the words: read, write, fua_write, flush, trim and zero must add up",
        ),
    ] {
        let said = run(&["simulate", "tiny", words]).expect(3);
        assert!(said.contains(told) && !said.contains("line "), "{said}");
    }
    let set = ["simulate", "tiny", ONE, "--set", "staging.bytes=1"];
    let said = run(&set).expect(3);
    let told = "with staging.bytes=1: staging.bytes = 1: wrong type";
    assert!(said.contains(told) && !said.contains("line "), "{said}");
}

#[test]
fn what_is_wrong_with_a_file_is_told_in_whole_sentences() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).to_str().expect("plain").to_owned();
    let workload = path("w.toml");
    fs::write(&workload, "x = 1\n").expect("written");
    let sections = "remove it (sections: workload, phase, stream)";
    refused(&["workload", "check", &workload], 3, &[sections]);
    let matrix = path("m.toml");
    let text = "x = 1\n[matrix]\nname = \"m\"\nstarts = [\"filled 200%\", \"seed 1, seed 2\"]\n\
                [[drive]]\nprofile = \"tiny\"\n[[change]]\nset = [\"staging.bytes\"]\n\
                [[work]]\ncommand = \"true\"\npace = \"fast\"\n[[demand]]\ntrips_none_of = [\"never\"]\n";
    fs::write(&matrix, text).expect("written");
    let told = run(&["matrix", &matrix, "--list"]).expect(2);
    for sentence in [
        "x = 1: no such key; remove it (sections: matrix, drive,",
        "starts[0] = \"filled 200%\": \"filled 200%\" is no state of a drive to start from; give as-it-comes",
        "starts[1] = \"seed 1, seed 2\": \"seed 2\" says again what \"seed 1\" has said: say it once\n",
        "set[0] = \"staging.bytes\": \"staging.bytes\" is no change; give KEY=VALUE",
        "pace = \"fast\": give real, off, or a factor",
        "trips_none_of[0] = \"never\": there is no limit \"never\"; there are",
    ] {
        assert!(told.contains(sentence), "{sentence}: {told}");
    }
    assert!(!told.contains("give give"), "{told}");
}

#[test]
fn numbers_out_of_range_are_told_the_range() {
    let jobs = ["--deadline", "1h", "--jobs", "0"];
    refused(
        &[&["forecast", ONE][..], &jobs].concat(),
        2,
        &["at least 1"],
    );
    refused(
        &[&["forecast", "rebuild"][..], &jobs].concat(),
        2,
        &["at least 1"],
    );
    refused(
        &["matrix", "m.toml", "--list", "--jobs", "0"],
        2,
        &["at least 1"],
    );
    let count = ["simulate", "tiny", ONE, "--count", "0"];
    refused(&count, 2, &["give a whole number from 1 to 1000000000000"]);
    let beyond = ["simulate", "tiny", ONE, "--count", "1000000000001"];
    refused(&beyond, 2, &["give a whole number from 1 to 1000000000000"]);
    let merge = ["age", "nowhere.img", "--merge-in", "0"];
    refused(&merge, 2, &["give a whole number from 1 to "]);
    let piece = [
        "forecast",
        "rebuild",
        "--profile",
        "tiny",
        "--deadline",
        "1h",
        "--piece",
        "16MiB",
    ];
    refused(&piece, 2, &["16 MiB are more", "which is 8 MiB"]);
}

#[test]
fn what_tell_does_not_know_is_told_what_it_knows() {
    let known = ["\"nosuch\" is no command", "status, account,", "restore"];
    refused(&["tell", "d.img", "nosuch"], 2, &known);
    refused(&["tell", "d.img", "nosuch", "--json", "4"], 2, &known);
    refused(
        &["tell", "d.img", "stall", "1"],
        2,
        &["such as 40s", "forever"],
    );
}

#[test]
fn what_is_no_image_ends_with_3_whatever_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path().to_str().expect("plain");
    for path in [folder, "/dev/null"] {
        for command in ["check", "inspect"] {
            refused(&[command, path], 3, &["an image is a regular file"]);
        }
        refused(
            &["age", path, "--staging", "5%"],
            3,
            &["an image is a regular file"],
        );
        refused(
            &["serve", path, "--nbd", "tcp:127.0.0.1:0"],
            3,
            &["an image is a regular file"],
        );
    }
}

#[test]
fn parts_of_two_matrices_are_protected_from_each_other() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, seed) in [("a", 1), ("b", 2)] {
        let matrix = format!(
            "[matrix]\nname = \"m\"\nseeds = [{seed}]\n[[drive]]\nprofile = \"tiny\"\n[[work]]\nworkload = {ONE:?}\n"
        );
        fs::write(folder.path().join(format!("{name}.toml")), matrix).expect("written");
        let run = format!("matrix {{}}/{name}.toml -o {{}}/{name}");
        imbrex(&run, folder.path()).success();
    }
    let told = imbrex("matrix join {}/a {}/b -o {}/both", folder.path()).expect(4);
    assert!(told.contains("only parts of one matrix"), "{told}");
    assert!(!folder.path().join("both").exists(), "it was made");
}

#[test]
fn places_that_cannot_be_served_on_are_refused_before_the_image_is_opened() {
    let scratch = Scratch::tiny();
    let before = scratch.bytes();
    let folder = scratch
        .image
        .parent()
        .expect("a folder")
        .display()
        .to_string();
    for (options, code, words) in [
        ("--nbd tcp:0.0.0.0:0".to_owned(), 4, "--allow-remote"),
        (format!("--fuse {folder}"), 6, "not empty"),
        (format!("--fuse {folder}/nowhere"), 6, "does not exist"),
        (
            "--nbd tcp:127.0.0.1:0 --tls-certificate nowhere.pem --tls-key nowhere.key".to_owned(),
            6,
            "nowhere",
        ),
    ] {
        let told = imbrex(&format!("serve {{}} {options}"), &scratch.image).expect(code);
        assert!(told.contains(words), "{options}: {told}");
        assert!(scratch.bytes() == before, "{options}: the image was opened");
    }
}
