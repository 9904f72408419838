//! Mounts a stand-in for real. Where this machine offers no FUSE a test says so and ends.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt, PermissionsExt};

use nix::fcntl::{FallocateFlags, fallocate};
use nix::unistd::{Whence, lseek64};

use super::*;
use crate::host::handle::Wake;
use crate::image::programs::{run, soon};
use crate::serve::fuse::holders::Holder;
use crate::serve::fuse::stand_in::{Asked, Habit, StandIn};

const MIB: u64 = 1024 * 1024;

struct Mounted {
    server: FuseServer,
    stand_in: StandIn,
    scratch: tempfile::TempDir,
}

impl Mounted {
    fn open(&self) -> File {
        OpenOptions::new()
            .read(true)
            .write(true)
            .open(self.server.disk())
            .unwrap()
    }

    /// Unmounts and checks that nothing is left behind.
    fn end(mut self) {
        soon(|| self.server.unmount());
        assert_eq!(std::fs::read_dir(self.scratch.path()).unwrap().count(), 0);
        assert!(self.server.threads.is_empty());
    }
}

/// `None`, with the reason printed, where mounting is not possible for this user.
fn mounted(capacity_bytes: u64, habit: Habit) -> Option<Mounted> {
    if !nix::unistd::geteuid().is_root() {
        println!("skipped: mounting in a test needs root");
        return None;
    }
    if let Err(error) = OpenOptions::new().read(true).write(true).open("/dev/fuse") {
        println!("skipped: /dev/fuse: {error}");
        return None;
    }
    let stand_in = StandIn::start(capacity_bytes, habit);
    let scratch = tempfile::tempdir().unwrap();
    let server = FuseServer::mount(stand_in.handle(), &config(scratch.path())).unwrap();
    Some(Mounted {
        server,
        stand_in,
        scratch,
    })
}

fn config(dir: &Path) -> FuseConfig {
    FuseConfig {
        dir: dir.into(),
        allow_root: false,
    }
}

fn os_error<T: std::fmt::Debug>(result: io::Result<T>) -> i32 {
    result.unwrap_err().raw_os_error().unwrap()
}

#[test]
fn the_directory_shows_one_private_file_of_the_drives_size() {
    let Some(mounted) = mounted(3 * MIB + 512, Habit::Prompt) else {
        return;
    };
    let names: Vec<_> = std::fs::read_dir(mounted.server.dir())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(names, ["disk"]);
    let found = std::fs::metadata(mounted.server.disk()).unwrap();
    assert_eq!(found.len(), 3 * MIB + 512);
    assert_eq!(found.permissions().mode(), 0o100_600);
    assert_eq!(found.blocks(), (3 * MIB + 512) / 512);
    mounted.end();
}

#[test]
fn bytes_written_at_any_offset_are_read_back() {
    let Some(mounted) = mounted(8 * MIB, Habit::Prompt) else {
        return;
    };
    let file = mounted.open();
    let mut expected = vec![0_u8; 8 << 20];
    for (turn, (at, bytes)) in [
        (0, 1),
        (4095, 2),
        (511, 70_000),
        (1_000_001, 3 << 20),
        (8_388_600, 8),
    ]
    .into_iter()
    .enumerate()
    {
        let data: Vec<u8> = (0..bytes)
            .map(|n| u8::try_from((n + turn * 7) % 251).unwrap())
            .collect();
        file.write_all_at(&data, u64::try_from(at).unwrap())
            .unwrap();
        expected[at..at + bytes].copy_from_slice(&data);
    }
    let mut whole = Vec::new();
    (&file).read_to_end(&mut whole).unwrap();
    assert!(whole == expected);
    drop(file);
    mounted.end();
}

#[test]
fn large_requests_arrive_whole() {
    let Some(mounted) = mounted(8 * MIB, Habit::Prompt) else {
        return;
    };
    let file = mounted.open();
    // The kernel counts pages, so only bytes that begin with a page fit into one request.
    let bytes = vec![7; (1 << 20) + 4096];
    let first = bytes.as_ptr().align_offset(4096);
    file.write_all_at(&bytes[first..first + (1 << 20)], 4096)
        .unwrap();
    let write = Asked::Write {
        offset: 4096,
        bytes: MIB,
        fua: false,
    };
    assert_eq!(mounted.stand_in.take_asked(), [write]);
    drop(file);
    mounted.end();
}

