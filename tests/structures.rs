//! `scripts/structures` on real filesystems, and blame by what it lists: from a filesystem that is mounted
//! on a served drive, by a recording of what that was asked, to names.

#[path = "filesystems/mounted.rs"]
mod mounted;
mod nbd_client;
mod program;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use imbrex::lab::structures::{self, Structure};
use mounted::Disk;
use program::tool;

/// What the script lists. That it is in order and without overlaps is part of being read.
fn listed(path: &str, options: &[&str]) -> Vec<Structure> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/structures");
    let arguments = [&[path], options].concat();
    let text = tool(script.to_str().expect("a plain path"), arguments).success();
    structures::parse(path, &text).expect("a list")
}

fn bytes_by_name(list: &[Structure]) -> BTreeMap<&str, u64> {
    let mut sums = BTreeMap::new();
    for one in list {
        *sums.entry(one.name.as_str()).or_insert(0) += one.end - one.start;
    }
    sums
}

/// The number after `name:` in what dumpe2fs prints.
fn fact(text: &str, name: &str) -> u64 {
    let line = text.lines().find_map(|line| line.strip_prefix(name));
    let value = line.unwrap_or_else(|| panic!("no {name} in {text}"));
    value
        .trim_start_matches(':')
        .trim()
        .parse()
        .expect("a number")
}

#[test]
fn the_structures_of_ext4_are_those_that_its_own_tools_name() {
    let folder = tempfile::tempdir().unwrap();
    let tree = folder.path().join("tree");
    for (name, bytes) in [
        ("mail/a", 70_000),
        ("mail/b", 30_000),
        ("photos/p", 5_000_000),
        ("top", 10),
    ] {
        let path = tree.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, vec![7; bytes]).unwrap();
    }
    for block in [1024, 4096] {
        let image = folder.path().join(format!("ext4-{block}"));
        let path = image.to_str().unwrap();
        std::fs::File::create(&image)
            .unwrap()
            .set_len(200 << 20)
            .unwrap();
        let (source, block_words) = (tree.to_str().unwrap(), block.to_string());
        let make = ["-q", "-t", "ext4", "-b", &block_words, "-d", source, path];
        tool("mke2fs", make).success();
        let told = tool("dumpe2fs", [path]).success();
        let list = listed(path, &["--by-folder"]);
        let sums = bytes_by_name(&list);
        let first = list.iter().find(|one| one.name == "superblock").unwrap();
        assert_eq!(first.start, 1024);
        assert_eq!(sums["journal"], fact(&told, "Total journal blocks") * block);
        let inodes = fact(&told, "Inode count") * fact(&told, "Inode size");
        assert_eq!(sums["inode tables"], inodes);
        let groups = fact(&told, "Block count").div_ceil(fact(&told, "Blocks per group"));
        assert_eq!(
            (sums["block bitmaps"], sums["inode bitmaps"]),
            (groups * block, groups * block)
        );
        let whole = |bytes: u64| bytes.div_ceil(block) * block;
        assert_eq!(sums["data of /mail"], whole(70_000) + whole(30_000));
        assert_eq!(sums["data of /photos"], whole(5_000_000));
        assert_eq!(sums["data of /"], block);
        assert!(sums["directories"] >= 3 * block, "{sums:?}");
        assert!(list.last().unwrap().end <= 200 << 20);
        // Everything in use is named: what is left over is what the filesystem calls free.
        let named: u64 = list.iter().map(|one| one.end - one.start).sum();
        let free = fact(&told, "Free blocks") * block;
        let whole = fact(&told, "Block count") * block;
        let boot = if block == 1024 { 1024 } else { 0 };
        assert_eq!(whole - free, named + boot, "{sums:?}");
        let plain = listed(path, &["--device-at", "1048576"]);
        assert_eq!(
            bytes_by_name(&plain)["data"],
            sums["data of /mail"] + sums["data of /photos"] + block
        );
        assert_eq!(
            plain.iter().map(|one| one.start).min(),
            Some((1 << 20) + u64::from(block == 1024) * 1024)
        );
    }
}

