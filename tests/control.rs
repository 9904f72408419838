//! The control socket of the built program, met by `imbrex tell` and by a raw client, with an NBD
//! client on the other side that sees what is done to the drive.
//!
//! With the pace off nobody waits for model time: a stall of 40 s is over at once.

mod nbd_client;
mod program;

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::MetadataExt;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;

use nbd_client::{Client, NoAnswer};
use program::{Ended, Served, imbrex};
use serde_json::{Value, json};
use tempfile::TempDir;

/// Error numbers of NBD.
const EPERM: NoAnswer = NoAnswer::Error(1);
const EIO: NoAnswer = NoAnswer::Error(5);

const SECTOR: u32 = 4096;

struct Rig {
    _folder: TempDir,
    image: PathBuf,
}

impl Rig {
    fn new() -> Rig {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        imbrex("create {} --profile tiny", &image).success();
        Rig {
            _folder: folder,
            image,
        }
    }

    fn beside(&self, name: &str) -> PathBuf {
        self.image.with_file_name(name)
    }

    fn serve(&self, options: &str) -> (Served, Client) {
        let served = Served::start(&self.image, format!("--pace off {options}").trim_end());
        let client = served.client();
        (served, client)
    }

    fn tell(&self, what: &str) -> Ended {
        program::tell(&self.image, what)
    }

    /// What it answers to a command that succeeds.
    fn told(&self, what: &str) -> Value {
        program::told(&self.image, what)
    }

    fn account(&self) -> Value {
        self.told("account")["account"].take()
    }

    /// How often a limit was tripped.
    fn trips(&self, limit: &str) -> u64 {
        let account = self.account();
        let mut limits = account["limits"].as_array().expect("a list").iter();
        let found = limits
            .find(|each| each["limit"] == limit)
            .expect("it is listed");
        found["trips"].as_u64().expect("a number")
    }

    fn raw(&self) -> Raw {
        let stream = UnixStream::connect(self.beside("disk.img.control")).expect("it listens");
        Raw(BufReader::new(stream))
    }
}

/// A client that speaks the protocol by hand.
struct Raw(BufReader<UnixStream>);

impl Raw {
    fn send(&mut self, line: &str) {
        self.0
            .get_mut()
            .write_all(line.as_bytes())
            .expect("it takes it");
    }

    /// The next answer; nothing at the end of the connection.
    fn answer(&mut self) -> Option<Value> {
        let mut line = String::new();
        let bytes = self.0.read_line(&mut line).unwrap_or(0);
        (bytes > 0).then(|| serde_json::from_str(&line).expect("an answer is JSON"))
    }

    fn ask(&mut self, line: &str) -> Value {
        self.send(&format!("{line}\n"));
        self.answer().expect("it answers")
    }
}

fn sector(byte: u8) -> Vec<u8> {
    vec![byte; 4096]
}

#[test]
fn the_socket_lies_beside_the_image_for_its_owner_alone_and_goes_with_the_server() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let socket = rig.beside("disk.img.control");
    assert_eq!(
        fs::metadata(&socket).expect("it is there").mode() & 0o777,
        0o600
    );
    let told = rig.told("status");
    assert_eq!(told["profile"], "tiny");
    assert_eq!(told["powered"], true);
    let inspected = |field: &str| told["status"][field].is_u64();
    assert!(
        inspected("staging_slots") && inspected("dirty_bands"),
        "{told:#}"
    );
    assert!(
        told["status"]["counters"]["host_reads"].is_u64(),
        "{told:#}"
    );
    let same = imbrex("tell {} status", &socket).success();
    assert!(same.contains("status.counters.host_reads"), "{same}");
    served.stop().success();
    assert!(!socket.exists());
    let told = rig.tell("status").expect(6);
    assert!(told.contains("no server answers"), "{told}");
    imbrex("tell {} status", &rig.beside("nothing")).expect(3);
}

#[test]
fn the_socket_can_lie_elsewhere_and_a_socket_that_cannot_be_made_is_an_error_only_if_asked_for() {
    let rig = Rig::new();
    let elsewhere = rig.beside("elsewhere");
    let (served, _client) = rig.serve(&format!("--control {}", elsewhere.display()));
    imbrex("tell {} status", &elsewhere).success();
    rig.tell("status").expect(6);
    served.stop().success();
    fs::write(&elsewhere, "notes").expect("written");
    let asked = format!(
        "serve {{}} --nbd tcp:127.0.0.1:0 --control {}",
        elsewhere.display()
    );
    let told = imbrex(&asked, &rig.image).expect(6);
    assert!(told.contains("not a socket"), "{told}");
    fs::write(rig.beside("disk.img.control"), "notes").expect("written");
    let (served, mut client) = rig.serve("");
    client.read(0, SECTOR).expect("it serves all the same");
    let ended = served.stop();
    assert!(ended.stderr.contains("not a socket"), "{ended:#?}");
    ended.success();
}