#[test]
fn several_requests_are_under_way_at_once() {
    const READERS: usize = 8;
    let Some(mounted) = mounted(MIB, Habit::TogetherReads(READERS)) else {
        return;
    };
    let file = mounted.open();
    for sector in 0..8_u8 {
        file.write_all_at(&[sector + 1; 4096], u64::from(sector) * 4096)
            .unwrap();
    }
    // Each is answered only when all have arrived, so one at a time would fail every one of them.
    std::thread::scope(|scope| {
        for sector in 0..8_u8 {
            let file = &file;
            scope.spawn(move || {
                let mut got = [0; 4096];
                file.read_exact_at(&mut got, u64::from(sector) * 4096)
                    .unwrap();
                assert_eq!(got, [sector + 1; 4096]);
            });
        }
    });
    drop(file);
    mounted.end();
}

#[test]
fn the_end_of_the_drive_is_the_end_of_the_file() {
    let Some(mounted) = mounted(10_000, Habit::Prompt) else {
        return;
    };
    let file = mounted.open();
    let mut buffer = [1; 100];
    assert_eq!(file.read_at(&mut buffer, 9_990).unwrap(), 10);
    assert_eq!(file.read_at(&mut buffer, 10_000).unwrap(), 0);
    assert_eq!(file.write_at(&buffer, 9_990).unwrap(), 10);
    assert_eq!(os_error(file.write_at(&buffer, 10_000)), libc::ENOSPC);
    assert_eq!(os_error(file.set_len(9_999)), libc::EPERM);
    assert_eq!(os_error(file.set_len(10_001)), libc::EPERM);
    file.set_len(10_000).unwrap();
    assert_eq!(file.metadata().unwrap().len(), 10_000);
    drop(file);
    mounted.end();
}

