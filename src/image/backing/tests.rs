//! Files in scratch folders, and loop devices where this user may make them.

use std::os::unix::fs::{FileExt, PermissionsExt, symlink};

use super::*;
use crate::image::device::DeviceUser;
use crate::image::programs::{run, soon};

const MIB: u64 = 1024 * 1024;

const FORCE: CreateOptions = CreateOptions {
    block_device: false,
    overwrite_signature: false,
    force_existing: true,
    promised_bytes: 0,
    allow_overcommit: false,
};

const DEVICE: CreateOptions = CreateOptions {
    block_device: true,
    overwrite_signature: false,
    force_existing: false,
    promised_bytes: 0,
    allow_overcommit: false,
};

fn new() -> CreateOptions {
    CreateOptions::default()
}

macro_rules! assert_refused {
    ($attempt:expr, $pattern:pat) => {
        soon(|| match $attempt {
            Err(refused) if matches!(&refused, $pattern) => Ok(()),
            Err(refused) => Err(refused.to_string()),
            Ok(_) => panic!("it was not refused"),
        })
    };
}

#[test]
fn a_new_file_is_one_hole_and_private() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    let file = create_backing(&path, 1 << 40, new()).unwrap();
    assert_eq!(backing_bytes(&file).unwrap(), 1 << 40);
    let found = fs::metadata(&path).unwrap();
    assert_eq!(found.permissions().mode() & 0o777, 0o600);
    assert!(found.blocks() < 100, "{} blocks", found.blocks());
    assert_eq!(fs::read_dir(scratch.path()).unwrap().count(), 1);
}

#[test]
fn an_existing_file_stays_as_it_is_unless_forced() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    fs::write(&path, "precious").unwrap();
    assert_refused!(
        create_backing(&path, MIB, new()),
        BackingError::Exists { bytes: 8, .. }
    );
    assert_eq!(fs::read(&path).unwrap(), b"precious");
    drop(create_backing(&path, MIB, FORCE).unwrap());
    assert!(fs::read(&path).unwrap() == vec![0; 1 << 20]);
}

#[test]
fn a_refusal_for_room_or_length_leaves_a_forced_file_untouched_and_makes_no_new_one() {
    let scratch = tempfile::tempdir().unwrap();
    let old = scratch.path().join("old");
    fs::write(&old, "precious").unwrap();
    let promised = CreateOptions {
        promised_bytes: 1 << 60,
        ..FORCE
    };
    for path in [&old, &scratch.path().join("new")] {
        assert_refused!(
            create_backing(path, MIB, promised),
            BackingError::NoRoom { .. }
        );
        assert_refused!(
            create_backing(path, u64::MAX, FORCE),
            BackingError::TooLong { .. }
        );
    }
    assert_eq!(fs::read(&old).unwrap(), b"precious");
    assert_eq!(fs::read_dir(scratch.path()).unwrap().count(), 1);
    let overcommitted = CreateOptions {
        allow_overcommit: true,
        ..promised
    };
    soon(|| create_backing(&old, MIB, overcommitted));
}

#[test]
fn links_are_not_followed_even_when_forced() {
    let scratch = tempfile::tempdir().unwrap();
    let target = scratch.path().join("target");
    let link = scratch.path().join("link");
    symlink(&target, &link).unwrap();
    for options in [new(), FORCE] {
        assert_refused!(
            create_backing(&link, MIB, options),
            BackingError::Symlink { .. }
        );
    }
    fs::write(&target, "precious").unwrap();
    assert_refused!(
        create_backing(&link, MIB, FORCE),
        BackingError::Symlink { .. }
    );
    assert_eq!(fs::read(&target).unwrap(), b"precious");
}

#[test]
fn what_is_neither_file_nor_device_is_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let pipe = scratch.path().join("pipe");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
    for path in [scratch.path(), &pipe, Path::new("/dev/null")] {
        assert_refused!(
            create_backing(path, MIB, FORCE),
            BackingError::WrongKind { .. }
        );
        assert_refused!(
            open_backing(path, OpenOptions::default()),
            BackingError::WrongKind { .. }
        );
    }
}

#[test]
fn a_file_is_not_a_device_and_nothing_is_neither() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    let device = OpenOptions {
        block_device: true,
        ..OpenOptions::default()
    };
    assert_refused!(
        create_backing(&path, MIB, DEVICE),
        BackingError::Missing { .. }
    );
    assert_refused!(open_backing(&path, device), BackingError::Missing { .. });
    fs::write(&path, "precious").unwrap();
    assert_refused!(
        create_backing(&path, MIB, DEVICE),
        BackingError::NotADevice { .. }
    );
    assert_refused!(open_backing(&path, device), BackingError::NotADevice { .. });
}

#[test]
fn one_server_at_a_time_and_the_other_is_named() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    let reading = OpenOptions {
        read_only: true,
        ..OpenOptions::default()
    };
    let created = create_backing(&path, MIB, new()).unwrap();
    let refused = open_backing(&path, OpenOptions::default()).unwrap_err();
    let BackingError::Locked { holders, .. } = &refused else {
        panic!("{refused}");
    };
    assert_eq!(
        holders.first().map(|holder| holder.pid),
        Some(std::process::id())
    );
    assert_refused!(open_backing(&path, reading), BackingError::Locked { .. });
    assert_refused!(
        create_backing(&path, MIB, FORCE),
        BackingError::Locked { .. }
    );
    drop(created);
    let one = soon(|| open_backing(&path, reading));
    let two = open_backing(&path, reading).unwrap();
    assert_refused!(
        open_backing(&path, OpenOptions::default()),
        BackingError::Locked { .. }
    );
    drop((one, two));
    let writer = soon(|| open_backing(&path, OpenOptions::default()));
    writer.write_all_at(b"x", MIB - 1).unwrap();
}

