//! Filesystems on a drive: over FUSE and a loop device, with a real tree of files, through the tools
//! that people use. What is known of imbrex is the program and the file that it shows.
//!
//! Needs root. Without it there is nothing to test, which passes on a developer's machine with a word
//! about it and fails where `CI` is set.

#[path = "filesystems/mounted.rs"]
mod mounted;
mod nbd_client;
mod program;
#[path = "filesystems/tree.rs"]
mod tree;

use mounted::Disk;
use nix::sys::signal::Signal;
use program::{Served, imbrex, is_root, tool};
use tree::Tree;

/// The smallest that xfs and btrfs are at ease with, and small enough to be cleaned.
const CAPACITY: &str = "1GiB";
const TREE_BYTES: u64 = 120 << 20;

#[test]
fn ext4_keeps_a_tree_of_files() {
    keeps_a_tree(&["mkfs.ext4", "-q"], &["e2fsck", "-f", "-n"]);
}

#[test]
fn xfs_keeps_a_tree_of_files() {
    keeps_a_tree(&["mkfs.xfs", "-q"], &["xfs_repair", "-n"]);
}

#[test]
fn btrfs_keeps_a_tree_of_files() {
    let check = ["btrfs", "check", "--readonly", "--check-data-csum"];
    keeps_a_tree(&["mkfs.btrfs", "-q"], &check);
}

#[test]
fn ext4_finds_all_that_was_synced_after_a_power_cut() {
    if !is_root("mounting filesystems") {
        return;
    }
    let disk = Disk::new(CAPACITY);
    let mut attached = disk.attach();
    tool("mkfs.ext4", ["-q", &attached.device]).success();
    let mut mounted = attached.mount();
    let mut tree = Tree::copy_to(mounted.path, TREE_BYTES / 4);
    for _ in 0..3 {
        tree.overwrite(mounted.path);
        tool("sync", ["--file-system".as_ref(), mounted.path.as_os_str()]).success();
        // Somebody looks at the folder, so that the kernel has it by heart when its server is gone.
        tool("stat", [attached.folder()]).success();
        attached.lose_power();
        drop(mounted);
        attached.leave();
        disk.check();
        attached = disk.attach();
        // 1: it corrected something, which bringing its journal home counts as.
        let checked = tool("e2fsck", ["-f", "-p", &attached.device]);
        assert!(matches!(checked.code, Some(0 | 1)), "{checked:#?}");
        mounted = attached.mount();
        tree.verify(mounted.path);
    }
    drop(mounted);
    attached.end();
    disk.check();
}

fn keeps_a_tree(make: &[&str], check: &[&str]) {
    if !is_root("mounting filesystems") {
        return;
    }
    let on = |command: &[&str], device: &str| {
        let arguments = command[1..].iter().chain([&device]);
        tool(command[0], arguments).success();
    };
    let disk = Disk::new(CAPACITY);
    let attached = disk.attach();
    on(make, &attached.device);
    let mounted = attached.mount();
    let mut tree = Tree::copy_to(mounted.path, TREE_BYTES);
    tree.overwrite(mounted.path);
    let deleted = tree.delete_some(mounted.path);
    tree.overwrite(mounted.path);
    tool("sync", ["--file-system".as_ref(), mounted.path.as_os_str()]).success();
    let told = tool("fstrim", ["--verbose".as_ref(), mounted.path.as_os_str()]).success();
    assert!(trimmed_bytes(&told) > deleted / 2, "{told}");
    drop(mounted);
    on(check, &attached.device);
    let mounted = attached.mount();
    tree.verify(mounted.path);
    drop(mounted);
    let account = attached.end();
    assert!(account.contains(" trims"), "{account}");
    assert!(!account.contains(" 0 trims"), "{account}");
    disk.check();

    // The same through a server that was started anew.
    let attached = disk.attach();
    on(check, &attached.device);
    let mounted = attached.mount();
    tree.verify(mounted.path);
    drop(mounted);
    attached.end();
    disk.check();
}

/// `fstrim` says: `/mnt: 1.5 GiB (1610612736 bytes) trimmed`.
fn trimmed_bytes(told: &str) -> u64 {
    let inside = told.split(['(', ')']).nth(1).expect("it says how much");
    let number = inside.split(' ').next().expect("a first word");
    number.parse().expect("a number")
}

#[test]
fn a_second_signal_ends_at_once_what_the_first_one_waits_for() {
    if !is_root("a mount that is left behind") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let (image, fuse) = (folder.path().join("disk.img"), folder.path().join("fuse"));
    std::fs::create_dir(&fuse).expect("a folder");
    imbrex("create {} --profile tiny", &image).success();
    let options = format!("--pace off --fuse {}", fuse.display());
    let served = Served::start(&image, &options);
    let control = folder.path().join("disk.img.control");
    // Whoever uses the file has ten seconds to let go.
    let user = std::fs::File::open(fuse.join("disk")).expect("it is mounted");
    served.signal(Signal::SIGTERM);
    while control.exists() {}
    served.signal(Signal::SIGTERM);
    let ended = served.wait();
    assert_eq!(ended.code, Some(130), "{ended:#?}");
    drop(user);
    // The next start takes away the mount that was left behind.
    Served::start(&image, &options).stop().success();
    imbrex("check {} --data", &image).success();
}
