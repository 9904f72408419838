//! End-to-end tests: they know the built program, its sockets and the documented format, nothing
//! else.

#[path = "cli/image.rs"]
mod image;
mod nbd_client;
mod program;
#[path = "cli/said.rs"]
mod said;

use std::fs;
use std::path::Path;

use image::{FULL_MAP, JOURNAL, SUPERBLOCK, Scratch};
use nbd_client::NoAnswer;
use program::{Served, imbrex};

/// Error numbers of NBD.
const EPERM: u32 = 1;

fn nowhere() -> &'static Path {
    Path::new("nowhere")
}

#[test]
fn a_new_image_is_clean_and_says_what_it_is() {
    let scratch = Scratch::empty();
    let told = imbrex("create {} --profile tiny", &scratch.image).success();
    assert!(told.contains("8 MiB of profile tiny"), "{told}");
    assert!(told.contains("the file is sparse"), "{told}");
    imbrex("check {} --data", &scratch.image).success();
    let told = imbrex("inspect {} --json", &scratch.image).json();
    assert_eq!(told["profile"], "tiny");
    assert_eq!(told["capacity_bytes"], 8 << 20);
    assert_eq!(told["recovery"]["fresh"], true);
    assert_eq!(told["image_bytes"], scratch.bytes().len());
    // What counts from an opening on says nothing of an image.
    assert!(told["status"]["counters"].is_null(), "{told}");
    assert_eq!(told["status"]["staging_slots"], 64);
    let listed = imbrex("profile show {} --json", &scratch.image).json();
    assert_eq!(listed["name"], "tiny");
    assert_eq!(listed["format_fingerprint"], told["format_fingerprint"]);
}

#[test]
fn an_existing_file_is_replaced_only_at_the_word_for_it() {
    let scratch = Scratch::empty();
    fs::write(&scratch.image, "somebody's thesis").expect("written");
    let told = imbrex("create {} --profile tiny", &scratch.image).expect(4);
    assert!(
        told.contains("exists already") && told.contains("--replace"),
        "{told}"
    );
    assert_eq!(scratch.bytes(), b"somebody's thesis");
    imbrex("create {} --profile tiny --replace", &scratch.image).success();
    imbrex("check {}", &scratch.image).success();
}

#[test]
fn a_wrong_profile_or_capacity_makes_no_image() {
    let scratch = Scratch::empty();
    let told = imbrex("create {} --profile tinny", &scratch.image).expect(3);
    assert!(told.contains("Did you mean tiny?"), "{told}");
    let told = imbrex("create {} --profile tiny --capacity 3GiB", &scratch.image).expect(2);
    assert!(
        told.contains("3221225472") && told.contains("8388608"),
        "{told}"
    );
    imbrex("create {} --capacity 20", &scratch.image).expect(2);
    imbrex("create {} --overwrite-signature", &scratch.image).expect(2);
    assert!(!scratch.image.exists());
}

#[test]
fn a_capacity_in_powers_of_ten_is_rounded_to_sectors_and_that_is_said() {
    let show = "profile show desktop-5tb --capacity 700MB --json";
    let told = imbrex(show, nowhere()).json();
    // 700,000,000 less what is left of it after sectors of 4,096 bytes.
    assert_eq!(told["capacity_bytes"], 699_998_208);
    let said = told["scaled"][0].as_str().expect("what it changed");
    assert!(
        said.contains("700000000") && said.contains("699998208"),
        "{said}"
    );
}

#[test]
fn what_was_flushed_survives_a_power_cut_and_is_vouched_for() {
    let (scratch, written) = Scratch::cut_off();
    let told = imbrex("check {} --data --json", &scratch.image);
    assert_eq!(told.code, Some(0), "{told:#?}");
    let report = &told.json()["report"];
    assert!(report["payloads"].as_u64() > Some(0), "{report}");
    assert!(report["data_bytes"].as_u64() > Some(0), "{report}");
    let served = Served::start(&scratch.image, "--pace off");
    assert!(served.said.contains("replayed"), "{}", served.said);
    let read = served.client().read(0, 8192);
    assert!(read == Ok(written), "other bytes came back");
    served.stop().success();
}

#[test]
fn a_changed_byte_that_a_record_vouches_for_is_found() {
    let (scratch, _) = Scratch::cut_off();
    let bytes = scratch.bytes();
    let payload = bytes
        .chunks(4096)
        .position(|sector| *sector == Scratch::LONG_DURABLE);
    scratch.set(payload.expect("it was staged"), 100, |byte| !byte);
    imbrex("check {}", &scratch.image).success();
    let ended = imbrex("check {} --data", &scratch.image);
    assert_eq!(ended.code, Some(1), "{ended:#?}");
    assert!(
        ended.stdout.contains("damage: data: sectors"),
        "{}",
        ended.stdout
    );
}

