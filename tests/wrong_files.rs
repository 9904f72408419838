//! What commands say of files that are not what was meant, or not there: which file, why, what to do, and
//! the exit code of `docs/cli.md`.

mod folder;
mod nbd_client;
mod program;

use std::fs;

use folder::Folder;
use program::imbrex;

const FORMATS: [&str; 6] = [
    "blkparse",
    "fio-log",
    "csv --columns time=t:s,op=o,offset=f,bytes=b",
    "host-disk",
    "volume",
    "iostat",
];

#[test]
fn what_is_no_text_is_refused_as_a_trace_and_leaves_nothing_behind() {
    let folder = Folder::new();
    let to = folder.file("out");
    let refused = |file: &str, words: &str| {
        for format in FORMATS {
            let told = imbrex(&format!("import {file} --as {format} -o {{}}"), &to).expect(3);
            assert!(
                told.contains(words) && told.contains(file),
                "{format}: {told}"
            );
            assert!(!to.exists(), "{format}");
        }
    };
    refused("/dev/zero", "it is no text");
    let image = folder.file("image");
    imbrex("create {} --profile tiny", &image).success();
    refused(image.to_str().expect("plain"), "an image of imbrex");
    let sealed = folder.file("sealed");
    imbrex("draw -o {} --capacity 1GiB --seed 1", &sealed).success();
    refused(sealed.to_str().expect("plain"), "an image of imbrex");
    let hole = folder.write("hole", "");
    let file = fs::File::options()
        .write(true)
        .open(&hole)
        .expect("it is there");
    file.set_len(1 << 40)
        .expect("a filesystem with sparse files");
    refused(&hole, "it is no text");
    let recording = folder.file("recording");
    imbrex(
        "simulate tiny uniform,write,4KiB,9-requests --record {}",
        &recording,
    )
    .success();
    refused(recording.to_str().expect("plain"), "simulate --replay");
    refused(folder.file("").to_str().expect("plain"), "is a directory");
    refused(
        folder.file("nothing").to_str().expect("plain"),
        "cannot read",
    );
}

const REPORTS: &str = "Device tps kB_read/s kB_wrtn/s kB_dscd/s\nsda 10 100 100 0\n\
    s\u{1b}[31mb 20 100 100 0\n\n\
    Device tps kB_read/s kB_wrtn/s kB_dscd/s\nsda 10 100 100 0\ns\u{1b}[31mb 20 100 100 0\n";

#[test]
fn the_drives_of_a_trace_are_listed_and_one_can_be_chosen() {
    let folder = Folder::new();
    let rates = folder.write("rates.txt", REPORTS);
    let out = folder.file("out.toml");
    let told = imbrex(&format!("import {rates} --as iostat -o {{}}"), &out).success();
    assert!(told.contains("rates of sda in 1 report;"), "{told}");
    assert!(
        told.contains("several drives: sda, s\\u{1b}[31mb; --device NAME"),
        "{told}"
    );
    fs::remove_file(&out).expect("it was written");
    let second = format!("import {rates} --as iostat --device s\u{1b}[31mb -o {{}}");
    let told = imbrex(&second, &out).success();
    assert!(told.contains("rates of s\\u{1b}[31mb"), "{told}");
    let none = format!("import {rates} --as iostat --device sdz -o {{}}");
    let told = imbrex(&none, &folder.file("more")).expect(3);
    assert!(told.contains("there are: sda, s\\u{1b}[31mb"), "{told}");
    assert!(!told.contains('\u{1b}'), "{told}");
}

#[test]
fn a_table_says_which_columns_it_did_not_read_and_takes_one_of_several_disks() {
    let folder = Folder::new();
    let text = "when,disk,kind,at,size\n1,usr.0,r,0,4096\n2,usr.1,w,0,4096\n3,usr.1,w,0,4096\n";
    let table = folder.write("table.csv", text);
    let import = |more: &str, to: &str| {
        let columns = "time=when:s,op=kind,offset=at,bytes=size";
        let line = format!("import {table} --as csv -o {{}} --columns {columns}{more}");
        imbrex(&line, &folder.file(to))
    };
    let told = import("", "all").success();
    assert!(
        told.contains("3 requests") && told.contains("columns not read: disk"),
        "{told}"
    );
    assert!(told.contains("device=COLUMN"), "{told}");
    let told = import(",device=disk", "first").success();
    assert!(
        told.contains("taken was usr.0 (--device NAME takes another)"),
        "{told}"
    );
    let told = import(",device=disk --device usr.1 --json", "second").json();
    assert_eq!(
        (&told["requests"], &told["drive"]),
        (&2.into(), &"usr.1".into())
    );
    let told = import(",device=disk --device usr.2", "third").expect(3);
    assert!(told.contains("usr.2 (there are usr.0, usr.1)"), "{told}");
}

