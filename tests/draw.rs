//! Sealed drives, through the program: they are drives like others, and no output shows what they hide.

#[path = "draw/damage.rs"]
mod damage;
mod nbd_client;
mod program;

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use imbrex::profile::Profile;
use program::{Ended, Served, tool};
use tempfile::TempDir;

/// Numbers that nothing else happens to be.
const RANGES: &str = r#"
base = "tiny"
[range."platters.rpm"]
from = 5000.001
to = 5999.999
step = 0.007
[range."platters.head_switch"]
from = "700001 ns"
to = "1400007 ns"
step = "13 ns"
[range."cleaning.idle_delay"]
from = "100100003 ns"
to = "900900001 ns"
step = "1009 ns"
[range."staging.extents"]
from = 10007
to = 99991
step = 17
[range."cleaning.passes"]
one_of = [2, 3, 4]
"#;

struct Sealed {
    folder: TempDir,
    image: PathBuf,
    commitment: String,
}

fn run(arguments: &[&str]) -> Ended {
    tool(env!("CARGO_BIN_EXE_imbrex"), arguments)
}

impl Sealed {
    fn draw(seed: &str) -> Sealed {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("sealed.img");
        let ranges = folder.path().join("ranges.toml");
        std::fs::write(&ranges, RANGES).expect("written");
        let mut sealed = Sealed {
            folder,
            image,
            commitment: String::new(),
        };
        let ranges = ranges.to_str().expect("a plain path");
        let told = run(&[
            "draw",
            "-o",
            sealed.path(),
            "--ranges",
            ranges,
            "--seed",
            seed,
        ])
        .success();
        let line = told.lines().find(|line| line.starts_with("commitment"));
        let word = line.and_then(|line| line.split_whitespace().last());
        word.expect("a commitment")
            .clone_into(&mut sealed.commitment);
        sealed
    }

    fn path(&self) -> &str {
        self.image.to_str().expect("a plain path")
    }

    fn file(&self, name: &str) -> String {
        let path = self.folder.path().join(name);
        path.to_str().expect("a plain path").to_owned()
    }

    fn truth(&self) -> String {
        run(&[
            "draw",
            "unseal",
            self.path(),
            "--commitment",
            &self.commitment,
        ])
        .success()
    }
}

/// The drawn values in every way in which somebody might print them.
fn secrets(truth: &Profile) -> Vec<String> {
    let rpm = truth.platters.rpm_milli;
    let staging = truth.staging.as_ref().expect("it is shingled");
    let mut all = vec![
        format!("{}.{:03}", rpm / 1000, rpm % 1000),
        rpm.to_string(),
        staging.extents.to_string(),
        format!("{:#018x}", truth.format_fingerprint()),
    ];
    let turn = 60_000_000_000_000 / rpm;
    all.push(turn.to_string());
    for ns in [truth.platters.head_switch.0, truth.cleaning.idle_delay.0] {
        all.push(ns.to_string());
        all.push(format!("{}.{:03}", ns / 1000, ns % 1000));
        all.push(format!("{}.{:06}", ns / 1_000_000, ns % 1_000_000));
    }
    all
}