#[test]
fn an_orderly_end_gives_an_account_and_leaves_nothing_to_replay() {
    let scratch = Scratch::tiny();
    let account = scratch.path("account.json");
    let options = format!("--pace 100x --mover plain --account {}", account.display());
    let served = Served::start(&scratch.image, &options);
    let mut client = served.client();
    client.write(0, &vec![7; 65536]).expect("written");
    assert_eq!(client.read(512, 512), Ok(vec![7; 512]));
    let told = served.stop().success();
    for words in [
        "100 times real time",
        "write amplification",
        "slowest",
        "median",
        "(plain)",
    ] {
        assert!(told.contains(words), "{words} is missing in {told}");
    }
    let text = fs::read_to_string(account).expect("the account was written");
    let account: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(account["status"]["counters"]["host_written_bytes"], 65536);
    assert_eq!(account["status"]["cached_bytes"], 0);
    assert_eq!(account["mover"], "plain");
    let told = imbrex("inspect {} --json", &scratch.image).json();
    assert_eq!(told["recovery"]["replayed"], 0);
    assert_eq!(told["recovery"]["epoch"], 1);
}

#[test]
fn an_account_that_cannot_be_written_is_refused_before_the_image_is_opened() {
    let scratch = Scratch::tiny();
    let before = scratch.bytes();
    let account = scratch.path("nowhere/account.json");
    let socket = scratch.path("drive.sock");
    let (socket, account) = (socket.display(), account.display());
    let serve = format!("serve {{}} --nbd unix:{socket} --account {account}");
    let told = imbrex(&serve, &scratch.image).expect(6);
    assert!(told.contains("cannot write the account"), "{told}");
    assert!(scratch.bytes() == before, "the image was opened");
}

#[test]
fn an_image_in_use_is_refused_and_so_is_its_socket() {
    let scratch = Scratch::tiny();
    let served = Served::start(&scratch.image, "");
    for arguments in [
        "inspect {}",
        "check {}",
        "create {} --profile tiny --replace",
    ] {
        let told = imbrex(arguments, &scratch.image).expect(4);
        assert!(told.contains("locked"), "{told}");
    }
    let other = Scratch::tiny();
    let socket = scratch.image.with_extension("sock");
    let serve = format!("serve {{}} --nbd unix:{}", socket.display());
    imbrex(&serve, &other.image).expect(6);
    served.stop().success();
    imbrex("check {}", &scratch.image).success();
}

#[test]
fn serving_for_reading_only_writes_nothing() {
    let (scratch, written) = Scratch::cut_off();
    let before = scratch.bytes();
    let served = Served::start(&scratch.image, "--read-only --pace off");
    let mut client = served.client();
    assert!(client.read(0, 8192) == Ok(written), "other bytes came back");
    assert_eq!(client.write(0, &[1; 4096]), Err(NoAnswer::Error(EPERM)));
    imbrex("inspect {}", &scratch.image).success();
    served.stop().success();
    assert!(scratch.bytes() == before, "the image was written to");
}

#[test]
fn a_command_line_without_sense_is_a_usage_error_and_touches_nothing() {
    let scratch = Scratch::tiny();
    let before = scratch.bytes();
    let told = imbrex("serve {}", &scratch.image).expect(2);
    assert!(
        told.contains("--nbd unix:PATH") && told.contains("--fuse DIR"),
        "{told}"
    );
    for arguments in [
        "serve {} --nbd /tmp/x",
        "serve {} --nbd unix:x.sock --pace fast",
        "serve {} --nbd unix:x.sock --tls-require",
        "serve {} --nbd unix:x.sock --mover fast",
        "inspect",
        "mend {}",
    ] {
        imbrex(arguments, &scratch.image).expect(2);
    }
    assert!(scratch.bytes() == before, "the image was written to");
}

#[test]
fn a_frontend_that_cannot_start_stops_the_others() {
    let scratch = Scratch::tiny();
    let socket = scratch.path("some.sock");
    let nowhere = scratch.path("nowhere/other.sock");
    let (one, other) = (socket.display(), nowhere.display());
    let serve = format!("serve {{}} --nbd unix:{one} --nbd unix:{other}");
    let told = imbrex(&serve, &scratch.image).expect(6);
    assert!(told.contains("nowhere/other.sock"), "{told}");
    assert!(!socket.exists(), "the socket was left behind");
    let told = imbrex("inspect {} --json", &scratch.image).json();
    assert_eq!(told["recovery"]["replayed"], 0, "the drive was shut down");
}

