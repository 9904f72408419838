//! Tests of pages and their figures: made of runs in virtual time, compared with what the runs say of
//! themselves; well-formed, closed to the outside, and safe from names.

use std::path::PathBuf;

use serde_json::json;
use tempfile::TempDir;

use super::{Report, make};
use crate::drive::job_record::JobRecord;
use crate::drive::request::{Breakdown, Completion, Operation};
use crate::host::recorder::Answered;
use crate::image::open;
use crate::lab::events::EventWriter;
use crate::lab::recording::RecordingWriter;
use crate::lab::simulation::{self, Observers};
use crate::lab::summary::Summary;
use crate::lab::workload::Workload;
use crate::medium::movement::RequestId;
use crate::profile::Profile;
use crate::report::error::ReportError;
use crate::report::gather::Material;
use crate::time::{Duration, Instant};

const BUSY: &str = "uniform 20%read 65%write 10%trim 5%flush 12KiB 1500-requests 8-under-way \
                    bursts-of-700 pause-3s then-drain";
const HOSTILE: &str = "<script>alert(\"1\")</script>&'";

/// A run and its files.
struct Run {
    folder: TempDir,
    summary: Summary,
}

impl Run {
    fn new(name: &str, words: &str) -> Run {
        let folder = TempDir::new().expect("a folder");
        let text = Profile::built_in("tiny").expect("it is shipped");
        let profile = Profile::from_toml("tiny", text).expect("it is valid");
        let mut workload = Workload::from_words(words).expect("the words are known");
        name.clone_into(&mut workload.name);
        let about = [
            ("profile", profile.to_toml()),
            ("drive_began", "new".to_owned()),
            ("workload", workload.name.clone()),
            ("seed", workload.seed.to_string()),
        ];
        let create = |name: &str| std::fs::File::create(folder.path().join(name)).expect("room");
        let mut jobs = EventWriter::new(create("jobs.parquet"), &about).expect("room");
        let mut requests = RecordingWriter::new(create("requests.parquet"), &about).expect("room");
        let drive = open::imagined(&profile).expect("it fits");
        let summary = simulation::run(
            drive,
            &workload,
            Observers {
                progress: &mut |_| {},
                jobs: Some(&mut |records: &mut Vec<JobRecord>| jobs.take(records)),
                answers: Some(&mut |answers: &[Answered]| requests.take(answers)),
            },
        )
        .expect("it runs");
        jobs.finish().expect("room");
        requests.finish().expect("room");
        let json = serde_json::to_string(&summary).expect("plain values");
        std::fs::write(folder.path().join("summary.json"), json).expect("room");
        Run { folder, summary }
    }

    fn files(&self, names: &[&str]) -> Vec<PathBuf> {
        names
            .iter()
            .map(|name| self.folder.path().join(name))
            .collect()
    }

    fn report(&self, names: &[&str]) -> Report {
        make(
            &Material::gather(&self.files(names)).expect("they are of one run"),
            None,
        )
    }
}

const ALL: [&str; 3] = ["requests.parquet", "jobs.parquet", "summary.json"];