#[test]
fn no_command_shows_what_a_sealed_drive_hides() {
    let sealed = Sealed::draw("4711");
    let truth = Profile::from_toml("truth", &sealed.truth()).unwrap();
    let mut outputs: Vec<(String, String)> = Vec::new();
    let mut note = |what: &str, ended: &Ended| {
        outputs.push((what.to_owned(), format!("{}{}", ended.stdout, ended.stderr)));
    };
    // They are what an open drive shows.
    let open = sealed.file("open.toml");
    std::fs::write(&open, sealed.truth()).unwrap();
    let shown = sealed.truth() + &run(&["profile", "show", &open, "--json"]).success();
    let seen = secrets(&truth)
        .into_iter()
        .filter(|secret| shown.contains(secret));
    assert!(seen.count() >= 5, "{shown}");
    alone(&sealed, &mut note);
    served(&sealed, &mut note);
    assert!(outputs.len() > 25);
    for (what, output) in &outputs {
        for secret in secrets(&truth) {
            assert!(!output.contains(&secret), "{what} shows {secret}: {output}");
        }
        for inside in [
            "slots",
            "dirty",
            "home band",
            "clean-",
            "merge",
            "cylinder",
            "waited",
        ] {
            let told = output.replace("staging.merge", "");
            assert!(!told.contains(inside), "{what} tells of {inside}: {output}");
        }
    }
    // Not even in the bytes of the file, read as text.
    let bytes = std::fs::read(&sealed.image).unwrap();
    let head = String::from_utf8_lossy(&bytes[..64 * 4096]);
    for secret in secrets(&truth)
        .iter()
        .filter(|secret| !secret.starts_with("0x"))
    {
        assert!(!head.contains(secret.as_str()), "the image shows {secret}");
    }
}

/// Everything that can be asked without serving it.
fn alone(sealed: &Sealed, note: &mut impl FnMut(&str, &Ended)) {
    let path = sealed.path();
    let events = sealed.file("events.parquet");
    let other = sealed.file("other.img");
    let words = "uniform 50%write 50%read 4KiB 3000-requests";
    let allowed: [&[&str]; 9] = [
        &["inspect", path],
        &["inspect", path, "--json", "-vv"],
        &["check", path, "--data"],
        &["check", path, "--json"],
        &["simulate", path, words, "-vv"],
        &["simulate", path, words, "--json"],
        &["simulate", path, words, "--start", "as-it-is"],
        &["age", path, "--staging", "50%", "--filled", "30%", "-vv"],
        &["age", path, "--staging", "70%", "--json"],
    ];
    for arguments in allowed {
        let ended = run(arguments);
        assert_eq!(ended.code, Some(0), "{arguments:?}: {ended:#?}");
        note(&arguments.join(" "), &ended);
    }
    let refused: [&[&str]; 13] = [
        &["profile", "show", path],
        &["profile", "text", path],
        &["create", &other, "--profile", path],
        &["simulate", path, words, "--events", &events],
        &["simulate", path, words, "--record", &events],
        &["simulate", path, words, "--set", "cleaning.passes=2"],
        &["simulate", path, words, "--capacity", "4MiB"],
        &["simulate", path, words, "--start", "staging 50%"],
        &["blame", path, words],
        &["blame", path, words, "--start", "as-it-is"],
        &["compare", words, words, "--profile", path],
        &["age", path, "--dirty-bands", "3"],
        &[
            "serve",
            path,
            "--nbd",
            "tcp:127.0.0.1:0",
            "--record",
            &events,
        ],
    ];
    for arguments in refused {
        let ended = run(arguments);
        assert_eq!(ended.code, Some(4), "{arguments:?}: {ended:#?}");
        note(&arguments.join(" "), &ended);
    }
    assert!(!Path::new(&events).exists() && !Path::new(&other).exists());
}

/// In the words in which `serve --record` is refused, whoever asks and how.
fn refuses_to_record(sealed: &Sealed, note: &mut impl FnMut(&str, &Ended)) {
    let file = sealed.file("refused.parquet");
    let words = "a sealed drive, made by `imbrex draw`: this would show what it hides";
    for arguments in [
        &["tell", sealed.path(), "record", &file][..],
        &["record", sealed.path(), "-o", &file, "--", "true"],
    ] {
        let ended = run(arguments);
        note(arguments[0], &ended);
        let told = ended.expect(4);
        assert!(
            told.contains(words) && told.contains("a recording tells"),
            "{told}"
        );
    }
    assert!(!Path::new(&file).exists());
    let socket = format!("{}.control", sealed.path());
    let mut raw = UnixStream::connect(socket).expect("it listens");
    let line = format!("{{\"command\": \"record\", \"file\": {file:?}}}\n");
    raw.write_all(line.as_bytes()).expect("it takes it");
    let mut answer = String::new();
    let read = BufReader::new(raw).read_line(&mut answer);
    read.expect("it answers");
    assert!(
        answer.contains("\"protected\"") && answer.contains(words),
        "{answer}"
    );
}

