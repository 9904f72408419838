//! Owns a cell on its own: a matrix of one cell with everything it needs beside it, so that it can be
//! run again anywhere.

use std::fmt::Write as _;

use super::plan::{Cell, Job, Plan};
use super::spec::{Attach, Served, Task, WorkKind};
use crate::host::pace;
use crate::lab::replay::{Beyond, How, Keep};
use crate::lab::workload::Workload;
use crate::profile::quantity::Unit;

/// The matrix of one cell.
pub const MATRIX: &str = "matrix.toml";
/// The cell's profile, changed and scaled.
pub const PROFILE: &str = "profile.toml";
/// The cell's workload, where it is a file or a ready one.
pub const WORKLOAD: &str = "workload.toml";
/// A guest's script.
pub const SCRIPT: &str = "guest-script";
/// The cell's line.
pub const LINE: &str = "cell.json";
/// What was measured.
pub const MEASURED: &str = "measured.json";
/// What a command or guest printed.
pub const OUTPUT: &str = "output.txt";

/// The files of a bundle that say what is run, by name.
pub fn files(plan: &Plan, cell: &Cell) -> Vec<(&'static str, String)> {
    let mut files = vec![
        (MATRIX, matrix(plan, cell)),
        (PROFILE, cell.profile.to_toml()),
    ];
    match plan.job(cell) {
        Job::Workload { text, .. } if !Workload::is_words(text) => {
            files.push((WORKLOAD, text.clone()));
        }
        Job::Served {
            script: Some((_, text)),
            ..
        } => files.push((SCRIPT, text.clone())),
        _ => {}
    }
    files
}

fn matrix(plan: &Plan, cell: &Cell) -> String {
    let mut text = String::new();
    let mut line = |line: String| {
        let _ = writeln!(text, "{line}");
    };
    line(format!(
        "# Cell {} of the matrix {}, on its own: imbrex matrix rerun FOLDER runs it again.",
        cell.number,
        // A name is one line.
        plan.matrix.name
    ));
    line(format!("[matrix]\nname = {}", quoted(&plan.matrix.name)));
    line(format!(
        "seeds = [{}]\nstarts = [{}]",
        cell.seed,
        quoted(&cell.start.to_string())
    ));
    line(format!(
        "\n[[drive]]\nname = {}\nprofile = \"{PROFILE}\"",
        quoted(plan.drive_name(cell))
    ));
    line(format!(
        "\n[[work]]\nname = {}",
        quoted(plan.work_name(cell))
    ));
    for (key, value) in work(plan, cell) {
        line(format!("{key} = {value}"));
    }
    for demand in &cell.demands {
        line("\n[[demand]]".to_owned());
        for (key, value) in demand.keys() {
            line(format!("{key} = {value}"));
        }
    }
    text
}

fn work(plan: &Plan, cell: &Cell) -> Vec<(&'static str, String)> {
    let kind = &plan.matrix.works[cell.place.work].kind;
    match (kind, plan.job(cell)) {
        (
            WorkKind::Workload {
                count, duration, ..
            },
            Job::Workload { text, .. },
        ) => {
            let words = if Workload::is_words(text) {
                text
            } else {
                WORKLOAD
            };
            let mut keys = vec![("workload", quoted(words))];
            keys.extend(count.map(|count| ("count", count.to_string())));
            keys.extend(duration.map(|time| ("duration", this_long(time.0))));
            keys
        }
        (_, Job::Replay { path, how, .. }) => {
            let mut keys = vec![("replay", quoted(&path.display().to_string()))];
            keys.extend(replayed(*how));
            keys
        }
        (WorkKind::Served(served), _) => beside(served),
        _ => unreachable!("a job is made of the work of its kind"),
    }
}

fn replayed(how: How) -> [(&'static str, String); 3] {
    let keep = match how.keep {
        Keep::Times => "times",
        Keep::ThinkTimes => "think-times",
    };
    let beyond = match how.beyond {
        Beyond::Refuse => "refuse",
        Beyond::Fold => "fold",
    };
    [
        ("keep", quoted(keep)),
        ("speed", Unit::Thousandths.format(how.speed_milli)),
        ("beyond", quoted(beyond)),
    ]
}

fn beside(served: &Served) -> Vec<(&'static str, String)> {
    let mut keys = match &served.task {
        Task::Command(line) => vec![("command", quoted(line))],
        Task::Guest {
            attach, arguments, ..
        } => {
            let attach = match attach {
                Attach::Virtio => "virtio",
                Attach::Sata => "sata",
                Attach::Scsi => "scsi",
            };
            let arguments: Vec<String> = arguments.iter().map(|text| quoted(text)).collect();
            vec![
                ("guest", quoted(SCRIPT)),
                ("attach", quoted(attach)),
                ("arguments", format!("[{}]", arguments.join(", "))),
            ]
        }
    };
    keys.extend([
        ("pace", quoted(&pace::key(served.pace))),
        (
            "late_at_most",
            quoted(&Unit::Percent.format(served.late_percent_max)),
        ),
        ("exit", served.exit.to_string()),
        ("verify", served.verify.to_string()),
        ("ends_within", this_long(served.ends_within.0)),
    ]);
    keys
}

fn this_long(ns: u64) -> String {
    quoted(&Unit::Nanoseconds.format(ns))
}

/// As TOML writes a text.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