#[test]
fn the_structures_of_xfs_are_those_that_its_own_tools_name() {
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("xfs");
    let path = image.to_str().unwrap();
    // A prototype of a tree: many files, so that there is more than one chunk of inodes.
    let mut proto = "/stand\n0 0\nd--755 0 0\n".to_owned();
    for file in 0..300 {
        writeln!(proto, "f{file} ---644 0 0 /etc/passwd").unwrap();
    }
    let prototype = folder.path().join("prototype");
    std::fs::write(&prototype, proto + "$\n").unwrap();
    std::fs::File::create(&image)
        .unwrap()
        .set_len(400 << 20)
        .unwrap();
    let proto = prototype.to_str().unwrap();
    tool("mkfs.xfs", ["-q", "-d", "agcount=5", "-p", proto, path]).success();
    let ask = |command: &str, field: &str| {
        let told = tool(
            "xfs_db",
            ["-r", "-c", command, "-c", &format!("p {field}"), path],
        )
        .success();
        let (_, value) = told.trim().split_once(" = ").expect("one field");
        value.parse::<u64>().expect("a number")
    };
    let list = listed(path, &[]);
    let sums = bytes_by_name(&list);
    let block = ask("sb 0", "blocksize");
    let headers: Vec<u64> = list
        .iter()
        .filter(|one| one.name == "AG headers")
        .map(|one| one.start)
        .collect();
    let group_bytes = ask("sb 0", "agblocks") * block;
    let expected: Vec<u64> = (0..5).map(|group| group * group_bytes).collect();
    assert_eq!(headers, expected);
    assert_eq!(sums["AG headers"], 5 * 4 * ask("sb 0", "sectsize"));
    assert_eq!(sums["log"], ask("sb 0", "logblocks") * block);
    let inodes: u64 = (0..5)
        .map(|group| ask(&format!("agi {group}"), "count"))
        .sum();
    assert!(inodes > 300, "{inodes}");
    assert_eq!(sums["inodes"], inodes * ask("sb 0", "inodesize"));
    assert!(list.last().unwrap().end <= 400 << 20);
}

#[test]
fn a_filesystem_in_a_partition_of_an_image_is_read_where_it_begins() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (alone, inside) = (path("alone"), path("in?side"));
    let tree = folder.path().join("tree/mail");
    std::fs::create_dir_all(&tree).unwrap();
    std::fs::write(tree.join("a"), vec![7; 70_000]).unwrap();
    std::fs::File::create(&alone)
        .unwrap()
        .set_len(40 << 20)
        .unwrap();
    let source = path("tree");
    tool("mke2fs", ["-q", "-t", "ext4", "-d", &source, &alone]).success();
    let within = |filesystem: &str| {
        // What a partition table leaves room for, and what an older filesystem has left there.
        let mut bytes = vec![0; 1 << 20];
        bytes[1080..1082].copy_from_slice(&[0x53, 0xef]);
        bytes.extend(std::fs::read(filesystem).unwrap());
        std::fs::write(&inside, bytes).unwrap();
    };
    within(&alone);
    let shifted = listed(&alone, &["--by-folder", "--device-at", "1048576"]);
    assert_eq!(shifted[0].start, (1 << 20) + 1024);
    assert!(shifted.iter().any(|one| one.name == "data of /mail"));
    assert_eq!(
        listed(&inside, &["--by-folder", "--offset", "1048576"]),
        shifted
    );
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/structures");
    let told = tool(script.to_str().unwrap(), [&alone, "--offset", "1048576"]).expect(1);
    assert!(told.contains("say --device-at 1048576"), "{told}");
    if !nix::unistd::geteuid().is_root() {
        eprintln!("xfs at an offset not run: it needs root");
        return;
    }
    let xfs = path("xfs");
    std::fs::File::create(&xfs)
        .unwrap()
        .set_len(320 << 20)
        .unwrap();
    tool("mkfs.xfs", ["-q", &xfs]).success();
    within(&xfs);
    let shifted = listed(&xfs, &["--device-at", "1048576"]);
    assert_eq!(listed(&inside, &["--offset", "1048576"]), shifted);
    let left = tool("losetup", ["--associated", &inside]).success();
    assert_eq!(left, "", "loop devices are left behind");
}