/// A session with everything that can be asked of it.
fn served(sealed: &Sealed, note: &mut impl FnMut(&str, &Ended)) {
    let account = sealed.file("account.json");
    let options = format!("--pace off --account {account} -vv");
    let served = Served::start(&sealed.image, &options);
    let mut client = served.client();
    for at in 0..300 {
        client
            .write(at * 4096 * 7 % (7 << 20), &[3; 4096])
            .expect("it works");
    }
    client.flush().expect("it works");
    client.read(4096, 4096).expect("it works");
    for words in [
        "status",
        "account",
        "faults",
        "status --json",
        "account --json",
    ] {
        let arguments: Vec<&str> = ["tell", sealed.path()]
            .into_iter()
            .chain(words.split(' '))
            .collect();
        let ended = run(&arguments);
        assert_eq!(ended.code, Some(0), "{words}: {ended:#?}");
        note(words, &ended);
    }
    let inside = [
        "tell",
        sealed.path(),
        "media-error",
        "0",
        "4096",
        "--place",
        "staged",
    ];
    note("media-error", &run(&inside));
    refuses_to_record(sealed, note);
    let seen = tool("nbdinfo", ["--json", &served.uri()]);
    note("nbdinfo", &seen);
    let contexts = &seen.json()["exports"][0]["contexts"];
    let silent = contexts.as_array().is_none_or(Vec::is_empty);
    assert!(
        silent,
        "where things lie shows how long the bands are: {contexts}"
    );
    let saved = sealed.file("saved.img");
    note("save", &run(&["tell", sealed.path(), "save", &saved]));
    drop(client);
    let ended = served.stop();
    assert_eq!(ended.code, Some(0), "{ended:#?}");
    assert!(ended.stdout.contains("latency"), "{}", ended.stdout);
    note("serve", &ended);
    let file = std::fs::read_to_string(account).expect("it works");
    let told = Ended {
        code: Some(0),
        stdout: file,
        stderr: String::new(),
    };
    note("the account", &told);
    assert_eq!(told.json()["host"]["writes"], 300);
    note("the saved image", &run(&["inspect", &saved]));
}

#[test]
fn the_same_seed_draws_the_same_image_and_another_another() {
    let [first, again, other] = ["1", "1", "2"].map(Sealed::draw);
    let bytes = |sealed: &Sealed| std::fs::read(&sealed.image).unwrap();
    assert_eq!(first.commitment, again.commitment);
    assert!(bytes(&first) == bytes(&again), "images of one seed differ");
    assert_ne!(first.commitment, other.commitment);
    assert_ne!(first.truth(), other.truth());
}

#[test]
fn a_sealed_drive_takes_as_long_as_the_drive_that_is_in_it() {
    let sealed = Sealed::draw("99");
    let truth = sealed.file("truth.toml");
    std::fs::write(&truth, sealed.truth()).unwrap();
    let words = "uniform 70%write 30%read 4KiB 2000-requests";
    let told = |of: &str| run(&["simulate", of, words, "--json"]).json();
    let (hidden, open) = (told(sealed.path()), told(&truth));
    assert_eq!(hidden["operations"], open["operations"]);
    assert_eq!(hidden["answered_ns"], open["answered_ns"]);
    assert!(hidden.get("causes").is_none() && open.get("causes").is_some());
}