/// The rows of a figure's CSV, by column.
struct Csv {
    head: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Csv {
    fn of(report: &Report, id: &str) -> Csv {
        let figure = report.figures.iter().find(|figure| figure.id() == id);
        let csv = figure.unwrap_or_else(|| panic!("no figure {id}")).csv();
        // No field of these has a comma.
        let mut lines = csv
            .lines()
            .map(|line| line.split(',').map(str::to_owned).collect());
        Csv {
            head: lines.next().expect("a head"),
            rows: lines.collect(),
        }
    }

    fn column(&self, name: &str) -> Vec<&str> {
        let at = self.head.iter().position(|known| known == name);
        let at = at.unwrap_or_else(|| panic!("no column {name} in {:?}", self.head));
        self.rows.iter().map(|row| row[at].as_str()).collect()
    }

    fn numbers(&self, name: &str) -> Vec<u64> {
        let parsed = self
            .column(name)
            .into_iter()
            .filter(|field| !field.is_empty());
        parsed
            .map(|field| field.parse().expect("a number"))
            .collect()
    }

    fn sum(&self, name: &str) -> u64 {
        self.numbers(name).iter().sum()
    }

    /// The sum of `name` in the rows that have `value` in `of`.
    fn sum_where(&self, of: &str, value: &str, name: &str) -> u64 {
        let chosen = self.column(of).into_iter().zip(self.numbers(name));
        chosen
            .filter(|(field, _)| *field == value)
            .map(|(_, number)| number)
            .sum()
    }
}

#[test]
fn the_data_of_requests_add_up_to_the_summary() {
    let run = Run::new("busy", BUSY);
    let report = run.report(&["requests.parquet"]);
    let summary = &run.summary;
    let series = &summary.over_time.buckets;
    let (read, written) = series.iter().fold((0, 0), |(read, written), bucket| {
        (read + bucket.read_bytes, written + bucket.written_bytes)
    });

    let over_time = Csv::of(&report, "over-time");
    assert_eq!(over_time.sum("answered"), summary.answered);
    assert_eq!(
        (over_time.sum("read_bytes"), over_time.sum("written_bytes")),
        (read, written)
    );
    let slowest = over_time.numbers("slowest_ns").into_iter().max();
    assert_eq!(slowest, Some(summary.slowest[0].took_ns));

    let places = Csv::of(&report, "places");
    assert_eq!(places.sum_where("what", "read", "bytes"), read);
    assert_eq!(places.sum_where("what", "written", "bytes"), written);

    let sizes = Csv::of(&report, "sizes");
    let latency = Csv::of(&report, "latency");
    for kind in &summary.operations {
        let median = latency
            .column("operation")
            .into_iter()
            .zip(latency.column("percent"));
        let at = median
            .clone()
            .position(|found| found == (kind.operation, "50"));
        assert_eq!(
            latency.numbers("took_ns")[at.expect("it occurs")],
            kind.p50_ns
        );
        if kind.operation != "flush" {
            let counted = sizes.sum_where("operation", kind.operation, "requests");
            assert_eq!(counted, kind.count, "{}", kind.operation);
        }
    }

    let parts = Csv::of(&report, "parts");
    let total: u64 = summary.causes.parts().iter().map(|(_, ns)| ns).sum();
    assert_eq!(parts.sum("ns"), total);
    assert_eq!(
        parts.sum_where("part", "waiting for room", "ns"),
        summary.causes.room_ns
    );
}

#[test]
fn the_data_of_jobs_add_up_to_the_summary() {
    let run = Run::new("busy", BUSY);
    let report = run.report(&["jobs.parquet"]);
    let summary = &run.summary;
    let purposes = Csv::of(&report, "purposes");
    for used in &summary.purposes {
        let of = |name| purposes.sum_where("purpose", used.purpose, name);
        assert_eq!(
            (of("arm_ns"), of("bytes")),
            (used.arm_ns, used.bytes),
            "{}",
            used.purpose
        );
    }
    let time: u64 = summary.purposes.iter().map(|used| used.arm_ns).sum();
    assert_eq!(Csv::of(&report, "arm").sum("arm_ns"), time);

    let fill = Csv::of(&report, "fill");
    let last = fill.numbers("staging_slots_used").last().copied();
    assert_eq!(last, Some(summary.status.staging_slots_used));
    assert!(
        fill.numbers("staging_slots_used_max").into_iter().max()
            <= Some(summary.status.staging_slots)
    );
}

#[test]
fn a_summary_alone_gives_the_same_sums() {
    let run = Run::new("busy", BUSY);
    let (alone, rows) = (run.report(&["summary.json"]), run.report(&ALL));
    for (id, column) in [
        ("over-time", "answered"),
        ("over-time", "read_bytes"),
        ("over-time", "written_bytes"),
        ("parts", "ns"),
        ("purposes", "arm_ns"),
        ("purposes", "bytes"),
    ] {
        let sums = [&alone, &rows].map(|report| Csv::of(report, id).sum(column));
        assert_eq!(sums[0], sums[1], "{column} of {id}");
        assert!(sums[0] > 0, "{column} of {id}");
    }
    assert!(alone.figures.iter().all(|figure| figure.id() != "arm"));
}

#[test]
fn the_same_files_give_the_same_page() {
    let run = Run::new("busy", BUSY);
    assert_eq!(run.report(&ALL), run.report(&ALL));
}

/// Elements that HTML does not close.
const VOID: [&str; 4] = ["meta", "link", "input", "br"];

/// Insists that elements are closed in the order in which they were opened, and that attributes are
/// quoted; hands back how many elements there are. Does not look into scripts and styles.
fn well_formed(text: &str) -> usize {
    let mut open: Vec<&str> = Vec::new();
    let mut elements = 0;
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        let content = &rest[..at];
        assert!(!content.contains('>'), "a bare > in {content:?}");
        rest = &rest[at + 1..];
        if rest.starts_with('!') {
            rest = rest.split_once('>').expect("it ends").1;
            continue;
        }
        let mut quoted = false;
        let end = rest.find(|c| {
            quoted ^= c == '"';
            c == '>' && !quoted
        });
        let tag = &rest[..end.expect("a tag ends")];
        rest = &rest[tag.len() + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "closed in another order");
            continue;
        }
        elements += 1;
        let name = tag.split([' ', '\n', '/']).next().expect("a name");
        assert!(
            name.chars().all(|c| c.is_ascii_alphanumeric()),
            "element {name:?}"
        );
        assert!(!tag[name.len()..].contains('<'), "an open tag: {tag}");
        if !tag.ends_with('/') && !VOID.contains(&name) {
            if matches!(name, "script" | "style") {
                rest = &rest[rest.find(&format!("</{name}>")).expect("it ends")..];
            }
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    elements
}

#[test]
fn pages_and_figures_are_well_formed_whatever_names_say() {
    let run = Run::new(HOSTILE, BUSY);
    let report = run.report(&ALL);
    assert!(well_formed(&report.html) > 500);
    assert!(
        !report.html.contains("<script>alert"),
        "a name became a script"
    );
    assert!(
        report
            .html
            .contains("&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;&amp;&#39;")
    );
    assert_eq!(report.figures.len(), 8);
    for figure in &report.figures {
        let svg = figure.svg();
        assert!(well_formed(&svg) > 20, "{}", figure.id());
        assert!(svg.starts_with("<svg xmlns="), "{}", figure.id());
        assert!(svg.contains("<title") && svg.contains("<desc") && svg.contains("role=\"img\""));
        assert!(!svg.contains("var(--"), "{} needs a page", figure.id());
    }
}

#[test]
fn a_tag_left_open_is_noticed() {
    for text in ["<p><b></p></b>", "<p>", "<p>a > b</p>"] {
        let checked = std::panic::catch_unwind(|| well_formed(text));
        assert!(checked.is_err(), "{text}");
    }
    assert_eq!(well_formed("<p a=\"b > c\">d<br>e</p>"), 2);
}

#[test]
fn a_page_names_nothing_outside_of_itself() {
    let run = Run::new("busy", BUSY);
    let html = run.report(&ALL).html;
    let own = html.replace("http://www.w3.org/2000/svg", "");
    for word in ["http:", "https:", "src=", "@import", "url(", "href=\"/"] {
        assert!(!own.contains(word), "{word}");
    }
    assert!(own.contains("default-src 'none'"));
}

#[test]
fn every_figure_is_named_and_has_its_data_as_a_table() {
    let run = Run::new("busy", BUSY);
    let html = run.report(&ALL).html;
    let parts: Vec<&str> = html.split("<section ").skip(2).collect();
    assert_eq!(parts.len(), 8);
    for part in parts {
        for needed in [
            "<h2",
            "role=\"img\"",
            "<title",
            "<desc",
            "<figcaption>",
            "<caption>",
            "scope=\"col\"",
        ] {
            assert!(part.contains(needed), "no {needed} in {}", &part[..80]);
        }
    }
}

#[test]
fn the_document_names_every_column() {
    let document = include_str!("../../../docs/report.md");
    let named = |id: &str, csv: &str| {
        let row = document
            .lines()
            .find(|line| line.starts_with(&format!("| `{id}` |")));
        let row = row.unwrap_or_else(|| panic!("no row for {id}"));
        for column in csv.lines().next().expect("a head").split(',') {
            assert!(row.contains(&format!("`{column}`")), "{column} of {id}");
        }
    };
    let report = Run::new("busy", BUSY).report(&ALL);
    report
        .figures
        .iter()
        .for_each(|figure| named(figure.id(), &figure.csv()));
    let folder = TempDir::new().expect("a folder");
    let path = written(&folder, "m.jsonl", matrix("w").as_bytes());
    let report = make(&Material::gather(&[path]).expect("it is one"), None);
    named("matrix", &report.grid.expect("a matrix has a table"));
}

#[test]
fn a_run_without_requests_gives_a_page_all_the_same() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("none.parquet");
    let file = std::fs::File::create(&path).expect("room");
    RecordingWriter::new(file, &[])
        .expect("room")
        .finish()
        .expect("room");
    let report = make(&Material::gather(&[path]).expect("it is one"), None);
    assert!(report.figures.is_empty());
    assert!(report.html.contains("nothing to draw"));
    well_formed(&report.html);
}

