//! `imbrex age`: images in a stated condition, made without hours of use.
//!
//! Known are the program, its sockets and what `docs/cli.md` promises.

mod nbd_client;
mod program;

use std::fs;
use std::path::{Path, PathBuf};

use program::{Served, imbrex};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng as _, SeedableRng as _};
use serde_json::Value;
use tempfile::TempDir;

const CAPACITY: u64 = 8 << 20;
/// Of the tiny profile (`configs/tiny.toml`).
const SLOTS: u64 = 64;
const MERGE_EVERY: u64 = 8;

/// A new image of the tiny profile in a folder of its own.
struct Scratch {
    folder: TempDir,
    image: PathBuf,
}

impl Scratch {
    fn new() -> Scratch {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        imbrex("create {} --profile tiny", &image).success();
        Scratch { folder, image }
    }

    /// Written to at random places, and some of it staged.
    fn used() -> (Scratch, Vec<u8>) {
        let scratch = Scratch::new();
        let served = Served::start(&scratch.image, "--pace off");
        let mut client = served.client();
        let mut content = vec![0; usize::try_from(CAPACITY).expect("small")];
        let mut random = ChaCha8Rng::seed_from_u64(3);
        for _ in 0..60 {
            let at = usize::try_from(random.next_u32()).expect("64-bit host") % content.len();
            let (at, bytes) = (at / 512 * 512, 512 * (1 + at % 40));
            let end = content.len().min(at + bytes);
            random.fill_bytes(&mut content[at..end]);
            let offset = u64::try_from(at).expect("small");
            client.write(offset, &content[at..end]).expect("written");
        }
        client.flush().expect("flushed");
        served.cut();
        (scratch, content)
    }

    fn copy(&self, name: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        fs::copy(&self.image, &path).expect("copied");
        path
    }
}

/// Ages an image and checks it; hands back what `inspect` then says.
fn age(image: &Path, wish: &str) -> Value {
    imbrex(&format!("age {{}} {wish}"), image).success();
    imbrex("check {} --data", image).success();
    imbrex("inspect {} --json", image).json()
}

/// Each sector is written once, and one after the other, so that what was staged is what was written.
#[test]
fn what_is_counted_over_a_lifetime_outlives_power_cuts() {
    let scratch = Scratch::new();
    let (mut writes, mut counted) = (0, Vec::new());
    for session in 0..3 {
        let served = Served::start(&scratch.image, "--pace off");
        let mut client = served.client();
        for at in 0..session + 4 {
            let offset = (session * 16 + at * 2) * 4096;
            client.write(offset, &[7; 4096]).expect("written");
            client.flush().expect("flushed");
            writes += 1;
        }
        served.cut();
        let seen = imbrex("inspect {} --json", &scratch.image).json();
        let lifetime = seen["lifetime"].clone();
        assert_eq!(number(&lifetime, "staged_bytes"), writes * 4096, "{seen}");
        counted.push(number(&lifetime, "entries"));
    }
    assert_eq!(counted, [4, 9, 15], "a flush ends an entry");
}

fn number(value: &Value, key: &str) -> u64 {
    value[key]
        .as_u64()
        .unwrap_or_else(|| panic!("{key}: {value}"))
}

fn content_of(image: &Path) -> Vec<u8> {
    let served = Served::start(image, "--pace off --read-only");
    let bytes = u32::try_from(CAPACITY).expect("small");
    let content = served.client().read(0, bytes).expect("readable");
    served.stop().success();
    content
}

