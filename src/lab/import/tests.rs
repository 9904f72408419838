//! Tests of importers, on text of the real tools (`tests/fixtures/traces/README.md` says how it was
//! made) and on lines of published layouts.

use std::io::Cursor;

use super::table::Columns;
use super::{
    BadLines, Event, Format, Hide, ImportError, Key, Lines, Options, TimeUnit, import, rates,
};
use crate::drive::request::Operation;
use crate::lab::import::report::Report;
use crate::lab::recording::{Recorded, Recording, RecordingWriter};
use crate::lab::workload::{Arrivals, Workload};
use crate::time::{Duration, Instant};

const READ: Operation = Operation::Read;
const WRITE: Operation = Operation::Write { fua: false };
const FUA: Operation = Operation::Write { fua: true };

fn fixture(name: &str) -> String {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/traces/");
    std::fs::read_to_string(format!("{folder}{name}")).expect("the fixture is there")
}

fn options(format: Format) -> Options {
    Options {
        format,
        device: None,
        bad_lines: BadLines::Skip,
        bad_shown: 3,
        hide: None,
    }
}

fn imported(text: &str, options: &Options) -> Result<(Report, Vec<Recorded>), ImportError> {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let path = folder.path().join("trace.parquet");
    let file = std::fs::File::create(&path).expect("a new file");
    let to = RecordingWriter::new(file, &[]).expect("it begins");
    let mut lines = Lines::of(Cursor::new(text.to_owned().into_bytes())).expect("memory");
    let report = import(&mut lines, options, to)?;
    let recording = Recording::read(&path).expect("it can be read back");
    assert_eq!(
        report.requests,
        crate::units::count(recording.requests.len())
    );
    Ok((report, recording.requests))
}

/// Microseconds, operation, offset and bytes.
type Essence = (u64, Operation, u64, u64);

fn essence(requests: &[Recorded]) -> Vec<Essence> {
    let one = |r: &Recorded| {
        let wanted = r.wanted;
        (
            r.arrived.0 / 1000,
            wanted.operation,
            wanted.offset,
            wanted.bytes,
        )
    };
    requests.iter().map(one).collect()
}

#[test]
fn what_was_queued_is_read_from_text_of_blkparse() {
    let text = fixture("blkparse.txt");
    let (report, requests) =
        imported(&text, &options(Format::Blkparse(Event::Queued))).expect("a trace");
    // What fio was told: ten requests with a flush after each four, two synchronous writes (that fio
    // ends with a flush of its own), a discard; zeroes are shown as a write.
    let count = |wanted: &dyn Fn(&Operation) -> bool| {
        requests
            .iter()
            .filter(|r| wanted(&r.wanted.operation))
            .count()
    };
    let data = count(&|o| *o == READ || *o == WRITE);
    assert_eq!(data, 10 + 1);
    assert_eq!(count(&|o| *o == FUA), 2);
    assert_eq!(count(&|o| *o == Operation::Trim), 1);
    let trim = requests
        .iter()
        .find(|r| r.wanted.operation == Operation::Trim);
    let trim = trim.expect("one").wanted;
    assert_eq!((trim.offset, trim.bytes), (1 << 20, 256 << 10));
    let zeroed = requests.last().expect("some").wanted;
    assert_eq!((zeroed.offset, zeroed.bytes), (2 << 20, 64 << 10));
    let sizes = requests.iter().filter(|r| r.wanted.operation == READ);
    assert!(sizes.clone().count() > 0);
    assert!(
        sizes
            .map(|r| r.wanted.bytes)
            .all(|bytes| (4096..=16384).contains(&bytes))
    );
    assert_eq!(report.bad.len(), 0, "{report}");
    assert_eq!(report.drives, [("7,0".to_owned(), report.requests)]);
    assert!(report.aside["the tool's own summary"] > 10);
    assert!(!report.answers_known);
}

