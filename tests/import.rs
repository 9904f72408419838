//! `imbrex import` as a program: what it refuses, what it tells, and what others make of its recordings.

mod nbd_client;
mod program;

use std::fs;
use std::path::{Path, PathBuf};

use program::{Ended, tool};
use tempfile::TempDir;

fn imbrex(arguments: &[&str]) -> Ended {
    tool(env!("CARGO_BIN_EXE_imbrex"), arguments.iter().copied())
}

fn shown(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// What a page says in words; all of it would be long.
fn said(page: &str) -> &str {
    let words = page
        .split_once("In words</h2>")
        .map_or(page, |(_, words)| words);
    words.split_once("</dl>").map_or(words, |(words, _)| words)
}

/// A folder with a text in it.
struct Bench {
    folder: TempDir,
}

impl Bench {
    fn new() -> Bench {
        let folder = TempDir::new().expect("a folder");
        Bench { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, text).expect("room");
        path
    }

    /// Imports a text into a new recording.
    fn import(&self, text: &str, options: &[&str]) -> (Ended, PathBuf) {
        let from = self.text("trace", text);
        let to = self.path("trace.parquet");
        let fixed = ["import", shown(&from), "-o", shown(&to)];
        (imbrex(&[&fixed[..], options].concat()), to)
    }

    /// The recording of a text that can be imported.
    fn recording(&self, text: &str, options: &[&str]) -> PathBuf {
        let (ended, to) = self.import(text, options);
        ended.success();
        to
    }

    /// The words of a report, and the names of the files with its data.
    fn report(&self, files: &[&Path]) -> (String, Vec<String>) {
        let (page, data) = (self.path("page.html"), self.path("data"));
        let files: Vec<&str> = files.iter().map(|path| shown(path)).collect();
        let to = ["-o", shown(&page), "--data", shown(&data), "--replace"];
        let _ = fs::remove_dir_all(&data);
        imbrex(&[&["report"], &files[..], &to].concat()).success();
        let entries = fs::read_dir(&data).expect("a folder of data");
        let names = entries.map(|entry| {
            let name = entry.expect("it can be listed").file_name();
            name.into_string().expect("a plain name")
        });
        let mut names: Vec<String> = names.collect();
        names.sort();
        (fs::read_to_string(page).expect("a page"), names)
    }
}

const COLUMNS: [&str; 4] = [
    "--as",
    "csv",
    "--columns",
    "time=when:ms,op=kind,offset=at,bytes=size",
];
const COLUMNS_TOOK: [&str; 4] = [
    "--as",
    "csv",
    "--columns",
    "time=when:ms,op=kind,offset=at,bytes=size,took=lat:ms",
];

/// A hundred reads, 10 ms apart, each of which took so many milliseconds.
fn rows(took_ms: u64) -> String {
    let row = |n: u64| format!("{},R,{},4096,{took_ms}\n", n * 10, n * 8192);
    let rows: Vec<String> = (0..100).map(row).collect();
    format!("when,kind,at,size,lat\n{}", rows.concat())
}

#[test]
fn a_report_of_a_trace_without_times_tells_no_latency_and_why() {
    let bench = Bench::new();
    let recording = bench.recording(&rows(7), &COLUMNS);
    let (page, data) = bench.report(&[&recording]);
    assert!(
        page.contains("How long requests took is not known"),
        "{page}"
    );
    for wrong in [
        "The slowest request",
        "No limit of a host was tripped",
        "<dt>Lag</dt>",
        "Latency",
        "took no longer",
        "answered in",
    ] {
        assert!(!page.contains(wrong), "{wrong}: {}", said(&page));
    }
    assert_eq!(data, ["over-time.csv", "places.csv"]);
    let data = fs::read_to_string(bench.path("data").join("over-time.csv")).expect("data");
    let mut lines = data.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().expect("a head");
    let at = |name: &str| {
        head.iter()
            .position(|column| *column == name)
            .expect("it is there")
    };
    let mut asked = 0;
    for row in lines {
        asked += row[at("answered")].parse::<u64>().expect("a number");
        for time in ["p50_ns", "p99_ns", "slowest_ns", "slowest_cause"] {
            assert_eq!(row[at(time)], "", "{row:?}");
        }
    }
    assert_eq!(asked, 100);
}

#[test]
fn a_report_of_a_trace_without_any_times_tells_no_rate() {
    let bench = Bench::new();
    let log = "fio version 2 iolog\nf add\nf open\nf read 0 4096\nf write 8192 4096\n";
    let recording = bench.recording(log, &["--as", "fio-log"]);
    let (page, data) = bench.report(&[&recording]);
    let words = "<dd>2 requests asked; 4.1 kB read; 4.1 kB written.</dd>";
    assert!(page.contains(words), "{}", said(&page));
    assert_eq!(data, ["places.csv"]);
}

#[test]
fn a_summary_of_the_replay_tells_the_times_that_a_trace_does_not() {
    let bench = Bench::new();
    let recording = bench.recording(&rows(7), &COLUMNS);
    let replayed = imbrex(&["simulate", "tiny", "--replay", shown(&recording), "--json"]).success();
    let summary = bench.text("summary.json", &replayed);
    let (page, data) = bench.report(&[&recording, &summary]);
    assert!(page.contains("The slowest request took"), "{}", said(&page));
    assert!(
        !page.contains("The slowest request took 0 s"),
        "{}",
        said(&page)
    );
    assert!(data.contains(&"latency.csv".to_owned()), "{data:?}");
}

#[test]
fn a_trace_with_times_has_latencies_and_no_parts() {
    let bench = Bench::new();
    let recording = bench.recording(&rows(7), &COLUMNS_TOOK);
    let (page, data) = bench.report(&[&recording]);
    assert!(
        page.contains("The slowest request took 7 ms"),
        "{}",
        said(&page)
    );
    assert!(!page.contains("<dt>Lag</dt>"), "{}", said(&page));
    assert!(data.contains(&"latency.csv".to_owned()), "{data:?}");
    let other = bench.path("faster.parquet");
    fs::rename(&recording, &other).expect("the same folder");
    let recording = bench.recording(&rows(9), &COLUMNS_TOOK);
    let told = imbrex(&["compare", shown(&other), shown(&recording), "--json"]);
    assert_eq!(told.code, Some(1), "{told:?}");
    let told = told.json();
    let all = &told["operations"][0];
    assert_eq!(all["mean_ns"]["difference"], 2_000_000);
    assert_eq!(all["total_ns"]["difference"], 200_000_000);
    assert_eq!(told["parts"], serde_json::json!([]));
    let ranges = told["ranges"].as_array().expect("a list");
    let total = ranges.iter().map(|range| {
        assert_eq!(range["mostly"], serde_json::Value::Null);
        range["total_ns"]["difference"].as_i64().expect("a number")
    });
    assert_eq!(total.sum::<i64>(), 200_000_000);
    let words = imbrex(&["compare", shown(&other), shown(&recording)]).stdout;
    let why = "where the time went is not known of A and B";
    assert!(words.contains(why), "{words}");
}

#[test]
fn a_comparison_with_a_trace_without_times_gives_no_verdict_and_says_why() {
    let bench = Bench::new();
    let untimed = bench.path("untimed.parquet");
    fs::rename(bench.recording(&rows(7), &COLUMNS), &untimed).expect("the same folder");
    let timed = bench.recording(&rows(7), &COLUMNS_TOOK);
    for (a, b, who) in [
        (&untimed, &untimed, "A and B"),
        (&untimed, &timed, "A"),
        (&timed, &untimed, "B"),
    ] {
        let words = imbrex(&["compare", shown(a), shown(b)]).success();
        let why = format!("how long requests took is not known of {who}:");
        assert!(words.contains(&why), "{words}");
        for wrong in [
            "0 ns",
            "told apart",
            "faster than",
            "slower than",
            "addresses",
        ] {
            assert!(!words.contains(wrong), "{wrong}: {words}");
        }
        let told = imbrex(&["compare", shown(a), shown(b), "--json"]).json();
        assert_eq!(told["verdict"], "not-known");
        for all in told["operations"].as_array().expect("a list") {
            assert_eq!(all["verdict"], "not-known");
            assert_eq!(
                (&all["count"]["a"], &all["count"]["b"]),
                (&100.into(), &100.into())
            );
            for figure in [
                "mean_ns",
                "p50_ns",
                "p99_ns",
                "max_ns",
                "total_ns",
                "bytes_per_s",
            ] {
                let of = |path: &PathBuf, side: &str| {
                    let known = !all[figure][side].is_null();
                    assert_eq!(known, *path == timed, "{figure} of {side}: {all}");
                };
                of(a, "a");
                of(b, "b");
                assert!(all[figure]["difference"].is_null(), "{figure}: {all}");
            }
        }
    }
    // What both take on the same drive is known.
    let words = imbrex(&[
        "compare",
        shown(&untimed),
        shown(&timed),
        "--profile",
        "tiny",
    ])
    .success();
    assert!(
        words.contains("B cannot be told apart from A by the mean"),
        "{words}"
    );
}

#[test]
fn a_recording_without_the_mark_counts_as_known() {
    let bench = Bench::new();
    let recording = bench.path("run.parquet");
    let words = "uniform read 4KiB 100-requests";
    imbrex(&["simulate", "tiny", words, "--record", shown(&recording)]).success();
    let (page, data) = bench.report(&[&recording]);
    assert!(page.contains("The slowest request took"), "{}", said(&page));
    assert!(page.contains("<dt>Lag</dt>"), "{}", said(&page));
    assert!(data.contains(&"sizes.csv".to_owned()), "{data:?}");
    let told = imbrex(&["compare", shown(&recording), shown(&recording), "--json"]).json();
    assert_eq!(told["verdict"], "cannot-be-told-apart");
    assert_eq!(told["a"]["took"], "parts");
    assert_eq!(told["operations"][0]["mean_ns"]["difference"], 0);
}

#[test]
fn options_of_other_formats_are_refused() {
    let bench = Bench::new();
    let log = "fio version 2 iolog\nf add\nf open\nf read 0 4096\n";
    let reports = "Device tps kB_read/s kB_wrtn/s kB_dscd/s\nsda 1 4 0 0\n";
    let host_disk = "131000000000000000,pool,1,Read,734003200,16384,413\n";
    for (text, kind, option) in [
        (log, "fio-log", "--columns a=b"),
        (log, "fio-log", "--event issued"),
        (log, "fio-log", "--interval 5s"),
        (host_disk, "host-disk", "--time-unit ms"),
        (
            host_disk,
            "host-disk",
            "--columns time=a:us,op=b,offset=c,bytes=d",
        ),
        (host_disk, "host-disk", "--event queued"),
        (reports, "iostat", "--event queued"),
        (reports, "iostat", "--time-unit us"),
        (reports, "iostat", "--bad-lines skip"),
        (reports, "iostat", "--show-bad 5"),
        (reports, "iostat", "--hide-offsets 4TB --key 1"),
        (log, "fio-log", "--piece 16MiB"),
    ] {
        let more: Vec<&str> = option.split(' ').collect();
        let (ended, to) = bench.import(text, &[&["--as", kind], &more[..]].concat());
        let said = ended.expect(2);
        let named = match more[0] {
            // What it takes is named.
            "--piece" => "--hide-offsets",
            option => option,
        };
        assert!(said.contains(named), "{said}");
        assert!(!to.exists(), "{option}");
        // Without the option it is imported.
        let (ended, to) = bench.import(text, &["--as", kind]);
        ended.success();
        fs::remove_file(to).expect("it is there");
    }
}

#[test]
fn a_drive_is_chosen_only_where_the_trace_tells_drives_apart() {
    let bench = Bench::new();
    let text = "when,kind,at,size,disk\n0,R,0,512,foo\n1,R,4096,512,bar\n2,R,8192,512,foo\n";
    let (ended, to) = bench.import(text, &[&COLUMNS[..], &["--device", "foo"]].concat());
    let said = ended.expect(2);
    assert!(said.contains("add device=COLUMN to --columns"), "{said}");
    assert!(!to.exists());
    let columns = format!("{},device=disk", COLUMNS[3]);
    let named = [&COLUMNS[..3], &[&columns, "--device", "foo", "--json"]].concat();
    let told = bench.import(text, &named).0.json();
    assert_eq!(told["requests"], 2, "{told}");
}

#[test]
fn pieces_that_do_not_fit_are_told_in_sizes_and_no_key_is_ever_shown() {
    let bench = Bench::new();
    for (options, words) in [
        (
            "--hide-offsets 4KiB",
            "a drive of 4 KiB cannot be hidden in pieces of 256 MiB: there would be 0, and 1 to 16777216",
        ),
        (
            "--hide-offsets 1TiB --piece 512B",
            "a drive of 1 TiB cannot be hidden in pieces of 512 B: there would be 2147483648, and 1 to",
        ),
    ] {
        let more = format!("{options} --key 987654321");
        let more: Vec<&str> = more.split(' ').collect();
        let (ended, to) = bench.import(&rows(7), &[&COLUMNS[..], &more].concat());
        let said = ended.expect(2);
        assert!(said.contains(words), "{said}");
        assert!(!said.contains("987654321") && !said.contains('{'), "{said}");
        assert!(!to.exists());
    }
    let more = ["--hide-offsets", "1TiB", "--key", "987654321x"];
    let (ended, to) = bench.import(&rows(7), &[&COLUMNS[..], &more].concat());
    let said = ended.expect(2);
    assert!(
        said.contains("--key") && !said.contains("987654321"),
        "{said}"
    );
    assert!(!to.exists());
}

#[test]
fn each_drive_of_a_trace_is_told_with_the_requests_that_an_import_of_it_has() {
    let bench = Bench::new();
    // A line for no bytes and one beyond all bounds of each drive, among others.
    let row = |drive: u64, n: u64, size: u64| {
        let (time, offset) = (131_000_000_000_000_000 + n * 10_000_000, n * 8192);
        format!("{time},web,{drive},Read,{offset},{size},413\n")
    };
    let mut text = row(0, 0, 0);
    for n in 1..10 {
        text += &row(n % 2, n, 4096);
        text += &row(n % 2, n, if n < 3 { 0 } else { 4096 });
    }
    let as_table = ["--as", "host-disk", "--json"];
    let told = bench.import(&text, &as_table).0.json();
    assert_eq!(
        told["drive"], "web.1",
        "the first of which a request is taken"
    );
    let drives = told["drives"].as_array().expect("a list").clone();
    assert_eq!(drives.len(), 2, "{drives:?}");
    for drive in drives {
        let name = drive[0].as_str().expect("a name");
        fs::remove_file(bench.path("trace.parquet")).expect("it is there");
        let chosen = [&as_table[..], &["--device", name]].concat();
        let told = bench.import(&text, &chosen).0.json();
        assert_eq!(told["requests"], drive[1], "{name}");
        // What is wrong with lines of the other one is nothing to this one.
        let senseless = if name == "web.0" { 2 } else { 1 };
        assert_eq!(told["bad"]["a request for no bytes"], senseless, "{told}");
    }
}

#[test]
fn the_first_line_without_sense_is_told_in_whole_words() {
    let bench = Bench::new();
    let (ended, _) = bench.import("1,2,3,4,5,6,7\n", &["--as", "volume"]);
    let said = ended.expect(3);
    let words = "line 1: it has more fields than there are columns: 1,2,3,4,5,6,7";
    assert!(said.contains(words), "{said}");
}

#[test]
fn what_there_is_one_of_is_told_as_one() {
    let bench = Bench::new();
    let text = "131000000000000000,a,0,Read,0,4096,413\n131000000000000100,b,0,Read,0,4096,413\n\
                131000000200000000,b,0,Read,4096,4096,413\n";
    let options = ["--as", "host-disk", "--device", "b.0"];
    let told = bench.import(text, &options).0.success();
    assert!(
        told.contains("1 request\n") && told.contains("2 requests\n"),
        "{told}"
    );
    assert!(told.contains("10 ms or more: 1 time, "), "{told}");
    assert!(
        !told.contains("1 times") && !told.contains("1 requests"),
        "{told}"
    );
    fs::remove_file(bench.path("trace.parquet")).expect("it is there");
    let report = "Device tps kB_read/s kB_wrtn/s kB_dscd/s\nsda 1 4 0 0\n";
    let (ended, made) = bench.import(report, &["--as", "iostat"]);
    ended.success();
    let made = fs::read_to_string(made).expect("a workload");
    assert!(made.contains("from 1 report of iostat for sda"), "{made}");
    let idle = "Device tps kB_read/s kB_wrtn/s kB_dscd/s\nsda 0 0 0 0\n";
    fs::remove_file(bench.path("trace.parquet")).expect("it is there");
    let said = bench.import(idle, &["--as", "iostat"]).0.expect(3);
    assert!(
        said.contains("nothing was asked of sda in 1 report ("),
        "{said}"
    );
}

#[test]
fn what_exists_is_left_alone_by_every_command_which_says_what_to_do() {
    let bench = Bench::new();
    let there = bench.text("there", "of somebody");
    let there = shown(&there);
    let trace = bench.text("rows.csv", &rows(7));
    let import = [&["import", shown(&trace), "-o", there], &COLUMNS[..]].concat();
    let run = ["simulate", "tiny", "uniform write 4KiB 1-requests"];
    let mut commands = vec![import];
    for option in ["--events", "--record", "--report"] {
        commands.push([&run[..], &[option, there]].concat());
    }
    let image = bench.path("disk.img");
    let image = shown(&image);
    imbrex(&["create", image, "--profile", "tiny"]).success();
    let socket = format!("unix:{}", shown(&bench.path("nbd")));
    commands.push(vec!["serve", image, "--nbd", &socket, "--record", there]);
    for command in commands {
        let said = imbrex(&command).expect(4);
        let words = format!("{there} exists and is left alone; name another file or remove it");
        assert!(said.contains(&words), "{command:?}: {said}");
    }
    assert_eq!(
        fs::read_to_string(there).expect("it is there"),
        "of somebody"
    );
}
