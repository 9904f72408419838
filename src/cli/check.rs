//! `imbrex check`: checks every structure of an image, and on request every byte in use.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use indicatif::BinaryBytes;
use serde_json::json;

use super::bar;
use super::exit::Code;
use super::image_file::{self, Way};
use super::output;
use crate::image::check::{self, CheckReport};
use crate::image::envelope::Envelope;
use crate::image::open::OpenError;
use crate::image::superblock;
use crate::units::counted;

const LONG: &str = "\
Check every structure of an image without writing to it: both copies of the superblock, both halves
of the map, the journal, and whether what they say fits together. With --data everything that is in
use is read as well.

What the host wrote carries no checksum, so bytes of it that changed unnoticed are not found, except
where a journal record newer than the map vouches for them.";

const EXAMPLES: &str = "\
Examples:
  imbrex check disk.img
  imbrex check disk.img --data --json";

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The image.
    image: PathBuf,
    /// Read all data in use too.
    #[arg(long)]
    data: bool,
    /// IMAGE is a block device.
    #[arg(long)]
    block_device: bool,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let path = &arguments.image;
    let way = Way {
        read_only: true,
        block_device: arguments.block_device,
    };
    let (_file, store) = image_file::backing(path, way)?;
    let sealed = superblock::read(&store)
        .is_ok_and(|found| Envelope::from_text(&found.profile_text).is_some());
    let outcome = if arguments.data {
        // How much is in use tells how a sealed drive uses it.
        let template = if sealed {
            "reading {spinner}"
        } else {
            "reading {bar:30} {binary_bytes}/{binary_total_bytes} {eta}"
        };
        let bar = bar::new(template, 0);
        let mut advance = |read, total| {
            if !sealed {
                bar.set_length(total);
                bar.set_position(read);
            }
        };
        let outcome = check::check(&store, Some(&mut advance));
        bar.finish_and_clear();
        outcome
    } else {
        check::check(&store, None)
    };
    if sealed {
        return discreet(arguments, outcome);
    }
    if arguments.json {
        let value = match &outcome {
            Ok(report) => json!({ "image": path, "clean": report.is_clean(), "report": report }),
            Err(error) => json!({ "image": path, "clean": false, "unusable": error.to_string() }),
        };
        output::print_json(&value)?;
    }
    let report = outcome.with_context(|| image_file::cannot_use(path))?;
    if !arguments.json {
        output::print(&words(arguments, &report))?;
    }
    Ok(if report.is_clean() {
        Code::Ok
    } else {
        Code::Failure
    })
}

/// Of a sealed image only whether it is clean is told: where something lies tells what is hidden.
fn discreet(
    arguments: &Arguments,
    outcome: Result<CheckReport, OpenError>,
) -> anyhow::Result<Code> {
    let path = &arguments.image;
    // What opening says of a sealed image tells nothing of what is inside.
    if arguments.json
        && let Err(error) = &outcome
    {
        let why = error.to_string();
        let value = json!({ "image": path, "clean": false, "sealed": true, "unusable": why });
        output::print_json(&value)?;
    }
    let report = outcome.with_context(|| image_file::cannot_use(path))?;
    let (findings, clean) = (report.findings.len(), report.is_clean());
    if arguments.json {
        let value = json!({ "image": path, "clean": clean, "sealed": true, "findings": findings });
        output::print_json(&value)?;
    } else {
        let outcome = if clean { "clean" } else { "damaged" };
        output::print(&format!("{}: sealed; {outcome}\n", path.display()))?;
    }
    Ok(if clean { Code::Ok } else { Code::Failure })
}

fn words(arguments: &Arguments, report: &CheckReport) -> String {
    let mut text = String::new();
    for finding in &report.findings {
        let _ = writeln!(text, "damage: {}: {}", finding.part, finding.what);
    }
    for remark in &report.remarks {
        let _ = writeln!(
            text,
            "remark: {}: {} (a power cut can leave this; the next opening repairs it)",
            remark.part, remark.what
        );
    }
    let _ = write!(
        text,
        "{}: {}, {} looked at",
        arguments.image.display(),
        counted(report.deltas, "map delta"),
        counted(report.journal_records, "journal record")
    );
    if arguments.data {
        let read = BinaryBytes(report.data_bytes);
        let _ = write!(
            text,
            ", {read} of data read, {} compared",
            counted(report.payloads, "payload")
        );
    }
    match report.findings.len() {
        0 => text.push_str(": clean\n"),
        1 => text.push_str(": damaged (1 finding)\n"),
        many => {
            let _ = writeln!(text, ": damaged ({many} findings)");
        }
    }
    text
}