#[test]
fn every_event_of_a_request_can_be_chosen() {
    let text = fixture("blkparse.txt");
    let of = |event| {
        imported(&text, &options(Format::Blkparse(event)))
            .expect("a trace")
            .1
    };
    let writes = |event| {
        let requests = of(event);
        let all = requests
            .iter()
            .filter(|r| r.wanted.operation == WRITE || r.wanted.operation == FUA);
        all.map(|r| r.wanted.offset)
            .collect::<std::collections::BTreeSet<_>>()
    };
    // What was queued went to the drive.
    assert!(writes(Event::Issued).is_superset(&writes(Event::Queued)));
    assert!(writes(Event::Completed).is_superset(&writes(Event::Queued)));
    assert!(of(Event::Inserted).len() < of(Event::Queued).len());
    let queued = of(Event::Queued);
    assert_eq!(queued[0].arrived, Instant(0));
}

#[test]
fn letters_of_blkparse_mean_flushes_before_and_fua_after() {
    let text = "  8,0 0 1 1.000000000 1 Q FWFSM 8 + 16 [x]\n  8,0 0 2 1.000001000 1 Q RAM 0 + 1 [x]\n\
                  8,0 0 3 1.000002000 1 Q FN [x]\n  8,0 0 4 1.000003000 1 Q WS [x]\n\
                  8,16 0 5 1.000004000 1 Q DS 9 + 9 [x]\n  8,0 0 6 0.5x 1 Q W 8 + 8 [x]\n";
    let mut wanted = options(Format::Blkparse(Event::Queued));
    let (report, requests) = imported(text, &wanted).expect("a trace");
    let expected = [
        (0, Operation::Flush, 0, 0),
        (0, FUA, 4096, 8192),
        (1, READ, 0, 512),
        (2, Operation::Flush, 0, 0),
    ];
    assert_eq!(essence(&requests), expected);
    assert_eq!(report.bad["it names no sectors"], 1);
    assert_eq!(report.aside["of another drive"], 1);
    let lines: Vec<u64> = report.first_bad.iter().map(|bad| bad.line).collect();
    assert_eq!(lines, [4, 6]);
    wanted.device = Some("8,16".to_owned());
    let (_, requests) = imported(text, &wanted).expect("a trace");
    assert_eq!(essence(&requests), [(0, Operation::Trim, 9 * 512, 9 * 512)]);
    wanted.bad_lines = BadLines::Stop;
    let refused = imported(text, &wanted).expect_err("line 6 makes no sense");
    assert!(
        refused.to_string().starts_with("line 6: not a line"),
        "{refused}"
    );
}

#[test]
fn both_versions_of_a_log_of_fio_say_the_same() {
    let three = imported(
        &fixture("fio-v3.log"),
        &options(Format::FioLog(TimeUnit::Microseconds)),
    );
    let (report, three) = three.expect("a log");
    assert_eq!(three.len(), 13, "12 requests and a flush: {report}");
    let first = [
        (0, WRITE, 4_046_848, 8192),
        (9_646 - 142, READ, 49_676_288, 16384),
    ];
    assert_eq!(essence(&three)[..2], first);
    let flushes = three
        .iter()
        .filter(|r| r.wanted.operation == Operation::Flush);
    assert_eq!(flushes.count(), 1);
    let (_, two) = imported(
        &fixture("fio-v2.log"),
        &options(Format::FioLog(TimeUnit::Microseconds)),
    )
    .expect("a log");
    assert_eq!(essence(&two), essence(&three));
    let trims = imported(
        &fixture("fio-v3-trim.log"),
        &options(Format::FioLog(TimeUnit::Microseconds)),
    );
    let (report, _) = trims.expect("a log");
    let kinds: Vec<(&str, u64, u64)> = report
        .operations
        .iter()
        .map(|kind| (kind.operation, kind.requests, kind.sequential))
        .collect();
    assert_eq!(kinds, [("write", 6, 5), ("trim", 6, 5)]);
}

