//! Pages of reports in a real browser: each kind loads without a complaint, the script sorts and filters,
//! nothing is asked of the network; and the command that makes them spares what exists.
//!
//! The browser is Debian's chromium without a window. What it writes to its console fails a test.

mod nbd_client;
mod program;

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::program::{imbrex, tool};

const WORKLOAD: &str = "uniform 20%read 65%write 10%trim 5%flush 12KiB 1500-requests 8-under-way \
                        bursts-of-700 pause-3s then-drain";

/// A page as the browser sees it.
struct Seen {
    /// Once its scripts are done.
    dom: String,
    /// What the console says.
    complaints: Vec<String>,
}

/// Loads a page to its end. A browser that hangs fails the test.
fn load(page: &Path) -> Seen {
    let home = TempDir::new().expect("a folder");
    let profile = format!("--user-data-dir={}", home.path().display());
    let address = format!("file://{}", page.display());
    let ended = tool(
        "timeout",
        [
            "60",
            "chromium",
            "--headless",
            "--no-sandbox", // it is our own page, and root has no other way
            "--disable-gpu",
            "--disable-extensions",
            "--disable-background-networking",
            "--no-first-run",
            &profile,
            "--enable-logging=stderr",
            "--v=0",
            "--dump-dom",
            &address,
        ],
    );
    assert_ne!(
        ended.code,
        Some(127),
        "chromium is missing: run scripts/packages, which installs what the tests need"
    );
    assert_eq!(ended.code, Some(0), "{ended:#?}");
    let complaints = ended
        .stderr
        .lines()
        .filter(|line| line.contains(":CONSOLE"));
    Seen {
        complaints: complaints.map(str::to_owned).collect(),
        dom: ended.stdout,
    }
}

/// A folder with the files of a run in virtual time and the results of a matrix.
struct Bench {
    folder: TempDir,
}

impl Bench {
    fn new() -> Bench {
        let folder = TempDir::new().expect("a folder");
        let bench = Bench { folder };
        let run = tool(
            env!("CARGO_BIN_EXE_imbrex"),
            [
                "simulate",
                "tiny",
                WORKLOAD,
                "--json",
                "--record",
                bench.at("requests.parquet").to_str().expect("a plain path"),
                "--events",
                bench.at("jobs.parquet").to_str().expect("a plain path"),
            ],
        );
        bench.write("summary.json", &run.success());
        bench.write("matrix.jsonl", &matrix());
        bench
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, content: &str) -> PathBuf {
        let path = self.at(name);
        std::fs::write(&path, content).expect("there is room");
        path
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.at(name)).expect("it was made")
    }

    /// Runs `report` on files of the folder; `{}/` in arguments stands for it.
    fn report(&self, arguments: &str) -> program::Ended {
        imbrex(&format!("report {arguments}"), self.folder.path())
    }
}

fn matrix() -> String {
    let head = serde_json::json!({"kind": "imbrex-matrix", "version": 1, "name": "sweep"});
    // In an order that no column has.
    let cells = [
        (3, "passed", 900),
        (1, "failed", 20_000),
        (2, "invalid", 0),
        (4, "passed", 1_000),
    ];
    let cells = cells.map(|(cell, outcome, p99_ms)| {
        let figures = match p99_ms {
            0 => serde_json::json!({}),
            ms => serde_json::json!({"write_p99_ns": ms * 1_000_000_u64}),
        };
        serde_json::json!({
            "cell": cell, "profile": "tiny", "start": "new", "workload": "<script>boom()</script>",
            "seed": cell, "changes": [], "outcome": outcome, "assertions": [], "figures": figures,
            "took_ms": 10,
        })
    });
    let lines: Vec<String> = [head]
        .iter()
        .chain(&cells)
        .map(ToString::to_string)
        .collect();
    lines.join("\n") + "\n"
}

/// A page with a script of the test at its end.
fn with_script(page: &str, script: &str) -> String {
    page.replace("</body>", &format!("<script>{script}</script></body>"))
}

