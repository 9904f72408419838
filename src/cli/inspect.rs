//! `imbrex inspect`: tells what an image is and what state it is in, without writing to it.

use std::path::PathBuf;

use indicatif::BinaryBytes;
use serde_json::json;

use super::exit::Code;
use super::image_file::{self, Way, id_words, recovery_words};
use super::output;
use crate::drive::request::Status;
use crate::image::envelope::Envelope;
use crate::image::open::Opened;
use crate::medium::area::BandKind;
use crate::profile::quantity::Unit;
use crate::time::Instant;
use crate::translation::lifetime::Lifetime;
use crate::units::{SECTOR_BYTES, Sectors, count, counted, percent};

const EXAMPLES: &str = "\
Examples:
  imbrex inspect disk.img
  imbrex inspect disk.img --json";

/// Arguments of `inspect`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The image.
    image: PathBuf,
    /// IMAGE is a block device.
    #[arg(long)]
    block_device: bool,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

/// What is written of the data bands.
struct Written {
    bands: u64,
    bytes: u64,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let way = Way {
        read_only: true,
        block_device: arguments.block_device,
    };
    let (opened, _file) = image_file::open_any(&arguments.image, way)?;
    if let Some(envelope) = &opened.sealed {
        return discreet(arguments, &opened, envelope);
    }
    let status = opened.drive.status(Instant::default());
    let written = written(&opened);
    if arguments.json {
        output::print_json(&value(arguments, &opened, &status, written.as_ref()))?;
    } else {
        output::print(&words(&opened, &status, written.as_ref()))?;
    }
    Ok(Code::Ok)
}

/// What may be seen of a sealed image.
fn discreet(arguments: &Arguments, opened: &Opened, envelope: &Envelope) -> anyhow::Result<Code> {
    let (profile, identity) = (opened.drive.profile(), &opened.identity);
    if arguments.json {
        output::print_json(&json!({
            "image": arguments.image,
            "profile": envelope.name,
            "sealed": true,
            "capacity_bytes": profile.drive.capacity_bytes,
            "id": id_words(&identity.id),
            "created_with": identity.created_with,
            "commitment": envelope.commitment.to_string(),
            "hidden": envelope.parameters,
        }))?;
        return Ok(Code::Ok);
    }
    output::print(&output::table(&[
        ("profile", format!("{} (sealed)", envelope.name)),
        ("capacity", Unit::Bytes.format(profile.drive.capacity_bytes)),
        ("id", id_words(&identity.id)),
        ("made with", format!("imbrex {}", identity.created_with)),
        ("commitment", envelope.commitment.to_string()),
        ("hidden", envelope.parameters.join(", ")),
    ]))?;
    Ok(Code::Ok)
}

fn written(opened: &Opened) -> Option<Written> {
    let translation = opened.drive.translation()?;
    let layout = translation.layout();
    let bands = translation.state().written_bands(layout);
    let data = bands.iter().filter(|(band, sectors)| {
        *sectors > Sectors(0) && layout.band(*band).kind == BandKind::Data
    });
    let lengths: Vec<u64> = data.map(|(_, sectors)| sectors.bytes()).collect();
    Some(Written {
        bands: count(lengths.len()),
        bytes: lengths.iter().sum(),
    })
}

/// What the map has counted; as true as the image: it may claim anything.
fn lifetime(opened: &Opened) -> Option<Lifetime> {
    let translation = opened.drive.translation()?;
    Some(translation.state().lifetime())
}

fn bytes(sectors: Sectors) -> u64 {
    sectors.0.saturating_mul(SECTOR_BYTES)
}

fn words(opened: &Opened, status: &Status, written: Option<&Written>) -> String {
    let (profile, identity) = (opened.drive.profile(), &opened.identity);
    let mut rows = vec![
        ("profile", profile.name.clone()),
        ("capacity", Unit::Bytes.format(profile.drive.capacity_bytes)),
        ("id", id_words(&identity.id)),
        ("made with", format!("imbrex {}", identity.created_with)),
        ("format number", format!("{:#018x}", identity.fingerprint)),
        (
            "image (sparse)",
            BinaryBytes(identity.total.bytes()).to_string(),
        ),
        ("recovery", recovery_words(opened)),
    ];
    if let Some(damaged) = &opened.damaged {
        rows.push(("superblock", format!("{damaged}: {}", damaged.why)));
    }
    if let Some(written) = written {
        let (slots, extents) = (status.staging_slots, status.extents);
        rows.extend([
            (
                "staging slots",
                format!(
                    "{} of {slots} ({} %)",
                    status.staging_slots_used,
                    percent(status.staging_slots_used, slots)
                ),
            ),
            (
                "map extents",
                format!(
                    "{} of {extents} ({} %)",
                    status.extents_used,
                    percent(status.extents_used, extents)
                ),
            ),
            ("dirty bands", status.dirty_bands.to_string()),
            ("newest record", status.sequence.to_string()),
            ("map up to record", opened.report.map_sequence.to_string()),
            (
                "next map merge",
                format!(
                    "in {}",
                    counted(u64::from(status.entries_to_merge), "entry")
                ),
            ),
            (
                "bands written",
                format!("{} ({})", written.bands, BinaryBytes(written.bytes)),
            ),
        ]);
    }
    if let Some(lifetime) = lifetime(opened) {
        rows.push((
            "since it was made",
            format!(
                "log entries: {} with {} of the host; {} written anew (cleaned, or whole by the host): {}",
                lifetime.entries,
                BinaryBytes(bytes(lifetime.staged)),
                counted(lifetime.bands_renewed, "band"),
                BinaryBytes(bytes(lifetime.rewritten)),
            ),
        ));
    }
    output::table(&rows)
}

fn value(
    arguments: &Arguments,
    opened: &Opened,
    status: &Status,
    written: Option<&Written>,
) -> serde_json::Value {
    let (profile, identity) = (opened.drive.profile(), &opened.identity);
    let mut state = json!(status);
    if let Some(fields) = state.as_object_mut() {
        // They count from an opening on, and nothing has been asked of this drive.
        fields.retain(|field, _| field != "at_ns" && field != "counters");
    }
    json!({
        "image": arguments.image,
        "profile": profile.name,
        "capacity_bytes": profile.drive.capacity_bytes,
        "id": id_words(&identity.id),
        "created_with": identity.created_with,
        "format_fingerprint": format!("{:#018x}", identity.fingerprint),
        "image_bytes": identity.total.bytes(),
        "damaged_superblock_copy": opened.damaged.as_ref().map(|damaged| damaged.copy),
        "recovery": opened.report,
        "status": state,
        "lifetime": lifetime(opened).map(|lifetime| json!({
            "entries": lifetime.entries,
            "staged_bytes": bytes(lifetime.staged),
            "bands_renewed": lifetime.bands_renewed,
            "renewed_bytes": bytes(lifetime.rewritten),
        })),
        "written_bands": written.map(|written| written.bands),
        "written_band_bytes": written.map(|written| written.bytes),
    })
}
