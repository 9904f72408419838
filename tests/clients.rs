//! Outside clients against a served drive: programs that others wrote, with their own idea of NBD.
//!
//! Known of imbrex are the program, its socket and what `docs/nbd.md` promises.

#[path = "clients/encrypted.rs"]
mod encrypted;
#[path = "clients/files.rs"]
mod files;
mod nbd_client;
mod program;

use std::fs::File;
use std::os::unix::fs::MetadataExt as _;
use std::path::PathBuf;

use files::{Filler, assert_same_bytes};
use program::{Served, imbrex, tool};
use serde_json::Value;
use tempfile::TempDir;

const MIB: u64 = 1 << 20;
const GIB: u64 = 1 << 30;

/// States of `base:allocation`.
const DATA: u64 = 0;
const HOLE_AND_ZERO: u64 = 3;

/// A new drive in a folder of its own.
struct Bench {
    folder: TempDir,
    image: PathBuf,
    bytes: u64,
}

impl Bench {
    fn new(gib: u64) -> Bench {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        imbrex(&format!("create {{}} --capacity {gib}GiB"), &image).success();
        Bench {
            folder,
            image,
            bytes: gib * GIB,
        }
    }

    fn serve(&self) -> Served {
        Served::start(&self.image, "--pace off")
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    /// A sparse file as long as the drive, with `filled` bytes of data in runs all over it.
    fn sparse_file(&self, name: &str, filled: u64) -> String {
        let path = self.path(name);
        let file = File::create(&path).expect("created");
        file.set_len(self.bytes).expect("lengthened");
        Filler::new(name).scatter(&file, self.bytes, filled);
        path
    }

    /// Ends the drive in order and has every byte of it checked.
    fn close(self, served: Served) -> String {
        let account = served.stop().success();
        imbrex("check {} --data", &self.image).success();
        account
    }
}

#[test]
fn nbdinfo_sees_a_rotating_disk_with_all_it_can_do() {
    let bench = Bench::new(1);
    let served = bench.serve();
    let told = tool("nbdinfo", ["--json", &served.uri()]);
    assert_eq!(told.code, Some(0), "{told:#?}");
    let told = told.json();
    assert_eq!(told["protocol"], "newstyle-fixed");
    assert_eq!(told["structured"], true);
    let export = &told["exports"][0];
    assert_eq!(export["export-size"], bench.bytes);
    assert_eq!(export["is_read_only"], false);
    for ability in [
        "is_rotational",
        "can_flush",
        "can_fua",
        "can_trim",
        "can_zero",
        "can_fast_zero",
        "can_multi_conn",
        "can_df",
    ] {
        assert_eq!(export[ability], true, "{ability}: {export:#}");
    }
    assert_eq!(export["block_size_minimum"], 512);
    assert_eq!(export["block_size_preferred"], 4096);
    let contexts = export["contexts"].as_array().expect("a list");
    for context in ["base:allocation", "imbrex:whereabouts"] {
        assert!(contexts.contains(&Value::from(context)), "{contexts:?}");
    }
    bench.close(served);
}

#[test]
fn nbdinfo_maps_holes_and_data_where_they_are() {
    let bench = Bench::new(1);
    let served = bench.serve();
    let mut client = served.client();
    client.write(MIB, &vec![1; 65536]).expect("written");
    client.write(5 * MIB, &vec![2; 4096]).expect("written");
    client.zero(MIB + 8192, 4096).expect("zeroed");
    client.flush().expect("flushed");
    let map = |context: &str| {
        let context = format!("--map={context}");
        let told = tool("nbdinfo", [&context, "--json", &served.uri()]);
        assert_eq!(told.code, Some(0), "{told:#?}");
        let runs = told.json();
        let runs = runs.as_array().expect("a list").clone();
        let number = |run: &Value, key: &str| run[key].as_u64().expect("a number");
        let numbers = runs.iter().map(|run| {
            let [offset, length, kind] = ["offset", "length", "type"].map(|key| number(run, key));
            (offset, length, kind)
        });
        numbers.collect::<Vec<_>>()
    };
    assert_eq!(
        map("base:allocation"),
        [
            (0, MIB, HOLE_AND_ZERO),
            (MIB, 8192, DATA),
            (MIB + 8192, 4096, HOLE_AND_ZERO),
            (MIB + 12288, 65536 - 12288, DATA),
            (MIB + 65536, 4 * MIB - 65536, HOLE_AND_ZERO),
            (5 * MIB, 4096, DATA),
            (5 * MIB + 4096, bench.bytes - 5 * MIB - 4096, HOLE_AND_ZERO),
        ]
    );
    let end: u64 = map("imbrex:whereabouts").iter().map(|run| run.1).sum();
    assert_eq!(end, bench.bytes);
    bench.close(served);
}

#[test]
fn nbdcopy_brings_back_a_sparse_file_of_gigabytes_byte_for_byte() {
    let bench = Bench::new(3);
    let filled = 200 * MIB;
    let source = bench.sparse_file("source", filled);
    let back = bench.path("back");
    let served = bench.serve();
    tool("nbdcopy", ["--flush", &source, &served.uri()]).success();
    tool("nbdcopy", [&served.uri(), &back]).success();
    assert_same_bytes(&source, &back);
    let allocated = File::open(&back)
        .and_then(|file| file.metadata())
        .expect("it is there")
        .blocks()
        * 512;
    assert!(
        allocated < 2 * filled,
        "holes came back as {allocated} bytes of data"
    );
    bench.close(served);
}

#[test]
fn qemu_img_converts_to_the_drive_and_finds_no_difference() {
    let bench = Bench::new(2);
    let source = bench.sparse_file("source", 100 * MIB);
    let served = bench.serve();
    let uri = served.uri();
    let convert = "convert -n -f raw -O raw -W -m 8".split(' ');
    tool("qemu-img", convert.chain([&*source, &*uri])).success();
    let compare = ["compare", "-f", "raw", "-F", "raw", &source, &uri];
    let told = tool("qemu-img", compare).success();
    assert!(told.contains("identical"), "{told}");

    let copy = bench.path("copy.qcow2");
    let convert = "convert -f raw -O qcow2".split(' ');
    tool("qemu-img", convert.chain([&*uri, &*copy])).success();
    let compare = ["compare", "-f", "raw", "-F", "qcow2", &source, &copy];
    let told = tool("qemu-img", compare).success();
    assert!(told.contains("identical"), "{told}");

    // That comparison can fail.
    served.client().write(GIB, &[0xa5; 512]).expect("written");
    let compare = ["compare", "-f", "raw", "-F", "raw", &source, &uri];
    assert_eq!(tool("qemu-img", compare).code, Some(1));
    bench.close(served);
}

#[test]
fn fio_reads_what_it_wrote_at_random() {
    fio_verifies("--rw=randwrite --bsrange=4k-128k --blockalign=4k --io_size=96m --fsync=64");
}

#[test]
fn fio_reads_what_it_wrote_in_sectors_of_512_bytes() {
    fio_verifies("--rw=randwrite --bs=512 --size=16m --io_size=4m");
}

#[test]
fn fio_reads_what_it_wrote_in_sequence_twice() {
    fio_verifies("--rw=write --bs=1m --loops=2");
}

fn fio_verifies(pattern: &str) {
    let bench = Bench::new(1);
    let served = bench.serve();
    let fixed = "--name=verify --ioengine=nbd --size=192m --offset=300m --iodepth=16 \
                 --verify=crc32c --verify_fatal=1 --do_verify=1 --verify_state_save=0 --randseed=7 --minimal";
    let uri = format!("--uri={}", served.uri());
    let arguments = fixed.split(' ').filter(|argument| !argument.is_empty());
    let arguments = arguments.chain(pattern.split(' ')).chain([&*uri]);
    let ended = tool("fio", arguments);
    assert_eq!(ended.code, Some(0), "{ended:#?}");
    // Both directions, or nothing was verified.
    let account = bench.close(served);
    let host = account.lines().find(|line| line.starts_with("host "));
    let host = host.expect("the account counts requests");
    assert!(
        !host.contains("read 0 B") && !host.contains("wrote 0 B"),
        "{host}"
    );
}