#[test]
fn pages_of_every_kind_load_without_a_complaint() {
    let bench = Bench::new();
    let all = "{}/requests.parquet {}/jobs.parquet {}/summary.json";
    for (files, figures) in [
        (all, 8),
        ("{}/requests.parquet", 5),
        ("{}/jobs.parquet", 3),
        ("{}/summary.json", 5),
        ("{}/matrix.jsonl", 0),
    ] {
        bench
            .report(&format!("{files} -o {{}}/page.html --replace"))
            .success();
        let seen = load(&bench.at("page.html"));
        assert!(
            seen.complaints.is_empty(),
            "{files}: {:#?}",
            seen.complaints
        );
        assert_eq!(seen.dom.matches("role=\"img\"").count(), figures, "{files}");
        assert!(seen.dom.contains("</footer>"), "{files}");
        let outside = ["src=\"", "href=\"http", "href=\"//", "@import", "url("];
        for word in outside {
            assert!(!seen.dom.contains(word), "{files}: {word}");
        }
    }
}

#[test]
fn the_browser_complains_of_an_error_and_of_a_look_outside() {
    let bench = Bench::new();
    bench.report("{}/matrix.jsonl -o {}/page.html").success();
    let page = bench.read("page.html");
    let broken = bench.write("broken.html", &with_script(&page, "missing.call();"));
    let seen = load(&broken);
    let told = seen.complaints.concat();
    assert!(told.contains("ReferenceError"), "{told}");
    let outside = "document.body.append(Object.assign(new Image(), {src: 'http://127.0.0.1:9/'}))";
    let curious = bench.write("curious.html", &with_script(&page, outside));
    let told = load(&curious).complaints.concat();
    assert!(told.contains("Content Security Policy"), "{told}");
}

/// The numbers of the cells in the order of the rows, those that are hidden left out.
fn cells(dom: &str) -> Vec<u64> {
    let body = dom.split_once("<tbody>").expect("a grid").1;
    let rows = body.split("<tr ").skip(1).filter(|row| {
        let tag = row.split('>').next().unwrap_or_default();
        !tag.contains("hidden")
    });
    rows.map(|row| {
        let number = row.split_once("data-v=\"").expect("a number").1;
        number
            .split('"')
            .next()
            .expect("it ends")
            .parse()
            .expect("a number")
    })
    .collect()
}

/// The head of the grid.
fn head(dom: &str) -> &str {
    let grid = dom.split_once("<table id=\"grid\"").expect("a grid").1;
    grid.split("<tbody>").next().unwrap_or_default()
}

#[test]
fn headings_sort_and_fields_filter() {
    let bench = Bench::new();
    bench.report("{}/matrix.jsonl -o {}/page.html").success();
    let page = bench.read("page.html");
    let after = |script: &str| {
        let path = bench.write("sorted.html", &with_script(&page, script));
        let seen = load(&path);
        assert!(seen.complaints.is_empty(), "{:#?}", seen.complaints);
        seen.dom
    };
    let press = "const press = (name) => Array.from(document.querySelectorAll('#grid th button')) \
                 .find((button) => button.textContent === name).click();";
    let dom = after("");
    assert_eq!(cells(&dom), [1, 2, 3, 4]);
    assert!(dom.contains("4 of 4 cells shown"));
    assert!(!head(&dom).contains("aria-sort"));

    // As numbers, not as text: 900 ms are less than 20 s. What has no value comes last.
    let dom = after(&format!("{press} press('write p99');"));
    assert_eq!(cells(&dom), [3, 4, 1, 2]);
    assert_eq!(head(&dom).matches("aria-sort=\"ascending\"").count(), 1);

    let dom = after(&format!(
        "{press} press('cell'); press('write p99'); press('write p99');"
    ));
    assert_eq!(cells(&dom), [1, 4, 3, 2]);
    assert_eq!(head(&dom).matches("aria-sort=").count(), 1);
    assert!(head(&dom).contains("aria-sort=\"descending\""));

    let filter = "const change = (id, value, event) => { const field = document.getElementById(id); \
                  field.value = value; field.dispatchEvent(new Event(event)); };";
    let dom = after(&format!(
        "{filter} change('sieve-outcome', 'passed', 'change');"
    ));
    assert_eq!(cells(&dom), [3, 4]);
    assert!(dom.contains("2 of 4 cells shown"));
    let dom = after(&format!(
        "{filter} change('sieve-words', 'INVALID boom', 'input');"
    ));
    assert_eq!(cells(&dom), [2]);
}

