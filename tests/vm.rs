//! Real kernels on served drives: filesystems, arrays and disk drivers of Linux 6.12 in a guest, through
//! every kind of attachment, with power cuts of the drive and of the guest.
//!
//! Known of imbrex are the program and its sockets; guests are started by `scripts/vm`. Where the kernel
//! for guests is missing there is nothing to test, which fails where `CI` is set.

#[path = "vm/guest.rs"]
mod guest;
#[path = "vm/ledger.rs"]
mod ledger;
mod nbd_client;
mod program;

use guest::{Guest, Images, available, port, trims};
use ledger::Ledger;
use nix::sys::signal::Signal;
use program::Served;

/// The smallest that all of the filesystems are at ease with.
const CAPACITY: &str = "1GiB";
/// Changes made durable before the power fails.
const CHANGES: usize = 50;

/// How a guest meets the drive.
#[derive(Clone, Copy)]
enum Attachment {
    Virtio,
    Sata,
    Scsi,
    /// The guest's own client, over TCP.
    Nbd,
}

impl Attachment {
    /// Options of `scripts/vm`, and the device or port for the script.
    fn to(self, served: &Served) -> ([String; 2], String) {
        let socket = served.socket.display().to_string();
        let (option, device) = match self {
            Attachment::Virtio => ("--drive", "/dev/vda"),
            Attachment::Sata => ("--sata", "/dev/sda"),
            Attachment::Scsi => ("--scsi", "/dev/sda"),
            Attachment::Nbd => return (["--net", "--"].map(str::to_owned), port(served)),
        };
        ([option.to_owned(), socket], device.to_owned())
    }
}

#[test]
fn ext4_on_a_virtio_disk_finds_all_that_was_synced_after_power_cuts() {
    finds_all_that_was_synced("ext4", Attachment::Virtio);
}

#[test]
fn xfs_through_the_kernels_nbd_client_finds_all_that_was_synced_after_power_cuts() {
    finds_all_that_was_synced("xfs", Attachment::Nbd);
}

#[test]
fn btrfs_on_a_scsi_disk_finds_all_that_was_synced_after_power_cuts() {
    finds_all_that_was_synced("btrfs", Attachment::Scsi);
}

#[test]
fn f2fs_on_a_sata_disk_finds_all_that_was_synced_after_power_cuts() {
    finds_all_that_was_synced("f2fs", Attachment::Sata);
}

/// The drive's power fails under a running guest, then the guest's on a running drive; then all of it
/// is deleted and discarded.
fn finds_all_that_was_synced(filesystem: &str, attachment: Attachment) {
    if !available() {
        return;
    }
    let images = Images::new(&["disk"], CAPACITY);
    let mut ledger = Ledger::default();

    let served = images.serve("disk");
    let mut guest = boot(filesystem, attachment, &served, "make");
    guest.hear("ready");
    work(&mut guest, &mut ledger);
    served.cut();
    note_rest(guest, &mut ledger);
    images.check("disk");

    let served = images.serve("disk");
    let mut guest = boot(filesystem, attachment, &served, "work");
    look(&mut guest, &mut ledger);
    work(&mut guest, &mut ledger);
    note_rest(guest, &mut ledger);

    let mut guest = boot(filesystem, attachment, &served, "look");
    look(&mut guest, &mut ledger);
    let said = guest.success();
    assert!(said.ends_with("done\n"), "{said}");
    assert!(trims(served.stop()) > 0);
    images.check("disk");
}

#[test]
fn a_mirror_waits_for_a_stalled_drive_and_is_rebuilt_after_a_lost_one() {
    array_outlives_a_drive("1", 2);
}

#[test]
fn a_parity_array_waits_for_a_stalled_drive_and_is_rebuilt_after_a_lost_one() {
    array_outlives_a_drive("5", 3);
}

fn array_outlives_a_drive(level: &str, members: usize) {
    if !available() {
        return;
    }
    let names = &["a", "b", "c", "d"][..=members];
    let images = Images::new(names, CAPACITY);
    let mut served: Vec<Served> = names.iter().map(|name| images.serve(name)).collect();
    let options: Vec<String> = served
        .iter()
        .flat_map(|served| ["--drive".to_owned(), served.socket.display().to_string()])
        .collect();
    let options: Vec<&str> = options.iter().map(String::as_str).collect();
    let mut guest = Guest::start(&options, "array.sh", &[level, &members.to_string()]);
    let whole = "U".repeat(members);
    assert_eq!(guest.hear("array:"), whole);

    guest.hear("stall");
    served[1].signal(Signal::SIGSTOP);
    guest.tell("done");
    guest.hear("waits for:");
    guest.hear("resume");
    served[1].signal(Signal::SIGCONT);
    guest.tell("done");
    assert_eq!(guest.hear("after the stall:"), whole);

    guest.hear("lose");
    served.remove(1).cut();
    guest.tell("done");
    let degraded = "U_".to_owned() + &"U".repeat(members - 2);
    assert_eq!(guest.hear("after the loss:"), degraded);

    assert_eq!(guest.hear("rebuilt:"), whole);
    assert_eq!(guest.hear("mismatches:"), "0");
    let said = guest.success();
    assert!(said.ends_with("done\n"), "{said}");
    for served in served {
        served.stop().success();
    }
    for name in names {
        images.check(name);
    }
}

fn boot(filesystem: &str, attachment: Attachment, served: &Served, what: &str) -> Guest {
    let (options, device) = attachment.to(served);
    let options: Vec<&str> = options.iter().map(String::as_str).collect();
    Guest::start(&options, "files.sh", &[filesystem, &device, what, "7"])
}

/// Has the guest change files until enough is synced.
fn work(guest: &mut Guest, ledger: &mut Ledger) {
    while ledger.changes() < CHANGES {
        let line = guest.hear("");
        ledger.note(&line);
    }
    assert!(ledger.files() > 5, "too few files to lose any");
}

/// Cuts the guest's power and notes what it was still heard to say.
fn note_rest(guest: Guest, ledger: &mut Ledger) {
    for line in guest.cut() {
        ledger.note(&line);
    }
}

/// Hears what a guest found after a power cut.
fn look(guest: &mut Guest, ledger: &mut Ledger) {
    let mut found = String::new();
    loop {
        let line = guest.hear("");
        if line == "ready" {
            break;
        }
        found += &line;
        found.push('\n');
    }
    ledger.after_cut(&found);
}