#[test]
fn a_backing_opened_for_reading_cannot_be_written() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    drop(create_backing(&path, MIB, new()).unwrap());
    let options = OpenOptions {
        read_only: true,
        ..OpenOptions::default()
    };
    let file = soon(|| open_backing(&path, options));
    assert!(file.write_at(b"x", 0).is_err());
}

#[test]
fn who_may_only_read_is_told_so() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("image");
    drop(create_backing(&path, MIB, new()).unwrap());
    fs::set_permissions(&path, fs::Permissions::from_mode(0o444)).unwrap();
    let root = nix::unistd::geteuid().is_root();
    if root && !Path::new("/dev/loop-control").exists() {
        println!("skipped: root may write everything, and cannot mount here");
        return;
    }
    let at = text(scratch.path());
    if root {
        run("mount", &["--bind", at, at]);
        run("mount", &["-o", "remount,ro,bind", at]);
    }
    let refused = open_backing(&path, OpenOptions::default());
    let reading = OpenOptions {
        read_only: true,
        ..OpenOptions::default()
    };
    let read = open_backing(&path, reading).map(drop);
    if root {
        run("umount", &[at]);
    }
    assert!(
        matches!(refused, Err(BackingError::NotWritable { .. })),
        "{refused:?}"
    );
    read.unwrap();
}

/// A loop device, detached when dropped.
struct Loop {
    device: PathBuf,
    file: tempfile::NamedTempFile,
}

impl Loop {
    /// `None`, with the reason printed, where this user may not.
    fn of(bytes: u64) -> Option<Loop> {
        let file = tempfile::NamedTempFile::new().unwrap();
        file.as_file().set_len(bytes).unwrap();
        if !nix::unistd::geteuid().is_root() || !Path::new("/dev/loop-control").exists() {
            println!("skipped: loop devices need root and /dev/loop-control");
            return None;
        }
        let device = run("losetup", &["-f", "--show", text(file.path())]);
        Some(Loop {
            device: device.into(),
            file,
        })
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        run("losetup", &["-d", text(&self.device)]);
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn an_unused_device_takes_one_word_and_one_that_carries_something_two() {
    let Some(disk) = Loop::of(64 * MIB) else {
        return;
    };
    let both = CreateOptions {
        overwrite_signature: true,
        ..DEVICE
    };
    for options in [new(), FORCE] {
        assert_refused!(
            create_backing(&disk.device, MIB, options),
            BackingError::IsDevice { .. }
        );
    }
    assert_refused!(
        create_backing(&disk.device, 64 * MIB + 1, both),
        BackingError::DeviceTooSmall {
            present_bytes: 67_108_864,
            needed_bytes: 67_108_865,
            ..
        }
    );
    let taken = soon(|| create_backing(&disk.device, 64 * MIB, DEVICE));
    assert_eq!(backing_bytes(&taken).unwrap(), 64 * MIB);
    drop(taken);
    run("mkfs.ext4", &["-q", text(&disk.device)]);
    let refused = soon(|| match create_backing(&disk.device, MIB, DEVICE) {
        Err(BackingError::DeviceClaimed { path }) => Err(path.display().to_string()),
        other => Ok(other.unwrap_err()),
    });
    assert!(refused.to_string().contains("ext4"), "{refused}");
    run("e2fsck", &["-fn", text(&disk.device)]);
    drop(soon(|| create_backing(&disk.device, MIB, both)));
    drop(soon(|| create_backing(&disk.device, MIB, DEVICE)));
}

#[test]
fn a_device_in_use_is_refused_whatever_is_said() {
    let Some(disk) = Loop::of(64 * MIB) else {
        return;
    };
    let device = OpenOptions {
        block_device: true,
        ..OpenOptions::default()
    };
    let everything = CreateOptions {
        block_device: true,
        overwrite_signature: true,
        force_existing: true,
        promised_bytes: 0,
        allow_overcommit: true,
    };
    run("mkfs.ext4", &["-q", text(&disk.device)]);
    let at = tempfile::tempdir().unwrap();
    run("mount", &[text(&disk.device), text(at.path())]);
    for refused in [
        create_backing(&disk.device, MIB, everything).unwrap_err(),
        open_backing(&disk.device, device).unwrap_err(),
    ] {
        let BackingError::DeviceInUse { users, .. } = &refused else {
            panic!("{refused}");
        };
        let [DeviceUser::Mounted { at: found, .. }] = &users[..] else {
            panic!("{refused}");
        };
        assert_eq!(found, at.path());
    }
    run("umount", &[text(at.path())]);
    run("e2fsck", &["-fn", text(&disk.device)]);
    let server = soon(|| open_backing(&disk.device, device));
    assert_refused!(
        open_backing(&disk.device, device),
        BackingError::DeviceClaimed { .. }
    );
    assert_refused!(
        create_backing(&disk.device, MIB, everything),
        BackingError::DeviceClaimed { .. }
    );
    drop(server);
}

#[test]
fn the_file_behind_a_loop_device_is_left_to_it() {
    let Some(disk) = Loop::of(MIB) else {
        return;
    };
    let path = disk.file.path();
    assert_refused!(
        open_backing(path, OpenOptions::default()),
        BackingError::BehindLoop { .. }
    );
    assert_refused!(
        create_backing(path, MIB, FORCE),
        BackingError::BehindLoop { .. }
    );
}