#[test]
fn an_unreadable_range_is_an_input_output_error_until_it_is_rewritten() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    client.write_through(0, &sector(1)).expect("written");
    rig.told("media-error 0 4096 --lasts until-rewritten --tries 7s");
    assert_eq!(client.read(0, SECTOR), Err(EIO));
    assert_eq!(client.read(u64::from(SECTOR), SECTOR), Ok(sector(0)));
    client.write_through(0, &sector(2)).expect("written");
    assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
    rig.told("media-error 0 4096 --on writes --lasts 1");
    assert_eq!(client.write(0, &sector(3)), Err(EIO));
    assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
    let told = rig.tell("media-error 8MiB 1").expect(2);
    assert!(told.contains("8388608"), "{told}");
    let ended = served.stop().success();
    assert!(ended.contains("on request"), "{ended}");
    assert!(
        ended.contains("cannot be read") && ended.contains("slowed on request: 7 s"),
        "{ended}"
    );
}

#[test]
fn a_power_cut_costs_what_was_not_durable_and_the_drive_comes_back_by_itself() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    client.write(0, &sector(1)).expect("written");
    client.flush().expect("durable");
    rig.told("power-cut");
    assert_eq!(
        client.read(0, SECTOR),
        Ok(sector(1)),
        "on the same connection"
    );
    // In the middle of the entry that a write needs: the write is not answered with success.
    rig.told("power-cut --after 1 --purpose stage");
    assert_eq!(client.write_through(0, &sector(2)), Err(EIO));
    let found = client.read(0, SECTOR).expect("it is back");
    assert!(found == sector(1) || found == sector(2));
    served.cut();
    imbrex("check {} --data", &rig.image).success();
}

#[test]
fn a_drive_without_power_answers_nothing_until_it_has_some_again() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    client.write_through(0, &sector(1)).expect("written");
    rig.told("media-error 4096 4096");
    rig.told("power-cut --stay-off");
    assert_eq!(client.read(0, SECTOR), Err(EIO));
    assert_eq!(client.flush(), Err(EIO));
    assert_eq!(rig.told("status")["powered"], false);
    let told = rig.tell("stall 1s").expect(1);
    assert!(told.contains("power-on"), "{told}");
    rig.told("power-on");
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    assert_eq!(
        client.read(4096, SECTOR),
        Err(EIO),
        "the medium is as it was"
    );
    rig.tell("power-on").expect(1);
    rig.told("power-cut --stay-off");
    served.stop().success();
    imbrex("check {} --data", &rig.image).success();
}

#[test]
fn a_stall_is_told_from_a_slow_rig_and_counted_at_every_limit_that_it_would_trip() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    client.write_through(0, &sector(1)).expect("written");
    rig.told("stall 40s");
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    let account = rig.account();
    let slowest = &account["slowest"][0];
    let cause = slowest["cause"].as_str().expect("words");
    assert!(cause.starts_with("stalled on request: "), "{cause}");
    for (limit, trips) in [
        ("array-recovery", 1),
        ("cluster-heartbeat", 1),
        ("disk-command", 1),
        ("flush", 0),
        ("hung-task", 0),
        ("pool-deadman", 0),
        ("slow-commands", 0),
    ] {
        assert_eq!(rig.trips(limit), trips, "{limit}");
    }
    let ended = served.stop().success();
    assert!(
        ended.contains("host limits") && ended.contains("would have been dropped"),
        "{ended}"
    );
    assert!(!ended.contains("answers came late"), "{ended}");
}

#[test]
fn an_enforced_limit_fails_the_command_and_lets_the_drive_work_on() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("--enforce array-recovery,flush");
    client.write_through(0, &sector(1)).expect("written");
    let id = rig.told("stall forever")["fault"].clone();
    assert_eq!(client.read(0, SECTOR), Err(EIO));
    assert_eq!(client.write_through(0, &sector(2)), Err(EIO));
    assert_eq!(client.flush(), Err(EIO));
    assert_eq!(rig.trips("array-recovery"), 2);
    assert_eq!(rig.trips("flush"), 1);
    rig.told(&format!("lift {id}"));
    // The host was told that it failed; the drive did it all the same.
    assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
    rig.told("enforce");
    rig.told("stall 100s");
    assert_eq!(
        client.read(0, SECTOR),
        Ok(sector(2)),
        "nothing is enforced now"
    );
    let told = rig.tell("enforce tea-break").expect(2);
    assert!(told.contains("pool-deadman"), "{told}");
    served.stop().success();
}

