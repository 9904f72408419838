//! Drives that lie on block devices: loop devices, larger than the image, with something in all of it.
//! What is known of imbrex are the program and its sockets.

mod nbd_client;
mod program;

use std::fs;
use std::os::unix::fs::{FileExt as _, symlink};
use std::path::{Path, PathBuf};

use nbd_client::{Client, NoAnswer};
use program::{Served, imbrex, is_root, tell, told, tool};
use serde_json::json;
use tempfile::TempDir;

const EIO: NoAnswer = NoAnswer::Error(5);
const SECTOR: u32 = 4096;
const MIB: u64 = 1 << 20;
/// More than the image of the smallest drive takes.
const DEVICE_BYTES: u64 = 64 * MIB;

/// A drive on a loop device, which goes with it.
struct Disk {
    folder: TempDir,
    /// The device, by a link: that is how people name theirs.
    device: PathBuf,
}

impl Disk {
    /// Nothing where loop devices cannot be had.
    fn new() -> Option<Disk> {
        if !is_root("attaching loop devices") {
            return None;
        }
        let folder = tempfile::tempdir().expect("a folder");
        let backing = folder.path().join("backing");
        let junk = vec![0xa5; usize::try_from(DEVICE_BYTES).expect("it fits")];
        fs::write(&backing, junk).expect("written");
        let told = tool("losetup", ["--find", "--show", text(&backing)]);
        let device = folder.path().join("disk.dev");
        symlink(told.success().trim(), &device).expect("a link");
        let disk = Disk { folder, device };
        imbrex("create {} --profile tiny --block-device", &disk.device).success();
        Some(disk)
    }

    fn beside(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn serve(&self, options: &str) -> (Served, Client) {
        let options = format!("--pace off --block-device {options}");
        let served = Served::start(&self.device, &options);
        let client = served.client();
        (served, client)
    }

    fn told(&self, what: &str) -> serde_json::Value {
        told(&self.device, what)
    }

    fn restore(&self, file: &Path) -> program::Ended {
        tell(&self.device, &format!("restore {}", file.display()))
    }

    fn check(&self) {
        imbrex("check {} --block-device --data", &self.device).success();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let device = fs::canonicalize(&self.device).expect("it is there");
        // Left behind by a server that was killed last.
        let _ = fs::remove_file(format!("{}.control", device.display()));
        tool("losetup", ["--detach", text(&device)]);
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

fn sector(byte: u8) -> Vec<u8> {
    vec![byte; 4096]
}

#[test]
fn a_power_cut_on_a_device_costs_what_was_not_durable_and_no_more() {
    let Some(disk) = Disk::new() else {
        return;
    };
    let (served, mut client) = disk.serve("");
    client.write(0, &sector(1)).expect("written");
    client.flush().expect("durable");
    client.write(MIB, &sector(9)).expect("written to the cache");
    disk.told("power-cut");
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)), "as it was flushed");
    let found = client.read(MIB, SECTOR).expect("it is back");
    assert!(found == sector(9) || found == sector(0), "durable or not");
    disk.told("power-cut --after 1 --purpose stage");
    assert_eq!(client.write_through(0, &sector(2)), Err(EIO));
    disk.told("power-cut --stay-off");
    assert_eq!(client.read(0, SECTOR), Err(EIO));
    disk.told("power-on");
    let found = client.read(0, SECTOR).expect("it is back");
    assert!(found == sector(1) || found == sector(2));
    client.write_through(0, &sector(3)).expect("written");
    served.cut();
    disk.check();
    let (served, mut client) = disk.serve("");
    assert_eq!(client.read(0, SECTOR), Ok(sector(3)));
    served.stop().success();
    disk.check();
}

#[test]
fn a_state_is_saved_from_a_device_to_a_file_and_put_back_on_it_while_served() {
    let Some(disk) = Disk::new() else {
        return;
    };
    let saved = disk.beside("saved.img");
    let (served, mut client) = disk.serve("");
    client.write(0, &sector(1)).expect("written");
    client.write(MIB, &sector(7)).expect("written");
    let told = disk.told(&format!("save {}", saved.display()));
    let bytes = fs::metadata(&saved).expect("saved").len();
    assert_eq!(told["image_bytes"], json!(bytes));
    assert_eq!(told["shared"], json!(false));
    assert!(bytes < DEVICE_BYTES, "no more than the image is saved");
    imbrex("check {} --data", &saved).success();
    for round in 0..2 {
        client.write_through(0, &sector(2)).expect("written");
        client.trim(MIB, SECTOR).expect("discarded");
        client.write(2 * MIB, &sector(8)).expect("written");
        disk.restore(&saved).success();
        assert_eq!(client.read(0, SECTOR), Ok(sector(1)), "round {round}");
        assert_eq!(client.read(MIB, SECTOR), Ok(sector(7)), "round {round}");
        assert_eq!(client.read(2 * MIB, SECTOR), Ok(sector(0)), "round {round}");
    }
    assert!(saved.exists(), "what was restored is still there");
    client.write_through(0, &sector(3)).expect("written");
    served.stop().success();
    disk.check();
    let (served, mut client) = disk.serve("");
    assert_eq!(client.read(0, SECTOR), Ok(sector(3)));
    served.stop().success();

    // What was saved from a device is an image like any other, and the drive can move back on it.
    let file = Served::start(&saved, "--pace off");
    let mut client = file.client();
    assert_eq!(client.read(MIB, SECTOR), Ok(sector(7)));
    client.write_through(0, &sector(4)).expect("written");
    file.stop().success();
    let (served, mut client) = disk.serve("");
    disk.restore(&saved).success();
    assert_eq!(client.read(0, SECTOR), Ok(sector(4)));
    served.stop().success();
    let behind = fs::File::open(&disk.device).expect("root may");
    let mut last = sector(0);
    behind
        .read_exact_at(&mut last, DEVICE_BYTES - 4096)
        .expect("read");
    assert_eq!(
        last,
        sector(0xa5),
        "what lies behind the image is untouched"
    );
}

#[test]
fn what_is_not_to_be_put_on_a_device_leaves_the_drive_and_the_file_as_they_are() {
    let Some(disk) = Disk::new() else {
        return;
    };
    let (served, mut client) = disk.serve("");
    client.write_through(0, &sector(1)).expect("written");
    let other = disk.beside("other.img");
    imbrex("create {} --profile desktop-5tb --capacity 1GiB", &other).success();
    let told = disk.restore(&other).expect(4);
    assert!(told.contains("desktop-5tb"), "{told}");
    let thesis = disk.beside("thesis");
    fs::write(&thesis, "mine").expect("written");
    disk.restore(&thesis).expect(1);
    assert_eq!(fs::read(&thesis).expect("it is there"), b"mine");
    // The device's own bytes, by another way.
    let told = disk.restore(&disk.beside("backing")).expect(1);
    assert!(told.contains("/dev/loop"), "{told}");
    assert_eq!(client.read(0, SECTOR), Ok(sector(1)));
    let saved = disk.beside("saved.img");
    disk.told(&format!("save {}", saved.display()));
    client.write_through(0, &sector(2)).expect("written");
    served.stop().success();

    let (served, mut client) = disk.serve("--read-only");
    let told = disk.restore(&saved).expect(4);
    assert!(told.contains("stays as it is"), "{told}");
    assert!(saved.exists());
    assert_eq!(client.read(0, SECTOR), Ok(sector(2)));
    served.stop().success();
    disk.check();
}