#[test]
fn a_unit_that_looks_wrong_is_warned_of() {
    let text = fixture("fio-v3.log");
    let warned = |unit| {
        let (report, requests) = imported(&text, &options(Format::FioLog(unit))).expect("a log");
        (
            report.warnings.join(" "),
            requests.last().expect("some").arrived,
        )
    };
    let (quiet, last) = warned(TimeUnit::Microseconds);
    assert_eq!((quiet.as_str(), last), ("", Instant((83_645 - 142) * 1000)));
    assert!(
        warned(TimeUnit::Nanoseconds)
            .0
            .contains("larger than was said")
    );
    assert!(
        warned(TimeUnit::Seconds)
            .0
            .contains("smaller than was said")
    );
    let untimed: String = fixture("fio-v2.log")
        .lines()
        .filter(|line| !line.contains("wait"))
        .fold(String::new(), |all, line| all + line + "\n");
    let (report, _) =
        imported(&untimed, &options(Format::FioLog(TimeUnit::Microseconds))).expect("a log");
    assert!(report.warnings[0].contains("no times"), "{report}");
}

/// Lines in the layout that came with the block traces of "Write Off-Loading: Practical Power Management
/// for Enterprise Storage" (FAST 2008), by the README that describes it; the numbers are ours.
const HOST_DISK: &str = "131000000000000000,pool,1,Read,734003200,16384,413\n\
    131000000013320526,pool,1,Write,52432896,4096,1510\n\
    131000000013320471,pool,1,Write,52436992,4096,900\n\
    131000000023320616,pool,0,Read,0,512,1\n\
    131000000033320616,pool,1,Scrub,0,512,1\n";

#[test]
fn the_layout_with_hosts_and_disks_is_read_in_order_of_time() {
    let (report, requests) =
        imported(HOST_DISK, &options(Format::Table(Columns::host_disk()))).expect("a trace");
    let expected = [
        (0, READ, 734_003_200, 16384),
        (1_332_047, WRITE, 52_436_992, 4096),
        (1_332_052, WRITE, 52_432_896, 4096),
    ];
    assert_eq!(essence(&requests), expected);
    let took: Vec<u64> = requests.iter().map(|r| r.due.since(r.arrived).0).collect();
    assert_eq!(took, [41_300, 90_000, 151_000]);
    assert!(report.answers_known && report.warnings[0].contains("1 line behind later ones"));
    assert_eq!(report.bad["its operation is not known"], 1);
    let drives = [("pool.0".to_owned(), 1), ("pool.1".to_owned(), 3)];
    assert_eq!(report.drives, drives);
    assert_eq!(report.drive.as_deref(), Some("pool.1"));
    assert_eq!(report.gaps[2].count, 1, "{report}");
}

#[test]
fn the_layout_with_volumes_counts_sectors_and_seconds() {
    // In the layout of the traces of "OSCA: An Online-Model Based Cache Allocation Scheme in Cloud Block
    // Storage Systems" (USENIX ATC 2020), by the README that describes it; the numbers are ours.
    let text = "1600000000,7340032,128,0,17\n1600000000,524288,8,1,17\n1600000001,1,8,1,23\n\
                1600000002,524296,8,1,17\n";
    let (report, requests) =
        imported(text, &options(Format::Table(Columns::volume()))).expect("a trace");
    let expected = [
        (0, READ, 7_340_032 * 512, 65536),
        (0, WRITE, 524_288 * 512, 4096),
        (2_000_000, WRITE, 524_296 * 512, 4096),
    ];
    assert_eq!(essence(&requests), expected);
    assert_eq!(report.aside["of another drive"], 1);
    assert_eq!(report.operations[1].sequential, 1);
}

#[test]
fn a_table_is_read_by_the_names_of_its_columns() {
    let columns = "time=when:ms,op=kind,offset=lba:sectors,bytes=pages:pages,took=lat:us";
    let columns = Columns::parse(columns).expect("it is complete");
    // As a spreadsheet writes it, with a byte-order mark.
    let text = "\u{feff}kind;\"lba\";extra;when;pages;lat\nW;8;x;10.5;1;20\nflush;;;11;;3\n\"r\";16;y;12;2;7\nr;16\n\
        W;8;x;10.5;1;20;99\n\"W;8;x;10.5;1;20\n";
    let (report, requests) = imported(text, &options(Format::Table(columns))).expect("a table");
    let expected = [
        (0, WRITE, 4096, 4096),
        (500, Operation::Flush, 0, 0),
        (1_500, READ, 8192, 8192),
    ];
    assert_eq!(essence(&requests), expected);
    assert_eq!(requests[0].due, Instant(20_000));
    assert_eq!(report.columns_unread, ["extra"]);
    let bad = report.first_bad.iter().map(|bad| (bad.line, bad.why));
    let expected = [
        (5, "it has too few fields"),
        (6, "it has more fields than there are columns"),
        (7, "a quote that is not closed in its line"),
    ];
    assert_eq!(bad.collect::<Vec<_>>(), expected);
    for (wrong, what) in [
        ("time=a:us,op=b,offset=c", "bytes is missing"),
        ("time=a,op=b,offset=c,bytes=d", "of time is not a time's"),
        (
            "time=a:us,op=b,offset=c:miles,bytes=d",
            "of offset is not a size's",
        ),
        ("when=a:us", "\"when\" is not known"),
        ("op=a,op=b", "op is there twice"),
    ] {
        let told = Columns::parse(wrong).expect_err(wrong).to_string();
        assert!(told.contains(what), "{told}");
    }
}