#[test]
fn only_syncing_asks_for_durability() {
    let Some(mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let write = |fua| Asked::Write {
        offset: 0,
        bytes: 5,
        fua,
    };
    let file = mounted.open();
    file.write_all_at(b"plain", 0).unwrap();
    drop(file);
    assert_eq!(mounted.stand_in.take_asked(), [write(false)]);
    let file = mounted.open();
    file.sync_data().unwrap();
    assert_eq!(mounted.stand_in.take_asked(), [Asked::Flush]);
    for flags in [libc::O_SYNC, libc::O_DSYNC] {
        let file = OpenOptions::new()
            .write(true)
            .custom_flags(flags)
            .open(mounted.server.disk())
            .unwrap();
        file.write_all_at(b"write", 0).unwrap();
        assert_eq!(mounted.stand_in.take_asked().first(), Some(&write(true)));
    }
    File::open(mounted.server.dir())
        .unwrap()
        .sync_all()
        .unwrap();
    assert_eq!(mounted.stand_in.take_asked(), [Asked::Flush]);
    drop(file);
    mounted.end();
}

#[test]
fn holes_are_trims_and_zeroed_ranges_are_kept() {
    let Some(mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let punch = FallocateFlags::FALLOC_FL_PUNCH_HOLE | FallocateFlags::FALLOC_FL_KEEP_SIZE;
    let zero = FallocateFlags::FALLOC_FL_ZERO_RANGE;
    let file = mounted.open();
    file.write_all_at(&[9; 12_288], 0).unwrap();
    mounted.stand_in.take_asked();
    fallocate(&file, punch, 0, 4096).unwrap();
    fallocate(&file, zero, 4096, 4096).unwrap();
    fallocate(&file, zero | FallocateFlags::FALLOC_FL_KEEP_SIZE, 8192, 1).unwrap();
    let zeroed = |offset, bytes| Asked::Zero {
        offset,
        bytes,
        may_deallocate: false,
    };
    let trim = Asked::Trim {
        offset: 0,
        bytes: 4096,
    };
    assert_eq!(
        mounted.stand_in.take_asked(),
        [trim, zeroed(4096, 4096), zeroed(8192, 1)]
    );
    let seek = |at, whence| lseek64(&file, at, whence);
    assert_eq!(seek(0, Whence::SeekData), Ok(4096));
    assert_eq!(seek(4096, Whence::SeekHole), Ok(12_288));
    assert_eq!(
        seek(12_288, Whence::SeekData),
        Err(nix::errno::Errno::ENXIO)
    );
    for refused in [FallocateFlags::empty(), FallocateFlags::FALLOC_FL_KEEP_SIZE] {
        assert_eq!(
            fallocate(&file, refused, 0, 4096),
            Err(nix::errno::Errno::EOPNOTSUPP)
        );
    }
    drop(file);
    mounted.end();
}

#[test]
fn a_drive_without_discard_says_so() {
    let Some(mounted) = mounted(MIB, Habit::WithoutTrim) else {
        return;
    };
    let punch = FallocateFlags::FALLOC_FL_PUNCH_HOLE | FallocateFlags::FALLOC_FL_KEEP_SIZE;
    let file = mounted.open();
    assert_eq!(
        fallocate(&file, punch, 0, 4096),
        Err(nix::errno::Errno::EOPNOTSUPP)
    );
    drop(file);
    mounted.end();
}

#[test]
fn a_read_only_drive_cannot_be_opened_for_writing() {
    let Some(mounted) = mounted(MIB, Habit::ReadOnly) else {
        return;
    };
    let disk = mounted.server.disk();
    let refused = OpenOptions::new().write(true).open(&disk);
    assert_eq!(os_error(refused), libc::EROFS);
    let mut got = [1; 8];
    File::open(&disk).unwrap().read_exact(&mut got).unwrap();
    assert_eq!(got, [0; 8]);
    mounted.end();
}

#[test]
fn nothing_can_be_made_or_removed_beside_the_disk() {
    let Some(mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let dir = mounted.server.dir();
    assert_eq!(os_error(File::create(dir.join("other"))), libc::EPERM);
    assert_eq!(os_error(std::fs::create_dir(dir.join("dir"))), libc::EPERM);
    assert_eq!(
        os_error(std::fs::remove_file(dir.join("disk"))),
        libc::EPERM
    );
    assert_eq!(
        os_error(std::fs::rename(dir.join("disk"), dir.join("other"))),
        libc::EPERM
    );
    mounted.end();
}

#[test]
fn an_open_file_keeps_the_mount_and_is_named() {
    let Some(mut mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let file = mounted.open();
    let error = mounted.server.unmount().unwrap_err();
    let FuseError::Busy { holders, .. } = &error else {
        panic!("{error}");
    };
    let me = std::process::id();
    assert!(
        holders
            .iter()
            .any(|holder| matches!(holder, Holder::Process { pid, .. } if *pid == me)),
        "{error}"
    );
    // It is still served.
    file.write_all_at(b"still here", 0).unwrap();
    drop(file);
    mounted.end();
}

#[test]
fn a_lazy_unmount_leaves_the_open_file_working() {
    let Some(mut mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let mut file = mounted.open();
    mounted.server.unmount_lazily().unwrap();
    assert_eq!(
        std::fs::read_dir(mounted.scratch.path()).unwrap().count(),
        0
    );
    file.write_all(b"last words").unwrap();
    drop(file);
    let end = mounted.server.ended().recv_timeout(Duration::from_secs(10));
    assert!(matches!(end, Ok(FuseEnd::Unmounted)), "{end:?}");
    mounted.end();
}

#[test]
fn an_unmount_by_someone_else_is_noticed_and_not_done_twice() {
    let Some(mut mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    soon(|| nix::mount::umount(mounted.server.dir()));
    let end = mounted.server.ended().recv_timeout(Duration::from_secs(10));
    assert!(matches!(end, Ok(FuseEnd::Unmounted)), "{end:?}");
    // The directory is now someone else's.
    let dir = mounted.server.dir().to_path_buf();
    let other = StandIn::start(MIB, Habit::Prompt);
    let mut next = FuseServer::mount(other.handle(), &config(&dir)).unwrap();
    soon(|| mounted.server.unmount());
    assert!(next.disk().exists());
    soon(|| next.unmount());
}

#[test]
fn a_directory_in_use_by_another_drive_is_refused() {
    let Some(mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    let other = StandIn::start(MIB, Habit::Prompt);
    let refused = FuseServer::mount(other.handle(), &config(mounted.server.dir()));
    assert!(matches!(refused, Err(FuseError::AlreadyServed { .. })));
    mounted.end();
}

#[test]
fn the_mount_of_a_killed_daemon_is_mended_and_any_other_is_left() {
    let Some(mut first) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    soon(|| first.server.unmount());
    let dir = first.server.dir().to_path_buf();
    for (kind, mends) in [(KIND, true), ("fuse.other", false)] {
        // A connection that nobody serves and that is closed is what a killed daemon leaves.
        let connection = OpenOptions::new()
            .read(true)
            .write(true)
            .open("/dev/fuse")
            .unwrap();
        let options = format!(
            "fd={},rootmode=40000,user_id=0,group_id=0",
            std::os::fd::AsRawFd::as_raw_fd(&connection)
        );
        nix::mount::mount(
            Some("left"),
            &dir,
            Some(kind),
            nix::mount::MsFlags::empty(),
            Some(options.as_str()),
        )
        .unwrap();
        drop(connection);
        assert_eq!(os_error(std::fs::metadata(&dir)), libc::ENOTCONN);
        let started = FuseServer::mount(first.stand_in.handle(), &config(&dir));
        if mends {
            let mut server = started.unwrap();
            soon(|| server.unmount());
        } else {
            let error = started.err().unwrap();
            assert!(matches!(error, FuseError::StaleForeign { .. }), "{error}");
            assert!(error.to_string().contains("fuse.other"), "{error}");
            soon(|| nix::mount::umount(&dir));
        }
    }
}

#[test]
fn a_panic_of_the_session_is_told_and_its_mount_taken_away() {
    struct Panics;
    impl Wake for Panics {
        fn wake(&self) {
            panic!("this panic belongs to the test");
        }
    }
    let Some(mut mounted) = mounted(MIB, Habit::Prompt) else {
        return;
    };
    soon(|| mounted.server.unmount());
    let (calls, inbox) = bounded(1);
    let info = Arc::new(mounted.stand_in.handle().info().clone());
    let handle = Handle::new(info, calls, Arc::new(Panics));
    mounted.server = FuseServer::mount(handle, &config(mounted.scratch.path())).unwrap();
    let file = mounted.open();
    let reader = std::thread::spawn(move || file.read_at(&mut [0; 8], 0));
    let end = mounted.server.ended().recv_timeout(Duration::from_secs(10));
    assert!(matches!(end, Ok(FuseEnd::Broken(_))), "{end:?}");
    // The question still lies in the inbox; with it goes the reader's hope.
    drop(inbox);
    assert!(reader.join().unwrap().is_err());
    mounted.end();
}

#[test]
fn a_filesystem_on_a_loop_device_over_the_file_keeps_its_files() {
    for direct in ["off", "on"] {
        let Some(mut mounted) = mounted(64 * MIB, Habit::Prompt) else {
            return;
        };
        if !Path::new("/dev/loop-control").exists() {
            println!("skipped: no loop devices here");
            return mounted.end();
        }
        let disk = mounted.server.disk();
        let disk = disk.to_str().unwrap();
        let device = run(
            "losetup",
            &["-f", "--show", &format!("--direct-io={direct}"), disk],
        );
        run("mkfs.ext4", &["-q", &device]);
        let inner = tempfile::tempdir().unwrap();
        let at = inner.path().to_str().unwrap();
        let data: Vec<u8> = (0..5_000_000_u32).map(|n| n.to_le_bytes()[1]).collect();
        run("mount", &["-o", "discard", &device, at]);
        std::fs::write(inner.path().join("file"), &data).unwrap();
        std::fs::write(inner.path().join("gone"), &data).unwrap();
        run("sync", &[at]);
        std::fs::remove_file(inner.path().join("gone")).unwrap();
        let busy = mounted.server.unmount().unwrap_err().to_string();
        assert!(
            busy.contains(&format!("umount {at} && losetup -d {device}")),
            "{busy}"
        );
        run("fstrim", &[at]);
        run("umount", &[at]);
        run("mount", &["-o", "ro", &device, at]);
        assert!(std::fs::read(inner.path().join("file")).unwrap() == data);
        run("umount", &[at]);
        run("e2fsck", &["-fn", &device]);
        run("losetup", &["-d", &device]);
        let asked = mounted.stand_in.take_asked();
        assert!(asked.contains(&Asked::Flush));
        assert!(
            asked
                .iter()
                .any(|asked| matches!(asked, Asked::Trim { .. }))
        );
        mounted.end();
    }
}