#[test]
fn lag_of_the_machine_is_told_before_everything_else() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("served.parquet");
    let served = |lag: u64| Answered {
        completion: Completion {
            request: RequestId(lag),
            operation: Operation::Read,
            offset: 0,
            bytes: 4096,
            arrived: Instant(lag),
            due: Instant(lag + 10_000_000),
            needs: None,
            breakdown: Breakdown {
                seek: Duration::from_ms(10),
                ..Breakdown::default()
            },
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        },
        lag: Duration(lag),
    };
    let file = std::fs::File::create(&path).expect("room");
    let mut writer = RecordingWriter::new(file, &[]).expect("room");
    // One that is not noticed, and one that is.
    writer
        .take(&[served(900_000), served(700_000_000)])
        .expect("room");
    writer.finish().expect("room");
    let report = make(&Material::gather(&[path]).expect("it is one"), None);
    let words = "<strong>Attention:</strong> RESULTS ARE AFFECTED: 1 of 2 answers";
    assert!(report.html.contains(words));
    assert!(report.html.contains("<td>lag of the machine</td>"));
    assert_eq!(Csv::of(&report, "over-time").sum("late"), 1);
    assert_eq!(
        Csv::of(&report, "parts").sum_where("part", "lag of the machine", "ns"),
        700_000_000
    );
}