#[test]
fn what_is_no_image_is_refused() {
    let scratch = Scratch::empty();
    imbrex("inspect {}", &scratch.image).expect(3);
    fs::write(&scratch.image, vec![0; 1 << 20]).expect("written");
    scratch.is_refused(&["not an imbrex image", "sectors 0 and 1"]);
    fs::write(&scratch.image, "text".repeat(10_000)).expect("written");
    scratch.is_refused(&["not an imbrex image"]);
    imbrex("inspect {}", scratch.image.parent().expect("a folder")).expect(3);
}

#[test]
fn one_damaged_superblock_is_reported_and_two_are_refused() {
    let scratch = Scratch::tiny();
    let copies = scratch.records(SUPERBLOCK);
    assert_eq!(copies.len(), 2);
    scratch.set(copies[1].sector, 95, |byte| !byte);
    let ended = imbrex("check {}", &scratch.image);
    assert_eq!(ended.code, Some(1), "{ended:#?}");
    assert!(
        ended.stdout.contains("superblock copy 1 is damaged"),
        "{}",
        ended.stdout
    );
    let told = imbrex("check {} --json", &scratch.image).json();
    assert_eq!(told["clean"], false);
    assert_eq!(told["report"]["findings"][0]["part"], "superblock");
    imbrex("inspect {}", &scratch.image).success();
    scratch.set(copies[0].sector, 95, |byte| !byte);
    scratch.is_refused(&["copy 0", "copy 1", "checksum"]);
}

#[test]
fn a_damaged_profile_in_an_image_is_refused() {
    let scratch = Scratch::tiny();
    scratch.set(2, 40, |byte| byte ^ 1);
    scratch.is_refused(&["profile's text", "sector 2", "checksum"]);
}

#[test]
fn damaged_maps_are_refused() {
    let (scratch, _) = Scratch::cut_off();
    let maps = scratch.records(FULL_MAP);
    assert!(!maps.is_empty());
    for map in &maps {
        scratch.set(map.sector, 60, |byte| !byte);
    }
    let place = maps[0].sector.to_string();
    scratch.is_refused(&["neither map", "checksum", &place]);
}

#[test]
fn a_damaged_newest_map_is_not_passed_over_for_an_older_one() {
    let (scratch, _) = Scratch::cut_off();
    let served = Served::start(&scratch.image, "--pace off");
    let mut client = served.client();
    client.write(4 << 20, &[9; 4096]).expect("written");
    client.flush().expect("flushed");
    served.cut();
    imbrex("check {}", &scratch.image).success();
    let maps = scratch.records(FULL_MAP);
    let newest = maps
        .iter()
        .max_by_key(|map| map.sequence)
        .expect("two maps");
    scratch.set(newest.sector, 60, |byte| !byte);
    let ended = imbrex("check {}", &scratch.image);
    assert!(matches!(ended.code, Some(1 | 3)), "{ended:#?}");
}

#[test]
fn a_damaged_record_that_was_durable_is_refused() {
    let (scratch, _) = Scratch::cut_off();
    let covered = imbrex("inspect {} --json", &scratch.image).json()["recovery"]["map_sequence"]
        .as_u64()
        .expect("a number");
    let mut records = scratch.records(JOURNAL);
    records.retain(|record| record.sequence == covered + 1);
    assert_eq!(records.len(), 1);
    scratch.set(records[0].sector, 50, |byte| !byte);
    let number = format!("record {}", covered + 1);
    let place = format!("sector {}", records[0].sector);
    scratch.is_refused(&["damaged", &number, &place, "checksum"]);
}

#[test]
fn an_image_cut_short_is_refused_with_both_lengths() {
    let scratch = Scratch::tiny();
    let whole = scratch.bytes().len();
    let file = fs::OpenOptions::new()
        .write(true)
        .open(&scratch.image)
        .expect("open");
    file.set_len(1 << 20).expect("cut");
    scratch.is_refused(&[&whole.to_string(), "1048576"]);
}

#[test]
fn an_image_of_another_version_is_refused() {
    let scratch = Scratch::tiny();
    for copy in scratch.records(SUPERBLOCK) {
        scratch.set(copy.sector, 12, |_| 9);
    }
    scratch.is_refused(&["format version 9", "version 2"]);
}