#[test]
fn whatever_a_folder_is_called_the_list_can_be_read() {
    use std::os::unix::ffi::OsStrExt as _;
    let folder = tempfile::tempdir().unwrap();
    let tree = folder.path().join("tree");
    let names: [(&[u8], &str); 11] = [
        (b"a\tb", "data of /a\\tb"),
        (b"e\x1b[31m", "data of /e\\x1b[31m"),
        (b"n\nl", "data of /n\\nl"),
        (b"bad\xff", "data of /bad\\xff"),
        (b"back\\t", "data of /back\\\\t"),
        (b"q\"c, d", "data of /q\"c, d"),
        (b"end ", "data of /end "),
        (b"end", "data of /end"),
        ("nel\u{85}".as_bytes(), "data of /nel\\x85"),
        (b"x\ndebugfs: stat <12>", "data of /x\\ndebugfs: stat <12>"),
        ("\u{fc}\u{2028}".as_bytes(), "data of /\u{fc}\u{2028}"),
    ];
    for (name, _) in names {
        let below = tree.join(std::ffi::OsStr::from_bytes(name));
        std::fs::create_dir_all(&below).unwrap();
        std::fs::write(below.join("f\n1"), [7; 5000]).unwrap();
    }
    // Nor where a link leads to.
    std::os::unix::fs::symlink("a\nBLOCKS:\n(0):5\n", tree.join("link")).unwrap();
    let image = folder.path().join("ext4").to_str().unwrap().to_owned();
    std::fs::File::create(&image)
        .unwrap()
        .set_len(40 << 20)
        .unwrap();
    let source = tree.to_str().unwrap();
    tool(
        "mke2fs",
        ["-q", "-t", "ext4", "-b", "4096", "-d", source, &image],
    )
    .success();
    let list = listed(&image, &["--by-folder"]);
    let sums = bytes_by_name(&list);
    for (_, printed) in names {
        assert_eq!(sums.get(printed), Some(&8192), "{printed:?}: {sums:?}");
    }
    assert_eq!(
        sums.keys().filter(|name| name.starts_with("data")).count(),
        11
    );
}

#[test]
fn what_is_no_filesystem_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let nothing = folder.path().join("nothing");
    std::fs::write(&nothing, vec![0; 1 << 16]).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/structures");
    let told = tool(script.to_str().unwrap(), [nothing.to_str().unwrap()]).expect(1);
    assert!(told.contains("holds neither ext4 nor xfs"), "{told}");
}

#[test]
fn a_mounted_filesystem_is_blamed_by_its_structures() {
    if !nix::unistd::geteuid().is_root() {
        assert!(
            std::env::var_os("CI").is_none(),
            "the tests of CI need root"
        );
        eprintln!("not run: it needs root");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("session.parquet");
    let disk = Disk::new("1GiB");
    let attached = disk.attach_with(&format!("--record {}", recording.display()));
    tool("mkfs.ext4", ["-q", &attached.device]).success();
    let mounted = attached.mount();
    for file in 0..150 {
        let mail = mounted.path.join(format!("mail{}", file % 5));
        std::fs::create_dir_all(&mail).unwrap();
        let mut file = std::fs::File::create(mail.join(format!("m{file}"))).unwrap();
        file.write_all(&[9; 6000]).unwrap();
        file.sync_all().unwrap();
    }
    drop(mounted);
    let list = folder.path().join("ext4.csv");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/structures");
    let text = tool(script.to_str().unwrap(), [&attached.device]).success();
    std::fs::write(&list, text).unwrap();
    attached.end();
    let [recording, list] = [recording, list].map(|path| path.to_str().unwrap().to_owned());
    let imbrex = env!("CARGO_BIN_EXE_imbrex");
    let arguments = ["blame", "--replay", &recording, "--structures", &list];
    eprintln!("{}", tool(imbrex, arguments).success());
    let told = tool(imbrex, arguments.into_iter().chain(["--json"])).json();
    let owners = told["owners"].as_array().unwrap();
    let of = |name: &str, field: &str| -> u64 {
        let owner = owners.iter().find(|owner| owner["name"] == name);
        owner.map_or(0, |owner| owner[field].as_u64().unwrap())
    };
    // Each file was synced: each commit of the journal is a descriptor, blocks and a commit block.
    assert!(
        of("journal", "host_written_bytes") >= 150 * 3 * 4096,
        "{told:#}"
    );
    assert!(of("inode tables", "host_written_bytes") > 0, "{told:#}");
    assert!(of("data", "host_written_bytes") >= 150 * 8192, "{told:#}");
    assert!(told["cleanings"].as_u64().unwrap() > 0, "{told:#}");
    assert!(of("journal", "cleaning_ns") > 0, "{told:#}");
    let shared: u64 = owners
        .iter()
        .map(|owner| owner["cleaning_ns"].as_u64().unwrap())
        .sum();
    assert_eq!(
        told["cleaning_ns"].as_u64().unwrap(),
        shared + told["nobody"]["cleaning_ns"].as_u64().unwrap()
    );
}