#[test]
fn a_head_that_does_not_say_where_the_columns_are_is_refused_with_what_it_says() {
    let columns = Columns::parse("time=t:ms,op=op,offset=at,bytes=n").expect("complete");
    for (text, words) in [
        (
            "t,op,at,n,at\n",
            "names \"at\" twice, as column 3 and column 5",
        ),
        (
            "t,op,at,size\n",
            "names no column \"n\", but t, op, at, size",
        ),
        (
            "t,op,\"at,n\n",
            "its first line: character 6: a quote that is not closed",
        ),
        ("t op at n\n", "parted by no comma, semicolon or tab"),
    ] {
        let format = Format::Table(columns.clone());
        let told = imported(text, &options(format))
            .expect_err(text)
            .to_string();
        assert!(told.starts_with("line 1") && told.contains(words), "{told}");
    }
    // What is named twice and not asked for does no harm.
    let text = "t,op,at,n,x,x\n1,r,0,4096,1,2\n";
    let (_, requests) = imported(text, &options(Format::Table(columns))).expect("a table");
    assert_eq!(requests.len(), 1);
}

#[test]
fn more_fields_than_a_format_has_make_no_sense() {
    let text = "1000,host,0,Read,0,4096,10\n2000,host,0,Read,0,4096,10,7\n";
    let format = Format::Table(Columns::host_disk());
    let (report, requests) = imported(text, &options(format)).expect("a trace");
    assert_eq!(requests.len(), 1);
    assert_eq!(report.first_bad[0].line, 2);
}

#[test]
fn text_of_another_kind_is_refused() {
    let fio = Format::FioLog(TimeUnit::Microseconds);
    for (text, format) in [
        (fixture("blkparse.txt"), fio.clone()),
        (HOST_DISK.to_owned(), fio.clone()),
        (fixture("fio-v3.log"), Format::Blkparse(Event::Queued)),
        (fixture("iostat-x.txt"), Format::Table(Columns::host_disk())),
        (String::new(), fio),
    ] {
        let refused = imported(&text, &options(format)).expect_err("something else");
        let known = matches!(
            refused,
            ImportError::OtherText { .. } | ImportError::Empty { .. }
        );
        assert!(known, "{refused}");
    }
}

/// Text that goes on and on.
struct Endless(&'static [u8], usize);

impl std::io::Read for Endless {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        for byte in &mut *into {
            *byte = self.0[self.1];
            self.1 = (self.1 + 1) % self.0.len();
        }
        Ok(into.len())
    }
}

#[test]
fn text_without_end_in_which_nothing_makes_sense_is_given_up() {
    let volume = || Format::Table(Columns::volume());
    let given_up = |text: &'static [u8], format: Format| {
        let mut lines = Lines::of(Endless(text, 0)).expect("it may be text");
        let to = RecordingWriter::new(std::io::sink(), &[]).expect("it begins");
        import(&mut lines, &options(format), to).expect_err("nothing in it makes sense")
    };
    let blkparse = || Format::Blkparse(Event::Queued);
    // A head or a summary alone is no trace either.
    for (text, format) in [
        (&b"8,0 makes no sense as it stands here\n"[..], blkparse()),
        (b"CPU0 is the beginning of a summary\n", blkparse()),
        (b"a line, of three, fields\n", volume()),
        (b"                              \n", volume()),
    ] {
        let told = given_up(text, format);
        assert!(matches!(told, ImportError::Senseless { .. }), "{told}");
    }
    let told = given_up(b"x", blkparse());
    assert!(matches!(told, ImportError::Endless { line: 1 }), "{told}");
}