#[test]
fn an_image_is_brought_to_the_condition_that_was_asked_for() {
    let mut met = 0;
    for staging in [None, Some(0), Some(30), Some(95), Some(100)] {
        for dirty in [None, Some(3), Some(12), Some(33)] {
            for merge in [None, Some(1), Some(5), Some(8)] {
                let option = |name: &str, value: Option<u64>| {
                    value.map_or(String::new(), |value| format!(" --{name} {value}"))
                };
                let wish = option("staging", staging)
                    + &option("dirty-bands", dirty)
                    + &option("merge-in", merge);
                let scratch = Scratch::new();
                let ended = imbrex(&format!("age {{}} --filled 70%{wish}"), &scratch.image);
                let told = imbrex("inspect {} --json", &scratch.image).json();
                imbrex("check {} --data", &scratch.image).success();
                assert!(matches!(ended.code, Some(0 | 2)), "{wish}: {ended:#?}");
                if ended.code == Some(2) {
                    continue;
                }
                met += 1;
                let status = &told["status"];
                let is = |key: &str, wanted: Option<u64>| {
                    let found = number(status, key);
                    assert!(
                        wanted.is_none_or(|wanted| wanted == found),
                        "{wish}: {key}: {status:#}"
                    );
                };
                is(
                    "staging_slots_used",
                    staging.map(|percent| SLOTS * percent / 100),
                );
                is("dirty_bands", dirty);
                is("entries_to_merge", merge);
            }
        }
    }
    assert!(met > 40, "only {met} of 80 were reached");
}

#[test]
fn the_share_of_filled_bands_is_what_was_asked_for_in_either_order() {
    for (percent, order) in [(30, "sequential"), (30, "scattered"), (100, "scattered")] {
        let scratch = Scratch::new();
        let told = imbrex(
            &format!("age {{}} --filled {percent}% --fill-order {order} --json"),
            &scratch.image,
        )
        .json();
        let home = number(&told, "home_bands");
        let wanted = (home * percent).div_ceil(100);
        assert_eq!(number(&told, "filled_bands"), wanted);
        let told = imbrex("inspect {} --json", &scratch.image).json();
        assert_eq!(number(&told, "written_bands"), wanted);
        // Where they are is seen by a client that asks.
        let served = Served::start(&scratch.image, "--pace off --read-only");
        let map = program::tool(
            "nbdinfo",
            ["--map=imbrex:whereabouts", "--json", &served.uri()],
        );
        let runs = map.json().as_array().expect("a list").len();
        served.stop().success();
        assert_eq!(runs > 2, order == "scattered" && percent < 100, "{runs}");
    }
}

#[test]
fn what_a_host_reads_stays_the_same() {
    let (scratch, content) = Scratch::used();
    assert!(
        content_of(&scratch.image) == content,
        "it holds what was written"
    );
    for wish in [
        "--filled 100%",
        "--staging 95%",
        "--dirty-bands 30 --seed 9",
    ] {
        let image = scratch.copy("aged.img");
        age(&image, wish);
        assert!(content_of(&image) == content, "{wish}");
        // Nor does it change when the drive goes on from there and cleans.
        let served = Served::start(&image, "--pace off");
        served.stop().success();
        assert!(content_of(&image) == content, "{wish}, cleaned");
    }
}

#[test]
fn the_same_wish_and_seed_give_the_same_image() {
    let (scratch, _) = Scratch::used();
    let wish = "--filled 95% --fill-order scattered --staging 90% --merge-in 2";
    let aged = |name: &str, seed: u64| {
        let image = scratch.copy(name);
        age(&image, &format!("{wish} --seed {seed}"));
        fs::read(image).expect("readable")
    };
    let first = aged("one.img", 5);
    assert!(first == aged("two.img", 5), "the same seed, another image");
    assert!(
        first != aged("three.img", 6),
        "another seed, the same image"
    );
}

