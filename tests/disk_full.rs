//! The filesystem under an image fills up: foreseen, reported to clients, survived.
//!
//! Takes root, for a small filesystem of its own.

#![allow(clippy::print_stdout)] // says what it skips

mod nbd_client;
mod program;

use std::path::Path;

use nbd_client::NoAnswer;
use nix::mount::{MntFlags, MsFlags, mount, umount2};
use program::{Served, imbrex};
use tempfile::TempDir;

const BLOCK: usize = 65_536;
/// Errors of NBD: the drive has failed, or its medium has no room.
const FAILED: [u32; 2] = [5, 28];

/// A filesystem in memory, unmounted when dropped.
struct Volume(TempDir);

impl Volume {
    fn of_mebibytes(mebibytes: u32) -> Volume {
        let volume = Volume(tempfile::tempdir().expect("a folder"));
        volume.mount(MsFlags::empty(), mebibytes);
        volume
    }

    fn mount(&self, flags: MsFlags, mebibytes: u32) {
        let options = format!("size={mebibytes}m");
        let path = self.path();
        mount(Some("tmpfs"), path, Some("tmpfs"), flags, Some(&*options)).expect("root may mount");
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for Volume {
    fn drop(&mut self) {
        // Whatever a test that failed left open goes with its process.
        let _ = umount2(self.path(), MntFlags::MNT_DETACH);
    }
}

fn block(number: usize) -> Vec<u8> {
    vec![u8::try_from(number % 250).expect("small") + 1; BLOCK]
}

fn offset(number: usize) -> u64 {
    u64::try_from(number * BLOCK).expect("64-bit host")
}

/// Writes block after block, each flushed, until that fails; returns how many were flushed.
fn fill(served: &Served) -> usize {
    let mut client = served.client();
    for number in 0..120 {
        let written = client.write(offset(number), &block(number));
        match written.and_then(|()| client.flush()) {
            Ok(()) => {}
            Err(NoAnswer::Error(errno)) => {
                assert!(FAILED.contains(&errno), "error {errno}");
                // It is latched: no flush succeeds any more, and no write is durable.
                assert!(client.flush().is_err());
                return number;
            }
            Err(NoAnswer::Gone) => return number,
        }
    }
    panic!("eight mebibytes found room in less");
}

fn survives(mover: &str) {
    let volume = Volume::of_mebibytes(7);
    let image = volume.path().join("disk.img");
    imbrex("create {} --profile tiny", &image).success();
    let elsewhere = tempfile::tempdir().expect("a folder");
    let account = elsewhere.path().join("account.json");
    let options = format!("--pace off --mover {mover}");
    let watched = format!("{options} --account {}", account.display());
    let served = Served::start(&image, &watched);
    let flushed = fill(&served);
    let ended = served.wait();
    let printed = ended.stdout.clone();
    let told = ended.expect(5);
    assert!(told.contains("room is running out"), "{told}");
    assert!(told.contains("the drive has failed"), "{told}");
    assert!(told.contains("No space left"), "{told}");
    let foreseen = told.find("room is running out");
    assert!(foreseen < told.find("the drive has failed"), "{told}");
    assert!(flushed > 10, "{flushed} blocks were flushed");
    assert!(printed.contains("host        read"), "{printed}");
    let value = std::fs::read_to_string(account).expect("the account is written");
    let value: serde_json::Value = serde_json::from_str(&value).expect("JSON");
    let why = value["failed"].as_str().expect("it says why");
    assert!(why.contains("No space left"), "{why}");
    volume.mount(MsFlags::MS_REMOUNT, 64);
    imbrex("check {} --data", &image).success();
    let served = Served::start(&image, &options);
    let mut client = served.client();
    for number in 0..flushed {
        let found = client.read(offset(number), 65_536).expect("it works again");
        assert!(found == block(number), "block {number}");
    }
    for number in 0..120 {
        client.write(offset(number), &block(number)).expect("room");
    }
    client.flush().expect("room");
    drop(client);
    served.stop().success();
}

#[test]
fn a_full_filesystem_is_foreseen_and_survived() {
    if !nix::unistd::geteuid().is_root() {
        println!("skipped: takes root");
        return;
    }
    for mover in ["plain", "auto"] {
        survives(mover);
    }
}