#[test]
fn what_makes_no_sense_after_a_request_is_counted_however_much_it_is() {
    use std::io::Read as _;
    let sense = b"1000,host,0,Read,0,4096,10\n";
    let rest = b"without sense without sense without sense without sense without\n";
    // Twice as much as is looked at where nothing makes sense.
    let much = Endless(rest, 0).take(1 << 27);
    let text = Cursor::new(sense).chain(much).chain(Cursor::new(sense));
    let mut lines = Lines::of(text).expect("it is text");
    let to = RecordingWriter::new(std::io::sink(), &[]).expect("it begins");
    let format = Format::Table(Columns::host_disk());
    let report = import(&mut lines, &options(format), to).expect("a trace");
    assert_eq!(report.requests, 2);
    assert_eq!(report.bad["it has too few fields"], 1 << 21);
}

#[test]
fn a_drive_that_is_not_in_a_trace_is_refused_with_those_that_are() {
    let text = "1000,host,0,Read,0,4096,10\n1000,host,1,Read,0,4096,10\n";
    let mut wanted = options(Format::Table(Columns::host_disk()));
    wanted.device = Some("host.2".to_owned());
    let told = imported(text, &wanted)
        .expect_err("no such drive")
        .to_string();
    assert!(
        told.contains("of the drive host.2 (there are host.0, host.1)"),
        "{told}"
    );
}

#[test]
fn hidden_offsets_keep_sizes_times_and_what_is_near() {
    let columns = Format::Table(Columns::volume());
    let row = |n: u64| format!("{},{},8,1,7\n", 1_000_000 + n, (n * 37 % 4096) * 8);
    let text: String = (0..500).map(row).collect();
    let mut wanted = options(columns);
    let (_, plain) = imported(&text, &wanted).expect("a trace");
    let piece_bytes = 1 << 20;
    wanted.hide = Some(Hide {
        drive_bytes: 16 << 20,
        piece_bytes,
        key: Key::new(5),
    });
    let (_, hidden) = imported(&text, &wanted).expect("a trace");
    let mut moved = 0;
    for (was, is) in plain.iter().zip(&hidden) {
        assert_eq!(
            (was.arrived, was.wanted.bytes),
            (is.arrived, is.wanted.bytes)
        );
        assert_eq!(
            was.wanted.offset % piece_bytes,
            is.wanted.offset % piece_bytes
        );
        moved += u64::from(was.wanted.offset != is.wanted.offset);
    }
    assert!(moved > 250, "{moved}");
    wanted.hide = Some(Hide {
        drive_bytes: 8 << 20,
        piece_bytes,
        key: Key::new(5),
    });
    let (report, _) = imported(&text, &wanted).expect("half of it");
    assert!(report.bad["beyond the size of the drive that was given"] > 200);
}

/// Fuzzing found a name with a control character in a report's line.
#[test]
fn a_drive_of_any_name_becomes_a_workload_that_can_be_read() {
    let name = "sd\u{1}\u{7f}ä#\"";
    let text = format!("Device tps kB_read/s kB_wrtn/s kB_dscd/s\n{name} 18.75 430.69 586.18 0\n");
    let made = rates::workload(&text, Some(name), None).expect("rates");
    Workload::from_toml("made", &made.toml).expect("a workload");
    assert!(made.toml.contains(r"sd\u{1}\u{7f}ä#"), "{}", made.toml);
}