#[test]
fn files_of_different_runs_are_not_joined() {
    let (one, other) = (Run::new("one", BUSY), Run::new("other", BUSY));
    let mixed = [
        one.files(&["requests.parquet"]),
        other.files(&["jobs.parquet"]),
    ]
    .concat();
    let error = Material::gather(&mixed).expect_err("they are of different runs");
    assert!(
        matches!(
            error,
            ReportError::DifferentRuns {
                what: "workload",
                ..
            }
        ),
        "{error}"
    );
    let twice = one.files(&["jobs.parquet", "jobs.parquet"]);
    let error = Material::gather(&twice).expect_err("the same twice");
    assert!(matches!(error, ReportError::Twice { .. }), "{error}");
}

fn written(folder: &TempDir, name: &str, content: &[u8]) -> PathBuf {
    let path = folder.path().join(name);
    std::fs::write(&path, content).expect("room");
    path
}

#[test]
fn what_is_no_material_is_refused_by_name() {
    let folder = TempDir::new().expect("a folder");
    let contents: [&[u8]; 6] = [
        b"",
        b"\xff\xfe\x00",
        b"hello",
        b"{\"answered\": 3}",
        b"{\"over_time\": 3}",
        b"PAR1 and then nothing",
    ];
    for (at, content) in contents.iter().enumerate() {
        let path = written(&folder, &format!("file-{at}"), content);
        let error = Material::gather(std::slice::from_ref(&path)).expect_err("it is none");
        assert!(
            error.to_string().contains(&path.display().to_string()),
            "{error}"
        );
    }
    let error = Material::gather(&[folder.path().join("missing")]).expect_err("it is not there");
    assert!(matches!(error, ReportError::Read { .. }), "{error}");
}

