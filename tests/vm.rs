//! Real kernels on served drives: filesystems, arrays and disk drivers of Linux 6.12 in a guest, through
//! every kind of attachment, with power cuts of the drive and of the guest, stalls and unreadable sectors.
//!
//! Known of imbrex are the program and its sockets; guests are started by `scripts/vm`. Where the kernel
//! for guests is missing there is nothing to test, which fails where `CI` is set.

#[path = "vm/guest.rs"]
mod guest;
#[path = "vm/ledger.rs"]
mod ledger;
mod nbd_client;
mod program;

use std::fs::File;
use std::io::{BufRead as _, BufReader};

use guest::{Guest, Images, available, port, trims};
use ledger::Ledger;
use nix::sys::stat::Mode;
use program::{Served, imbrex, tool};

/// The smallest that all of the filesystems are at ease with.
const CAPACITY: &str = "1GiB";
/// Changes made durable each time before the power fails.
const CHANGES: usize = 35;

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

/// How the power fails under a guest that writes.
#[derive(Clone, Copy, Debug)]
enum Cut {
    /// The drive is told so: it fails whatever it is asked, and the guest has to see that.
    Drive,
    /// Everything at once: the server is killed, and the guest with it.
    Both,
    /// The guest alone; what the drive holds in its cache stays.
    Guest,
}