#[test]
fn rates_become_a_workload_that_says_it_is_synthetic() {
    // fio was held to 60 reads and 140 writes of 8 KiB a second.
    for name in ["iostat-x.txt", "iostat-x.json", "iostat-d-t.txt"] {
        let made = rates::workload(&fixture(name), None, None).expect("rates");
        assert_eq!((made.drive.as_str(), made.reports), ("loop0", 3), "{name}");
        let told = match name {
            "iostat-d-t.txt" => rates::IntervalFrom::Times,
            _ => rates::IntervalFrom::Assumed,
        };
        assert_eq!(
            (made.interval_ns, made.interval_from),
            (1_000_000_000, told),
            "{name}"
        );
        assert!(made.toml.starts_with("# SYNTHETIC"), "{}", made.toml);
        let workload = Workload::from_toml(name, &made.toml).expect("a workload");
        assert!(workload.name.starts_with("synthetic"));
        assert_eq!(workload.limits.duration, Some(Duration::from_s(3)));
        for (stream, rate) in workload.streams.iter().zip([60_000, 140_000]) {
            let Arrivals::Open { per_s_milli, .. } = stream.arrivals else {
                panic!("{stream:?}");
            };
            // The first second was cut short, and sizes are rounded to 0.01 KiB.
            assert!(
                per_s_milli.abs_diff(rate) < rate / 50,
                "{name}: {per_s_milli}"
            );
            assert!(
                stream.sizes[0].bytes.abs_diff(8192) <= 512,
                "{name}: {stream:?}"
            );
            assert_eq!(stream.day.as_ref().map(|day| day.parts.len()), Some(3));
        }
        assert_eq!(workload.streams.len(), 2, "{name}");
    }
    let none = rates::workload(&fixture("fio-v3.log"), None, None).expect_err("no rates");
    assert_eq!(none, rates::RatesError::NoReport);
    let other =
        rates::workload(&fixture("iostat-x.txt"), Some("sdz"), None).expect_err("no such drive");
    assert!(other.to_string().contains("there are: loop0"), "{other}");
}

#[test]
fn reports_last_as_long_as_their_times_say_and_a_drive_is_no_loop_device_where_there_is_another() {
    let text = ["09:59:50 AM", "09:59:55 AM", "10:00:00 AM"].map(|time| {
        format!(
            "11/25/26 {time}\nDevice tps kB_read/s kB_wrtn/s kB_dscd/s\nloop0 5 1 2 0\nzram1 1 1 1 0\n\
             sda 10 40 0 0\nsdb 10 40 0 0\n\n"
        )
    });
    let text = text.concat();
    let report = |second: &str| {
        let of = |name| format!("{{\"disk_device\": \"{name}\", \"tps\": 1, \"kB_read/s\": 4}}");
        let (ram, real) = (of("ram0"), of("sda"));
        format!("{{\"timestamp\": \"11/25/26 15:00:{second}\", \"disk\": [{ram}, {real}]}}")
    };
    let reports = ["40", "45", "50"].map(report).join(",");
    let json = format!("{{\"sysstat\": {{\"hosts\": [{{\"statistics\": [{reports}]}}]}}}}");
    for text in [text.as_str(), json.as_str()] {
        let made = rates::workload(text, None, None).expect("rates");
        assert_eq!((made.drive.as_str(), made.reports), ("sda", 2));
        assert_eq!(made.interval_from, rates::IntervalFrom::Times);
        let workload = Workload::from_toml("made", &made.toml).expect("a workload");
        assert_eq!(workload.limits.duration, Some(Duration::from_s(10)));
        let given = rates::workload(text, None, Some(2_000_000_000)).expect("rates");
        assert_eq!(given.interval_from, rates::IntervalFrom::Given);
        assert_eq!(given.interval_ns, 2_000_000_000);
    }
    let only = "Device tps kB_read/s kB_wrtn/s kB_dscd/s\nloop0 5 1 2 0\n";
    let made = rates::workload(only, None, None).expect("rates");
    assert_eq!(made.drive, "loop0");
}

#[test]
fn a_time_that_no_recording_holds_is_passed_over() {
    let text = "1000,host,0,Read,0,4096,10\n\
                100000000000000000,host,0,Write,4096,4096,10\n\
                2000,host,0,Write,8192,4096,10\n";
    let options = options(Format::Table(super::table::Columns::host_disk()));
    let (report, requests) = imported(text, &options).expect("a trace");
    assert_eq!(requests.len(), 2);
    assert_eq!(report.bad.values().sum::<u64>(), 1, "{:?}", report.bad);
    assert_eq!(report.first_bad[0].line, 2);
}