#[test]
fn a_drive_that_loses_its_file_ends_with_a_code_of_its_own() {
    let scratch = Scratch::tiny();
    let served = Served::start(&scratch.image, "--pace off");
    let mut client = served.client();
    client.write(0, &vec![5; 65536]).expect("written");
    client.flush().expect("flushed");
    let file = fs::OpenOptions::new()
        .write(true)
        .open(&scratch.image)
        .expect("open");
    file.set_len(4096).expect("cut");
    // Half a sector: the drive has to read the rest of it, and cannot go on without.
    let _ = client.write(512, &[6; 512]);
    let _ = client.flush();
    let told = served.wait().expect(5);
    assert!(told.contains("the drive has failed"), "{told}");
}

#[test]
fn every_built_in_profile_is_listed_shown_and_valid() {
    let listed = imbrex("profile list", nowhere()).success();
    let told = imbrex("profile list --json", nowhere()).json();
    let defaults = |profile: &&serde_json::Value| profile["default"] == true;
    let profiles = told["profiles"].as_array().expect("a list");
    assert_eq!(profiles.len(), listed.lines().count());
    let default: Vec<_> = profiles.iter().filter(defaults).collect();
    assert_eq!(default.len(), 1, "{told}");
    assert_eq!(default[0]["capacity_bytes"], 5_000_000_000_000_u64);
    let names: Vec<&str> = listed
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    assert!(
        names.contains(&"desktop-5tb") && names.contains(&"tiny"),
        "{listed}"
    );
    let scratch = Scratch::empty();
    for name in names {
        let shown = imbrex(&format!("profile show {name}"), nowhere()).success();
        assert!(
            shown.contains("revolution") && shown.contains("seek, full stroke"),
            "{shown}"
        );
        let text = imbrex(&format!("profile text {name}"), nowhere()).success();
        let file = scratch.path(name);
        fs::write(&file, text).expect("written");
        imbrex("profile check {}", &file).success();
    }
}

#[test]
fn every_problem_of_a_profile_is_told_at_once() {
    let scratch = Scratch::empty();
    let text = imbrex("profile text tiny", nowhere()).success();
    let wrong = text
        .replace("rpm = 5900", "rpm = \"fast\"")
        .replace("surfaces = 2", "surfases = 2");
    let file = scratch.path("wrong.toml");
    fs::write(&file, wrong).expect("written");
    let told = imbrex("profile check {}", &file).expect(3);
    for words in [
        "wrong.toml",
        "platters.rpm",
        "platters.surfases",
        "platters.surfaces",
    ] {
        assert!(told.contains(words), "{words} is missing in {told}");
    }
    imbrex("create {} --profile ./no/such.toml", &scratch.image).expect(3);
    imbrex(
        &format!("create {{}} --profile {}", file.display()),
        &scratch.image,
    )
    .expect(3);
    assert!(!scratch.image.exists());
}

#[test]
fn help_names_the_exit_codes_and_examples() {
    let help = imbrex("--help", nowhere()).success();
    assert!(
        help.contains("Exit codes:") && help.contains("Examples:"),
        "{help}"
    );
    for command in ["create", "serve", "check", "inspect", "profile"] {
        let help = imbrex(&format!("{command} --help"), nowhere()).success();
        assert!(help.contains("Examples:"), "{command}: {help}");
    }
    let version = imbrex("--version", nowhere()).success();
    assert_eq!(imbrex("version", nowhere()).success(), version);
}

#[test]
fn a_simulation_repeats_itself_and_records_its_jobs_in_a_new_file_only() {
    let scratch = Scratch::empty();
    let run = "simulate tiny uniform,write,4KiB,300-requests --json --events {}";
    let first = imbrex(run, &scratch.image).json();
    assert_eq!(first["answered"], 300);
    let events = scratch.bytes();
    assert_eq!(&events[..4], b"PAR1");
    let told = imbrex(run, &scratch.image).expect(4);
    assert!(told.contains("exists and is left alone"), "{told}");
    assert_eq!(scratch.bytes(), events);
    fs::remove_file(&scratch.image).expect("it was there");
    assert_eq!(imbrex(run, &scratch.image).json(), first);
    assert_eq!(scratch.bytes(), events);
    let other = "simulate tiny uniform,write,4KiB,300-requests --json --seed 2 --count 20";
    let other = imbrex(other, nowhere()).json();
    assert_eq!(
        (&other["answered"], &other["seed"]),
        (&20.into(), &2.into())
    );
}