#[test]
fn a_simulation_makes_a_page_and_leaves_nothing_else() {
    let bench = Bench::new();
    let page = bench.at("run/page.html");
    std::fs::create_dir(bench.at("run")).expect("there is room");
    let shown = page.to_str().expect("a plain path");
    let arguments = [
        "simulate",
        "tiny",
        "database-commit",
        "--count",
        "300",
        "--report",
        shown,
    ];
    tool(env!("CARGO_BIN_EXE_imbrex"), arguments).success();
    let names = std::fs::read_dir(bench.at("run")).expect("it is there");
    assert_eq!(names.count(), 1);
    let seen = load(&page);
    assert!(seen.complaints.is_empty(), "{:#?}", seen.complaints);
    assert!(seen.dom.contains("database-commit on tiny"));
    // Not a second time.
    tool(env!("CARGO_BIN_EXE_imbrex"), arguments).expect(4);
}

#[test]
fn what_exists_is_left_alone_unless_it_may_be_replaced() {
    let bench = Bench::new();
    bench.write("page.html", "precious");
    let said = bench
        .report("{}/requests.parquet -o {}/page.html")
        .expect(4);
    assert!(
        said.contains("page.html exists") && said.contains("--replace"),
        "{said}"
    );
    std::fs::create_dir(bench.at("data")).expect("there is room");
    bench.write("data/latency.csv", "precious");
    let beside = "{}/requests.parquet -o {}/new.html --figures {}/figures --data {}/data";
    let said = bench.report(beside).expect(4);
    assert!(said.contains("latency.csv exists"), "{said}");
    // Nothing was begun.
    assert!(!bench.at("new.html").exists() && !bench.at("figures").exists());
    assert_eq!(bench.read("page.html"), "precious");
    assert_eq!(bench.read("data/latency.csv"), "precious");
    bench.report(&format!("{beside} --replace")).success();
    assert!(
        bench
            .read("data/latency.csv")
            .starts_with("operation,answered,percent,took_ns\n")
    );
    assert!(bench.read("figures/latency.svg").starts_with("<svg "));
    assert!(bench.read("new.html").starts_with("<!DOCTYPE html>"));
}

#[test]
fn a_recording_is_not_written_over_while_it_is_read() {
    let bench = Bench::new();
    let before = std::fs::read(bench.at("requests.parquet")).expect("it is there");
    bench
        .report("{}/requests.parquet -o {}/requests.parquet --replace")
        .expect(2);
    assert_eq!(
        std::fs::read(bench.at("requests.parquet")).expect("it is there"),
        before
    );
}

#[test]
fn files_that_are_no_material_are_refused_with_a_code_of_their_own() {
    let bench = Bench::new();
    bench.write("notes.txt", "hello");
    let said = bench.report("{}/notes.txt -o {}/page.html").expect(3);
    assert!(
        said.contains("notes.txt is none of what a report is made from"),
        "{said}"
    );
    let said = bench
        .report("{}/jobs.parquet {}/jobs.parquet -o {}/page.html")
        .expect(2);
    assert!(said.contains("both files of events"), "{said}");
    bench.report("{}/missing -o {}/page.html").expect(3);
    assert!(!bench.at("page.html").exists());
}