#[test]
fn a_drive_goes_on_from_the_condition_it_was_brought_to() {
    let scratch = Scratch::new();
    let counters = |wish: &str| {
        let image = scratch.copy("aged.img");
        age(&image, wish);
        let account = scratch.folder.path().join("account.json");
        let served = Served::start(
            &image,
            &format!("--pace off --account {}", account.display()),
        );
        let mut client = served.client();
        client.write(4096, &[1; 4096]).expect("written");
        client.flush().expect("flushed");
        served.stop().success();
        let account = fs::read_to_string(account).expect("written");
        let account: Value = serde_json::from_str(&account).expect("an account");
        account["status"]["counters"].clone()
    };
    let full = counters("--filled 100% --staging 100%");
    assert!(number(&full, "bands_cleaned_foreground") > 0, "{full:#}");
    let half = counters("--filled 100% --staging 50%");
    assert_eq!(number(&half, "bands_cleaned_foreground"), 0, "{half:#}");
    // The orderly end merges once, whatever was before.
    let far = number(&counters(&format!("--merge-in {MERGE_EVERY}")), "merges");
    let near = number(&counters("--merge-in 1"), "merges");
    assert_eq!(near, far + 1);
}

/// An opening writes the map and knows of the entries before it, which the next opening does not.
#[test]
fn a_merge_of_a_drive_used_before_is_as_far_as_the_next_opening_counts() {
    for (staging, dirty) in [("10%", None), ("30%", None), ("30%", Some(30))] {
        for wanted in 1..=MERGE_EVERY {
            let scratch = Scratch::new();
            age(&scratch.image, &format!("--staging {staging}"));
            let dirty = dirty.map_or(String::new(), |bands| format!(" --dirty-bands {bands}"));
            let wish = format!("age {{}} --merge-in {wanted}{dirty} --json");
            let told = imbrex(&wish, &scratch.image).json();
            assert_eq!(number(&told, "entries_to_merge"), wanted, "{wish}: {told}");
            let seen = imbrex("inspect {} --json", &scratch.image).json();
            assert_eq!(
                number(&seen["status"], "entries_to_merge"),
                wanted,
                "{wish}"
            );
            // What is printed is true of what follows.
            let more = imbrex("age {} --filled 100% --json", &scratch.image).json();
            let seen = imbrex("inspect {} --json", &scratch.image).json();
            let is = number(&seen["status"], "entries_to_merge");
            assert_eq!(number(&more, "entries_to_merge"), is, "{more}");
        }
    }
    let scratch = Scratch::new();
    age(&scratch.image, "--staging 10%");
    age(&scratch.image, "--merge-in 1");
    let run = "simulate {} uniform,fua-write,4KiB,1-requests --start as-it-is --json";
    let told = imbrex(run, &scratch.image).json();
    assert_eq!(number(&told["status"]["counters"], "merges"), 1, "{told}");
}

#[test]
fn what_cannot_be_reached_is_refused_with_its_numbers_and_changes_nothing() {
    let (scratch, content) = Scratch::used();
    // Filling, and what the drive cleans when idle, would come before staging.
    let before = fs::read(&scratch.image).expect("readable");
    let check = |wish: &str, words: &str| {
        let told = imbrex(&format!("age {{}} {wish}"), &scratch.image).expect(2);
        assert!(told.contains(words), "{wish}: {told}");
        let now = fs::read(&scratch.image).expect("readable");
        assert!(now == before, "{wish}: refused, and the image was changed");
    };
    check("--seed 2", "give --filled, --staging");
    check("--staging 101%", "0% to 100%");
    check("--fill-order scattered", "--filled");
    check("--dirty-bands 40", "has 39");
    check("--filled 1%", "hold data already");
    check("--merge-in 9", "every 8 entries");
    check("--staging 95% --dirty-bands 1", "1 band to take");
    check("--filled 100% --staging 1%", "in use already, and 0 are");
    assert!(content_of(&scratch.image) == content, "nothing was lost");
    imbrex("check {} --data", &scratch.image).success();
    let conventional = scratch.folder.path().join("conventional.img");
    imbrex(
        "create {} --profile control-5tb --capacity 1GiB",
        &conventional,
    )
    .success();
    let told = imbrex("age {} --staging 50%", &conventional).expect(2);
    assert!(told.contains("conventional"), "{told}");
}