impl Cut {
    /// Cuts the power in the middle of what goes on. What comes back is the drive, with power.
    fn strike(self, guest: Guest, served: Served, images: &Images, ledger: &mut Ledger) -> Served {
        let (rest, served) = match self {
            Cut::Drive => {
                images.told("disk", "power-cut --after 3 --stay-off");
                let rest = guest.failure();
                let failed = rest.iter().any(|line| line.contains("I/O error, dev"));
                assert!(failed, "{rest:#?}");
                images.told("disk", "power-on");
                (rest, served)
            }
            Cut::Both => {
                served.cut();
                let rest = guest.cut();
                images.check("disk");
                (rest, images.serve("disk"))
            }
            Cut::Guest => (guest.cut(), served),
        };
        for line in &rest {
            ledger.note(line);
        }
        served
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

/// The power fails in every way, one after the other, each time in the middle of work; then all that is
/// there is deleted and discarded.
fn finds_all_that_was_synced(filesystem: &str, attachment: Attachment) {
    if !available() {
        return;
    }
    let images = Images::new(&["disk"], CAPACITY);
    let mut ledger = Ledger::default();
    let mut served = images.serve("disk");
    let mut guest = boot(filesystem, attachment, &served, "make");
    guest.hear("ready");
    for (cut, then) in [
        (Cut::Drive, "work"),
        (Cut::Both, "work"),
        (Cut::Guest, "look"),
    ] {
        work(&mut guest, &mut ledger);
        served = cut.strike(guest, served, &images, &mut ledger);
        guest = boot(filesystem, attachment, &served, then);
        look(&mut guest, &mut ledger);
    }
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
    images.told("b", "stall forever");
    guest.tell("done");
    guest.hear("waits for:");
    guest.hear("resume");
    images.told("b", "lift");
    guest.tell("done");
    assert_eq!(guest.hear("after the stall:"), whole);
    let account = images.account("b");
    let cause = account["slowest"][0]["cause"].as_str().expect("words");
    assert!(cause.starts_with("stalled on request: "), "{cause}");

    guest.hear("lose");
    served.remove(1).cut();
    guest.tell("done");
    let degraded = "U_".to_owned() + &"U".repeat(members - 2);
    assert_eq!(guest.hear("after the loss:"), degraded);

    assert_eq!(guest.hear("rebuilt:"), whole);
    assert_eq!(guest.hear("mismatches:"), "0");
    let said = guest.success();
    // Of Linux's drivers/md: what raid1 and raid5 alike say of a member that fails.
    let failure = "Disk failure on vdb, disabling device.";
    assert_eq!(said.matches(failure).count(), 1, "{said}");
    assert!(said.ends_with("done\n"), "{said}");
    for served in served {
        served.stop().success();
    }
    for name in names {
        images.check(name);
    }
}

#[test]
fn the_kernel_aborts_a_command_on_a_scsi_disk_that_stalls_past_its_30_seconds() {
    // Of Linux's drivers/scsi: the limit that sd.h sets, and what vmw_pvscsi says when it is told to abort.
    let limits = ["array-recovery", "cluster-heartbeat", "disk-command"];
    kernel_gives_up("--scsi", "-", "30", "task abort on host", &limits);
}

#[test]
fn the_kernel_resets_the_link_of_a_sata_disk_that_stalls_past_its_limit() {
    let limits = ["array-recovery"];
    kernel_gives_up("--sata", "3", "3", "hard resetting link", &limits);
}

/// A drive that stalls for 10 s more than the kernel waits for a command: that it gave up is what its log
/// shows, and the disk works as before when the drive answers again. On the other side the drive counts
/// the limits of hosts that were tripped, and knows why.
fn kernel_gives_up(attachment: &str, set: &str, limit: &str, word: &str, tripped: &[&str]) {
    if !available() {
        return;
    }
    let images = Images::new(&["disk"], CAPACITY);
    // The kernel's time is real; the drive's has to be, too.
    let served = images.serve_at("disk", "real");
    let log = images.folder.path().join("kernel");
    nix::unistd::mkfifo(&log, Mode::S_IRWXU).expect("a FIFO");
    let socket = served.socket.display().to_string();
    let log = log.display().to_string();
    let options = [attachment, &socket, "--kernel-log", &log];
    let mut guest = Guest::start(&options, "stall.sh", &[set]);
    let file = File::open(&log).expect("opened with the guest");
    let mut kernel = BufReader::new(file).split(b'\n');
    let mut heard = |word: &str| {
        let mut lines = kernel.by_ref().map(|line| line.expect("readable"));
        lines.find_map(|line| {
            let line = String::from_utf8_lossy(&line).into_owned();
            line.contains(word).then_some(line)
        })
    };
    assert_eq!(guest.hear("limit:"), limit);
    guest.hear("stall");
    let seconds: u64 = limit.parse().expect("a number");
    images.told("disk", &format!("stall {}s", seconds + 10));
    guest.tell("done");
    assert!(heard(word).is_some(), "the kernel did not give up");
    // Somebody has to listen, or the guest waits for that.
    let rest = std::thread::spawn(move || kernel.count());
    assert_eq!(guest.hear("outcome:"), "written");
    let took: u64 = guest.hear("took:").parse().expect("a number");
    assert!(took >= seconds, "{took} s");
    assert_eq!(guest.hear("state:"), "running");
    let said = guest.success();
    assert!(said.ends_with("done\n"), "{said}");
    rest.join().expect("it only reads");
    assert_eq!(trips(&images.account("disk")), tripped);
    assert!(trims(served.stop()) > 0);
    images.check("disk");
}

/// The limits that a drive has tripped; each by writes that it did not answer because it was told so.
fn trips(account: &serde_json::Value) -> Vec<&str> {
    let limits = account["limits"].as_array().expect("a list").iter();
    let tripped = limits.filter(|limit| limit["trips"] != 0);
    tripped
        .map(|limit| {
            let first = limit["first"].as_array().expect("a list");
            assert!(!first.is_empty(), "{account:#}");
            for trip in first {
                let cause = trip["cause"].as_str().expect("words");
                assert!(cause.starts_with("stalled on request: "), "{trip:#}");
                assert_eq!(trip["operation"], "write", "{trip:#}");
                assert!(trip["took_ns"].as_u64() > limit["limit_ns"].as_u64());
            }
            limit["limit"].as_str().expect("a name")
        })
        .collect()
}

#[test]
fn a_guest_cannot_read_unreadable_sectors_until_it_has_written_them() {
    if !available() {
        return;
    }
    let images = Images::new(&["disk"], CAPACITY);
    let served = images.serve("disk");
    let socket = served.socket.display().to_string();
    let mut guest = Guest::start(&["--scsi", &socket], "media.sh", &["/dev/sda"]);
    guest.hear("break");
    // Two of the sectors.
    images.told("disk", "media-error 73728 8192 --lasts until-rewritten");
    guest.tell("done");
    assert_eq!(guest.hear("before them:"), "as written");
    assert_eq!(guest.hear("they:"), "unreadable");
    assert_eq!(guest.hear("after them:"), "as written");
    assert_eq!(guest.hear("written again:"), "as written");
    let said = guest.success();
    // Of Linux's block/blk-core.c: sectors of 512 bytes.
    let told = "I/O error, dev sda, sector 144 op 0x0:(READ)";
    assert!(said.contains(told), "{said}");
    assert!(said.ends_with("done\n"), "{said}");
    let standing = images.told("disk", "faults");
    assert_eq!(standing["faults"], serde_json::json!([]), "{standing:#}");
    let account = served.stop().success();
    let noted = "sector 18 cannot be read (on request: fault 1)";
    assert!(account.contains(noted), "{account}");
    images.check("disk");
}

#[test]
fn each_of_several_guests_has_a_drive_of_its_own_profile() {
    if !available() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let results = folder.path().display().to_string();
    let fixed = [
        "--binary",
        env!("CARGO_BIN_EXE_imbrex"),
        "--capacity",
        CAPACITY,
    ];
    let rest = [
        "--pace",
        "off",
        "--results",
        &results,
        "tests/vm/scripts/whoami.sh",
    ];
    let profiles = ["desktop-5tb", "control-5tb"];
    let arguments = fixed.iter().chain(&rest).chain(&profiles);
    let said = tool("scripts/guests", arguments).success();
    for (number, profile) in (1..).zip(profiles) {
        let line = format!("{number}-{profile}: profile {profile} has 2097152 sectors");
        assert!(said.contains(&line), "{said}");
        let account = folder
            .path()
            .join(format!("{number}-{profile}.account.json"));
        let account = std::fs::read_to_string(account).expect("it was kept");
        let account: serde_json::Value = serde_json::from_str(&account).expect("an account");
        assert_eq!(account["profile"], profile, "{account:#}");
        imbrex(
            "check {} --data",
            &folder.path().join(format!("{number}-{profile}.img")),
        )
        .success();
    }
}

#[test]
fn cells_of_a_matrix_run_in_guests() {
    if !available() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str| folder.path().join(name);
    let cell = |name: &str, more: &str| {
        format!(
            "[[work]]\nname = \"{name}\"\nguest = \"script\"\narguments = [\"{name}\"]\npace = \"off\"\n\
             ends_within = \"5 min\"\n{more}\n"
        )
    };
    let matrix = [
        "[matrix]\nname = \"guests\"\n[[drive]]\nprofile = \"desktop-5tb\"\ncapacity = \"1 GiB\"\n",
        &cell("writes", "attach = \"scsi\"\nverify = true"),
        &cell("refuses", "exit = 2"),
        &cell("crashes", ""),
        "[[demand]]\nworks = [\"writes\"]\noperation = \"flush\"\nlongest_at_most = \"1 h\"\n",
    ];
    std::fs::write(file("m.toml"), matrix.concat()).expect("written");
    let script = "case $1 in\nwrites)\n\
        dd if=/dev/urandom of=/tmp/a bs=1M count=4 2> /dev/null\n\
        dd if=/tmp/a of=/dev/sda bs=1M conv=fsync 2> /dev/null\n\
        echo 3 > /proc/sys/vm/drop_caches\n\
        cmp -n 4194304 /tmp/a /dev/sda && echo as written;;\n\
        refuses) exit 2;;\n\
        crashes) echo going; sleep 1; echo c > /proc/sysrq-trigger;;\nesac\n";
    std::fs::write(file("script"), script).expect("written");
    let line = "matrix {}/m.toml -o {}/r --bundles {}/b";
    let ended = imbrex(line, folder.path());
    let text = std::fs::read_to_string(file("r")).expect("results");
    let lines = text.lines().skip(1).map(serde_json::from_str);
    let cells: Vec<serde_json::Value> = lines.collect::<Result<_, _>>().expect("objects");
    let outcomes: Vec<&str> = cells
        .iter()
        .map(|cell| cell["outcome"].as_str().expect("a word"))
        .collect();
    assert_eq!(
        outcomes,
        ["passed", "passed", "rig-fault"],
        "{ended:#?} {text}"
    );
    assert_eq!(ended.code, Some(6), "{ended:#?}");
    let figures = &cells[0]["figures"];
    for (figure, least) in [
        ("written_bytes", 4 << 20),
        ("read_bytes", 4 << 20),
        ("flush_count", 1),
    ] {
        assert!(
            figures[figure].as_u64() >= Some(least),
            "{figure}: {figures}"
        );
    }
    let why = cells[2]["why"].as_str().expect("it says why");
    assert!(why.contains("did not get to its end"), "{why}");
    assert!(why.contains("Kernel panic - not syncing: sysrq"), "{why}");
}

#[test]
fn a_guests_exit_code_is_that_of_its_script() {
    if !available() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let script = folder.path().join("script");
    let run = |text: &str| {
        std::fs::write(&script, text).expect("written");
        tool("scripts/vm", [script.as_os_str(), "a b".as_ref()])
    };
    let ended = run("echo \"$1\"; exit 37");
    assert_eq!(
        (&*ended.stdout, ended.code),
        ("a b\n", Some(37)),
        "{ended:#?}"
    );
    // A guest that loses its kernel gets to no end.
    let ended = run("echo c > /proc/sysrq-trigger");
    assert_eq!(ended.code, Some(125), "{ended:#?}");
    assert!(ended.stderr.contains("sysrq triggered crash"), "{ended:#?}");
    assert_eq!(
        tool("scripts/vm", ["--drive", "/nowhere", "x"]).code,
        Some(2)
    );
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