#[test]
fn an_image_that_is_not_there_or_cannot_be_read_cannot_be_used_by_any_command() {
    let folder = Folder::new();
    let (missing, directory) = (folder.file("missing.img"), folder.file(""));
    let commands = [
        "inspect {}",
        "check {}",
        "age {} --staging 5%",
        "serve {} --nbd tcp:127.0.0.1:0",
        "tell {} status",
        "simulate {} uniform,write,4KiB,9-requests --start as-it-is",
        "blame {} uniform,write,4KiB,9-requests --start as-it-is",
        "draw score {} guess.toml",
        "draw unseal {}",
        "profile check {}",
        "simulate tiny --replay {}",
        "report {} -o page.html",
        "import {} --as volume -o out.parquet",
    ];
    for command in commands {
        let told = imbrex(command, &missing).expect(3);
        assert!(told.contains("missing.img"), "{command}: {told}");
    }
    // One that there is, and that is no file.
    for command in &commands[..2] {
        imbrex(command, &directory).expect(3);
    }
    // Below something that is no directory: there, and not to be got at.
    folder.write("file", "");
    for command in commands {
        imbrex(command, &folder.file("file/image")).expect(3);
    }
}

#[test]
fn what_is_named_and_not_there_cannot_be_used_whatever_it_was_to_be() {
    let folder = Folder::new();
    let commands = [
        "create new.img --profile {}",
        "profile show {}",
        "profile text nosuch",
        "simulate tiny {}",
        "simulate {} database-commit",
        "blame tiny {}",
        "compare {} database-commit --profile tiny",
        "forecast {} --deadline 1h",
        "workload check {}",
        "workload text nosuch",
        "matrix {} --list",
        "matrix rerun {}",
        "matrix configs/matrices/backup-target.toml --baseline {} -o {}.jsonl",
        "matrix join {} -o {}.jsonl",
    ];
    for name in ["nosuch", "nosuch.toml"] {
        for command in commands {
            let told = imbrex(command, &folder.file(name)).expect(3);
            assert!(told.contains("nosuch"), "{command}: {told}");
        }
    }
    let word = imbrex("simulate tiny nosuch", &folder.file("")).expect(3);
    assert!(word.contains("nightly-backup"), "{word}");
}

const ONE_CELL: &str = "[matrix]\nname = \"one\"\n[[drive]]\nprofile = \"tiny\"\n[[work]]\n\
    workload = \"uniform read 4KiB 9-requests\"\n[[demand]]\noperation = \"read\"\np99_at_most = \"1 ns\"\n";

#[test]
fn results_that_cannot_be_written_are_the_machine_in_the_way() {
    let folder = Folder::new();
    let run = "simulate tiny uniform,write,4KiB,9-requests";
    let image = folder.file("image");
    imbrex("create {} --profile tiny", &image).success();
    let image = image.display();
    let matrix = folder.write("one.toml", ONE_CELL);
    let made = folder.file("made.jsonl");
    imbrex(&format!("matrix {matrix} -o {{}}"), &made);
    let made = made.display();
    let rates = folder.write("rates.txt", REPORTS);
    let commands = [
        format!("{run} --record {{}}"),
        format!("{run} --events {{}}"),
        format!("{run} --report {{}}"),
        format!("serve {image} --nbd tcp:127.0.0.1:0 --record {{}}"),
        format!("serve {image} --nbd tcp:127.0.0.1:0 --account {{}}"),
        format!("import {rates} --as iostat -o {{}}"),
        format!("report {made} -o {{}}"),
        format!("matrix {matrix} -o {{}}"),
        format!("matrix {matrix} -o {made}.1 --junit {{}}"),
        format!("matrix join {made} -o {{}}"),
    ];
    for command in commands {
        let told = imbrex(&command, &folder.file("no/such")).expect(6);
        assert!(
            told.contains("no/such") || told.contains("/no"),
            "{command}: {told}"
        );
    }
}

#[test]
fn no_option_is_named_that_a_command_does_not_have() {
    let folder = Folder::new();
    let matrix = folder.write("one.toml", ONE_CELL);
    let made = folder.file("made.jsonl");
    let bundles = folder.file("failed");
    let line = format!("matrix {matrix} -o {{}} --bundles {}", bundles.display());
    imbrex(&line, &made).expect(1);
    let there = folder.file("there");
    fs::write(&there, "somebody's").expect("written");
    let run = "simulate tiny uniform,write,4KiB,9-requests";
    let (cell, made) = (bundles.join("cell-1"), made.display());
    let cell = cell.display();
    for command in [
        format!("matrix rerun {cell} --events {{}}"),
        format!("matrix rerun {cell} --record {{}}"),
        format!("matrix join {made} -o {{}}"),
        format!("{run} --report {{}}"),
        format!("{run} --record {{}}"),
    ] {
        let told = imbrex(&command, &there).expect(4);
        assert!(
            told.contains("left alone") && !told.contains("--replace"),
            "{command}: {told}"
        );
    }
    let told = imbrex(&format!("report {made} -o {{}}"), &there).expect(4);
    assert!(told.contains("--replace"), "{told}");
    let told = imbrex("matrix rerun {}", &bundles.join("cell-7")).expect(3);
    assert!(
        told.contains("cell-7 is not there") && told.contains("cell-1"),
        "{told}"
    );
}