#[test]
fn settings_and_failing_commands_reach_the_client() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    rig.told("read-only on");
    assert_eq!(client.write(0, &sector(1)), Err(EPERM));
    assert_eq!(client.trim(0, SECTOR), Err(EPERM));
    assert_eq!(client.read(0, SECTOR), Ok(sector(0)));
    rig.told("read-only off");
    client.write(0, &sector(1)).expect("written");
    rig.told("fail-commands 2");
    assert_eq!(client.read(0, SECTOR), Err(EIO));
    assert_eq!(client.flush(), Err(EIO));
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    rig.told("write-cache off");
    rig.told("slow 2.5x");
    client.write(0, &sector(2)).expect("written");
    let standing = rig.told("faults");
    let listed = standing["faults"].as_array().expect("a list");
    assert_eq!(listed.len(), 2, "{standing:#}");
    assert_eq!(listed[1]["percent"], 250, "{standing:#}");
    // Every acknowledged write is durable now.
    served.cut();
    let (served, mut client) = rig.serve("");
    assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
    assert_eq!(rig.told("lift")["lifted"], 0, "faults end with the server");
    rig.tell("slow 0.5x").expect(2);
    rig.tell("lift 7").expect(1);
    served.stop().success();
}

#[test]
fn what_the_drive_is_in_no_state_for_is_refused_and_not_taken_for_nonsense() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    client.write(0, &sector(1)).expect("written");
    rig.told("power-cut --after 100 --purpose clean-write");
    let told = rig.tell("power-cut").expect(1);
    assert!(told.contains("fault 1"), "{told}");
    rig.told("stall forever");
    let told = rig.tell("stall 1s").expect(1);
    assert!(told.contains("fault 2"), "{told}");
    // It would wait for a flush that never comes.
    let saved = rig.beside("saved.img");
    let told = rig.tell(&format!("save {}", saved.display())).expect(1);
    assert!(told.contains("lift fault 2"), "{told}");
    assert!(!saved.exists());
    rig.told("lift");
    rig.told(&format!("save {}", saved.display()));
    for factor in ["0.5x", "1000.1x"] {
        let told = rig.tell(&format!("slow {factor}")).expect(2);
        assert!(told.contains("1x to 1000x"), "{told}");
    }
    served.stop().success();
}

#[test]
fn dropped_connections_can_be_made_again() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let mut other = served.client();
    client.write(0, &sector(1)).expect("written");
    other.read(0, SECTOR).expect("read");
    assert_eq!(rig.told("drop-connections")["dropped"], 2);
    assert_eq!(client.read(0, SECTOR), Err(NoAnswer::Gone));
    assert_eq!(other.read(0, SECTOR), Err(NoAnswer::Gone));
    assert_eq!(served.client().read(0, SECTOR), Ok(sector(1)));
    served.stop().success();
}

#[test]
fn a_saved_state_is_an_image_of_its_own_and_can_be_put_back_while_served() {
    let rig = Rig::new();
    let saved = rig.beside("saved.img");
    let (served, mut client) = rig.serve("");
    client.write(0, &sector(1)).expect("written");
    client.write(1 << 20, &sector(7)).expect("written");
    let told = rig.told(&format!("save {}", saved.display()));
    assert_eq!(
        told["image_bytes"],
        fs::metadata(&saved).expect("saved").len()
    );
    assert!(
        told["copied_bytes"].as_u64() < told["image_bytes"].as_u64(),
        "{told:#}"
    );
    imbrex("check {} --data", &saved).success();
    // A half-made copy of an earlier attempt is in nobody's way.
    fs::write(rig.beside(".disk.img.restoring"), "half").expect("written");
    for round in 0..2 {
        client.write_through(0, &sector(2)).expect("written");
        client.trim(1 << 20, SECTOR).expect("discarded");
        assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
        rig.told(&format!("restore {}", saved.display()));
        assert_eq!(client.read(0, SECTOR), Ok(sector(1)), "round {round}");
        assert_eq!(client.read(1 << 20, SECTOR), Ok(sector(7)), "round {round}");
    }
    let second = imbrex("serve {} --nbd tcp:127.0.0.1:0", &rig.image).expect(4);
    assert!(second.contains("disk.img"), "{second}");
    rig.tell(&format!("save {}", saved.display())).expect(4);
    client.write_through(0, &sector(3)).expect("written");
    served.stop().success();
    imbrex("check {} --data", &rig.image).success();
    assert!(!rig.beside(".disk.img.restoring").exists());
    let (served, mut client) = rig.serve("");
    assert_eq!(client.read(0, SECTOR), Ok(sector(3)));
    served.stop().success();
}