#[test]
fn a_trace_is_imported_and_replayed_on_any_drive() {
    let scratch = Scratch::empty();
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/traces");
    let import = format!("import {folder}/fio-v3.log --as fio-log --json -o {{}}");
    let report = imbrex(&import, &scratch.image).json();
    assert_eq!(
        (&report["requests"], &report["drive"]),
        (&13.into(), &"disk".into())
    );
    let told = imbrex(&import, &scratch.image).expect(4);
    assert!(told.contains("exists and is left alone"), "{told}");
    let replay = "simulate control-5tb --replay {} --json --keep think-times --speed 0.5";
    assert_eq!(imbrex(replay, &scratch.image).json()["answered"], 13);
    let told = imbrex("simulate tiny --replay {}", &scratch.image).expect(2);
    assert!(told.contains("--beyond fold"), "{told}");
    let smaller = "simulate tiny --replay {} --json --beyond fold";
    assert_eq!(imbrex(smaller, &scratch.image).json()["answered"], 13);
    fs::remove_file(&scratch.image).expect("it was there");
    let other = format!("import {folder}/blkparse.txt --as fio-log -o {{}}");
    let told = imbrex(&other, &scratch.image).expect(3);
    assert!(told.contains("does not fit this kind of text"), "{told}");
    assert!(!scratch.image.exists(), "nothing is left behind");
    let rates = format!("import {folder}/iostat-x.json --as iostat -o {{}}");
    let told = imbrex(&rates, &scratch.image).success();
    assert!(told.contains("is synthetic"), "{told}");
    let run = "simulate tiny {} --json --count 20";
    assert_eq!(imbrex(run, &scratch.image).json()["answered"], 20);
}

#[test]
fn workloads_are_listed_and_can_be_taken_as_a_start() {
    let listed = imbrex("workload list", nowhere()).success();
    let first = listed.split_whitespace().next().expect("there are some");
    let text = imbrex(&format!("workload text {first}"), nowhere()).success();
    let scratch = Scratch::empty();
    fs::write(&scratch.image, text).expect("written");
    let told = imbrex("workload check {}", &scratch.image).success();
    assert!(
        told.contains("a valid workload") && told.contains(first),
        "{told}"
    );
    let run = format!("simulate desktop-5tb {first} --count 3 --json --capacity 4GiB");
    assert_eq!(imbrex(&run, nowhere()).json()["answered"], 3);
}

#[test]
fn a_workload_that_cannot_be_used_is_refused_with_all_that_is_wrong() {
    let told = imbrex("simulate tiny uniform,wrote,4KB", nowhere()).expect(3);
    assert!(
        told.contains("wrote: not known") && told.contains("when it ends"),
        "{told}"
    );
    let told = imbrex("simulate tiny uniform,read,first-1TB,9-requests", nowhere()).expect(2);
    assert!(told.contains("1000000000000 bytes from 0 on"), "{told}");
    let told = imbrex("simulate tiny nowhere.toml", nowhere()).expect(3);
    assert!(told.contains("nowhere.toml is not a file"), "{told}");
    let told = imbrex("workload check nowhere.toml", nowhere()).expect(3);
    assert!(told.contains("array-rebuild"), "{told}");
    let scratch = Scratch::empty();
    fs::write(&scratch.image, "[workload]\nsede = 1\n[place]\n").expect("written");
    let told = imbrex("simulate tiny {}", &scratch.image).expect(3);
    assert!(
        told.contains("did you mean workload.seed") && told.contains("at least one [[stream]]"),
        "{told}"
    );
}

#[test]
fn a_recorded_session_is_replayed_to_the_nanosecond() {
    let scratch = Scratch::tiny();
    let record = scratch.path("session.parquet");
    let options = format!("--pace off --record {}", record.display());
    let served = Served::start(&scratch.image, &options);
    let mut client = served.client();
    for i in 0..100 {
        client
            .write(i * 48 * 1024 % (7 << 20), &[1; 4096])
            .expect("written");
        client.read(i * 112 * 1024 % (7 << 20), 4096).expect("read");
    }
    client.flush().expect("flushed");
    let account = served.stop().success();
    assert!(!account.contains("\nlag "), "without a pace: {account}");
    let told = imbrex("simulate --replay {} --json", &record).json();
    assert_eq!(told["answered"], 201);
    assert_eq!(told["agreement"]["same_moment"], 201);
    assert_eq!(told["recording_began_new"], true);
    let words = imbrex("simulate --replay {}", &record).success();
    assert!(words.contains("201 of 201 answers"), "{words}");
    let other = imbrex("simulate flash-4tb --replay {} --json", &record).json();
    assert_eq!(other["agreement"], serde_json::Value::Null);
    let told = imbrex("simulate --replay {}", &scratch.image).expect(3);
    assert!(told.contains("is not a recording"), "{told}");
    imbrex("simulate --replay {} --count 3", &record).expect(2);
    let again = format!("serve {{}} --nbd tcp:127.0.0.1:0 {options}");
    let told = imbrex(&again, &scratch.image).expect(4);
    assert!(told.contains("exists and is left alone"), "{told}");
}