#[test]
fn the_truth_scores_in_full_and_a_wrong_guess_does_not() {
    let sealed = Sealed::draw("7");
    let guess = sealed.file("guess.toml");
    let score = |text: &str| {
        std::fs::write(&guess, text).unwrap();
        run(&[
            "draw",
            "score",
            sealed.path(),
            &guess,
            "--commitment",
            &sealed.commitment,
            "--json",
        ])
        .json()
    };
    let truth = sealed.truth();
    assert_eq!(score(&truth)["score_milli"], 1000);
    assert_eq!(score("[drive]\nqueue_depth = 3\n")["score_milli"], 0);
    let profile = Profile::from_toml("truth", &truth).unwrap();
    // A tenth too fast: 5 % beyond what counts as right, of 45 % to where nothing counts.
    let rpm = profile.platters.rpm_milli * 11 / 10;
    let told = score(&format!(
        "[platters]\nrpm = {}.{:03}\n",
        rpm / 1000,
        rpm % 1000
    ));
    let keys = told["keys"].as_array().unwrap();
    let of = |name: &str| keys.iter().find(|key| key["key"] == name).unwrap();
    assert_eq!(of("platters.rpm")["score_milli"], 888);
    assert_eq!(of("cleaning.passes")["score_milli"], 0);
    assert_eq!(told["score_milli"], 888 / 5);
    assert!(
        run(&["draw", "score", sealed.path(), &guess])
            .success()
            .contains("in all")
    );
}

#[test]
fn what_was_changed_is_noticed() {
    let sealed = Sealed::draw("5");
    let other = Sealed::draw("6");
    // Another drive in the same place.
    let told = run(&[
        "draw",
        "unseal",
        other.path(),
        "--commitment",
        &sealed.commitment,
    ])
    .expect(3);
    assert!(told.contains("another drive"), "{told}");
    // A digit of what is in the envelope, with the checksums of the superblock made good: a new image
    // whose text is the changed one.
    let text = {
        let bytes = std::fs::read(&sealed.image).unwrap();
        let text = String::from_utf8_lossy(&bytes[2 * 4096..64 * 4096]).into_owned();
        text.trim_end_matches('\0').to_owned()
    };
    let at = text.find("content = \"").unwrap() + 200;
    let digit = if &text[at..=at] == "0" { "1" } else { "0" };
    let mut changed = text.clone();
    changed.replace_range(at..=at, digit);
    let envelope = imbrex::image::envelope::Envelope::from_text(&changed)
        .unwrap()
        .unwrap();
    assert!(envelope.open().is_err());
    let commitment = envelope.commitment.to_string();
    assert_eq!(commitment, sealed.commitment);
    // The same by the program: a byte of the file.
    let mut bytes = std::fs::read(&sealed.image).unwrap();
    bytes[2 * 4096 + at] = digit.as_bytes()[0];
    std::fs::write(&sealed.image, bytes).unwrap();
    for arguments in [
        ["draw", "unseal", sealed.path()].as_slice(),
        &["inspect", sealed.path()],
    ] {
        let told = run(arguments).expect(3);
        assert!(
            told.contains("damaged") || told.contains("changed"),
            "{told}"
        );
    }
}

#[test]
fn an_ordinary_image_is_not_unsealed_and_bad_ranges_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("plain.img");
    let path = image.to_str().unwrap();
    run(&["create", path, "--profile", "tiny"]).success();
    assert!(
        run(&["draw", "unseal", path])
            .expect(3)
            .contains("is not sealed")
    );
    let ranges = folder.path().join("ranges.toml");
    std::fs::write(
        &ranges,
        "base = \"tiny\"\n[range.\"platters.rmp\"]\none_of = [1]\n",
    )
    .unwrap();
    let sealed = folder.path().join("sealed.img");
    let (sealed, ranges) = (sealed.to_str().unwrap(), ranges.to_str().unwrap());
    let told = run(&["draw", "-o", sealed, "--ranges", ranges]).expect(3);
    assert!(
        told.contains("platters.rmp: no profile has this key"),
        "{told}"
    );
    assert!(!Path::new(sealed).exists());
    assert!(run(&["draw", "-o", path]).expect(4).contains("exists"));
    let text = run(&["draw", "ranges"]).success();
    assert!(text.contains("base = \"desktop-5tb\""));
}