#[test]
fn a_state_saved_as_a_power_cut_holds_what_was_flushed() {
    let rig = Rig::new();
    let saved = rig.beside("saved.img");
    let (served, mut client) = rig.serve("");
    client.write(0, &sector(1)).expect("written");
    client.flush().expect("durable");
    client.write(4096, &sector(2)).expect("written");
    // A stalled drive could not be flushed.
    rig.told("stall forever");
    rig.told(&format!("save {} --as-power-cut", saved.display()));
    served.stop().success();
    imbrex("check {} --data", &saved).success();
    let served = Served::start(&saved, "--pace off");
    let mut client = served.client();
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    let other = client.read(4096, SECTOR).expect("read");
    assert!(other == sector(2) || other == sector(0));
    served.stop().success();
}

#[test]
fn another_drive_is_not_put_in_place_and_nor_is_what_is_no_image() {
    let rig = Rig::new();
    let other = rig.beside("other.img");
    imbrex("create {} --profile desktop-5tb --capacity 1GiB", &other).success();
    let (served, mut client) = rig.serve("");
    client.write_through(0, &sector(1)).expect("written");
    let told = rig.tell(&format!("restore {}", other.display())).expect(4);
    assert!(
        told.contains("desktop-5tb") && told.contains("tiny"),
        "{told}"
    );
    fs::write(&other, "thesis").expect("written");
    rig.tell(&format!("restore {}", other.display())).expect(1);
    rig.tell(&format!("restore {}", rig.beside("nothing").display()))
        .expect(1);
    // One that is in use may change under the copy.
    let told = rig
        .tell(&format!("restore {}", rig.image.display()))
        .expect(1);
    assert!(told.contains("disk.img"), "{told}");
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    served.stop().success();
    let (served, _client) = rig.serve("--read-only");
    let saved = rig.beside("saved.img");
    rig.told(&format!("save {}", saved.display()));
    rig.tell(&format!("restore {}", saved.display())).expect(4);
    served.stop().success();
}

#[test]
fn lines_that_are_no_commands_are_answered_and_harm_nobody() {
    let rig = Rig::new();
    let (served, mut client) = rig.serve("");
    let mut raw = rig.raw();
    for line in [
        "{",
        "[1]",
        "nonsense",
        "\u{0}",
        r#"{"command": "status", "version": 9}"#,
    ] {
        let answer = raw.ask(line);
        assert_eq!(answer["ok"], false, "{line}");
        assert_eq!(answer["version"], 1);
        assert_eq!(answer["error"]["kind"], "not-understood", "{answer}");
    }
    let answer = raw.ask(r#"{"id": 5, "version": 1, "command": "stall", "duration_ns": 1e99}"#);
    assert_eq!((&answer["id"], &answer["ok"]), (&json!(5), &json!(false)));
    // Several in one go are answered in order.
    raw.send(
        "\n{\"id\": \"a\", \"command\": \"faults\"}\n{\"id\": \"b\", \"command\": \"status\"}\n",
    );
    let ids = [raw.answer(), raw.answer()].map(|answer| answer.expect("answered")["id"].take());
    assert_eq!(ids, [json!("a"), json!("b")]);
    raw.send(&"x".repeat(70_000));
    let answer = raw.answer().expect("it says why");
    assert!(
        answer["error"]["message"]
            .as_str()
            .expect("words")
            .contains("65536"),
        "{answer}"
    );
    assert_eq!(raw.answer(), None);
    client.read(0, SECTOR).expect("the drive goes on");
    served.stop().success();
}

#[test]
fn one_client_too_many_is_told_so_and_the_others_are_served() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let mut clients: Vec<Raw> = (0..16).map(|_| rig.raw()).collect();
    for raw in &mut clients {
        assert_eq!(raw.ask(r#"{"command": "faults"}"#)["ok"], true);
    }
    let answer = rig.raw().answer().expect("it says why");
    assert_eq!(answer["error"]["kind"], "refused");
    rig.tell("status").expect(1);
    assert_eq!(clients[0].ask(r#"{"command": "status"}"#)["ok"], true);
    let mut gone = clients.pop().expect("sixteen");
    gone.send(&"x".repeat(70_000));
    while gone.answer().is_some() {}
    // Silent clients do not keep the server from ending.
    served.stop().success();
}