fn matrix(workload: &str) -> String {
    let head = json!({"kind": "imbrex-matrix", "version": 1, "name": "sweep"});
    let cell = |number: u64, outcome: &str| {
        json!({
            "cell": number, "profile": "tiny", "start": "new", "workload": workload, "seed": 1,
            "changes": ["staging.bytes=10GiB"], "outcome": outcome,
            "assertions": [{"what": "write p99 <= 40 ms", "measured": "52.3 ms", "holds": false}],
            "figures": {"write_p99_ns": 52_300_000 * number, "fresh_bytes": 1024, "odd": "word"},
            "took_ms": 3,
        })
    };
    let lines = [
        head,
        cell(1, "passed"),
        cell(2, "failed"),
        cell(3, "invalid"),
        cell(4, "rig-fault"),
    ];
    lines.map(|line| format!("{line}\n")).concat()
}

#[test]
fn cells_of_a_matrix_say_how_they_ended_by_sign_and_word() {
    let folder = TempDir::new().expect("a folder");
    let path = written(&folder, "m.jsonl", matrix(HOSTILE).as_bytes());
    let report = make(&Material::gather(&[path]).expect("it is one"), None);
    let html = &report.html;
    well_formed(html);
    for shown in [
        "\u{2713}</span> passed",
        "\u{2717}</span> failed",
        "?</span> invalid",
        "!</span> rig-fault",
        "broken: write p99 &lt;= 40 ms (52.3 ms)",
        "<th scope=\"col\">write p99</th>",
        "52.3 ms</td>",
        "1.02 kB</td>",
        "4 cells: 1 failed, 1 invalid, 1 passed, 1 rig-fault. Failed: 2.",
    ] {
        assert!(html.contains(shown), "{shown}");
    }
    assert!(!html.contains("<script>alert"));
    let csv = report.grid.expect("a matrix has a table");
    let line = csv
        .lines()
        .find(|line| line.ends_with("write_p99_ns,104600000"));
    assert!(
        line.is_some_and(|line| line.starts_with("2,failed,tiny,new,")),
        "{csv}"
    );
}

#[test]
fn the_first_failed_cells_of_many_are_named_and_the_others_counted() {
    let cell = |number: u64| json!({"cell": number, "outcome": "failed"});
    let head = json!({"kind": "imbrex-matrix", "version": 1, "name": "sweep"});
    let lines: Vec<String> = std::iter::once(head)
        .chain((1..=23).map(cell))
        .map(|line| format!("{line}\n"))
        .collect();
    let folder = TempDir::new().expect("a folder");
    let path = written(&folder, "m.jsonl", lines.concat().as_bytes());
    let html = make(&Material::gather(&[path]).expect("it is one"), None).html;
    assert!(html.contains("23 cells: 23 failed. Failed: 1, 2, 3,"));
    assert!(html.contains(", 19, 20 and 3 more."));
}

#[test]
fn a_title_is_what_was_run_or_what_is_asked_for() {
    let run = Run::new("busy", BUSY);
    let material = Material::gather(&run.files(&["requests.parquet"])).expect("it is one");
    assert!(make(&material, None).html.contains("<h1>busy on tiny</h1>"));
    assert!(
        make(&material, Some("a < b"))
            .html
            .contains("<h1>a &lt; b</h1>")
    );
}

#[test]
fn what_a_page_tells_one_of_is_not_in_the_plural() {
    let run = Run::new("one", "uniform write 4KiB 1-requests then-drain");
    let mut pages = vec![
        run.report(&ALL).html,
        run.report(&["requests.parquet"]).html,
    ];
    let cell = json!({"cell": 1, "outcome": "passed"});
    let head = json!({"kind": "imbrex-matrix", "version": 1, "name": "sweep"});
    let text = format!("{head}\n{cell}\n");
    let path = written(&run.folder, "m.jsonl", text.as_bytes());
    let matrix = Material::gather(&[path]).expect("it is one");
    pages.push(make(&matrix, None).html);
    for page in &pages {
        for plural in [
            "requests", "tracks", "parts", "cells", "answers", "times", "files",
        ] {
            let plural = format!(" {plural}");
            let before = page.split(&plural);
            // All but the last are followed by it.
            let mut before: Vec<&str> = before.collect();
            before.pop();
            for words in before {
                let number = words
                    .rsplit(|c: char| !c.is_ascii_digit() && c != ',')
                    .next();
                assert_ne!(number, Some("1"), "1{plural}");
            }
        }
    }
    for words in ["1 request ", "by 1 track.", "1 cell: ", "the only answer"] {
        assert!(pages.iter().any(|page| page.contains(words)), "{words}");
    }
}
