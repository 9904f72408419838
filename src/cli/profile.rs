//! `imbrex profile`: lists, shows and checks profiles of drives.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Subcommand;
use indicatif::BinaryBytes;
use serde_json::json;

use super::exit::Code;
use super::{output, profile_source};
use crate::image::open::OpenError;
use crate::medium::derived::Derived;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::quantity::Unit;

const EXAMPLES: &str = "\
Examples:
  imbrex profile list
  imbrex profile show archive-8tb
  imbrex profile show desktop-5tb --capacity 20GiB
  imbrex profile show disk.img
  imbrex profile text desktop-5tb > mine.toml
  imbrex profile check mine.toml";

/// Arguments of `profile`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List the built-in profiles.
    List {
        /// Print one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Show the drive that follows from a profile.
    Show(Show),
    /// Print the TOML text of a profile.
    Text {
        /// A built-in profile, a TOML file or an image.
        #[arg(value_name = "NAME|FILE|IMAGE")]
        name: String,
        /// Scaled down to this capacity.
        #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
        capacity: Option<u64>,
    },
    /// Check a profile; says all that is wrong with it.
    Check {
        /// A TOML file.
        file: PathBuf,
    },
}

#[derive(Debug, clap::Args)]
struct Show {
    /// A built-in profile, a TOML file or an image; the default profile where nothing is named.
    #[arg(value_name = "NAME|FILE|IMAGE")]
    name: Option<String>,
    /// Scaled down to this capacity.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
    capacity: Option<u64>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    match &arguments.action {
        Action::List { json } => list(*json)?,
        Action::Show(wanted) => show(wanted)?,
        Action::Text { name, capacity } => text(name, *capacity)?,
        Action::Check { file } => {
            let profile = match file.to_str() {
                Some(name) if !file.exists() => profile_source::load(Some(name), None)?.0,
                _ => profile_source::from_file(file)?,
            };
            Layout::new(&profile).map_err(OpenError::from)?;
            output::print(&format!(
                "{}: a valid profile ({})\n",
                file.display(),
                profile.name
            ))?;
        }
    }
    Ok(Code::Ok)
}

fn list(as_json: bool) -> anyhow::Result<()> {
    let mut text = String::new();
    let mut rows = Vec::new();
    for name in Profile::built_in_names() {
        let (profile, _) = profile_source::load(Some(name), None)?;
        rows.push(json!({
            "name": name,
            "capacity_bytes": profile.drive.capacity_bytes,
            "nature": nature(&profile),
            "default": name == Profile::DEFAULT_NAME,
        }));
        let capacity = Unit::Bytes.format(profile.drive.capacity_bytes);
        let default = if name == Profile::DEFAULT_NAME {
            "  (default)"
        } else {
            ""
        };
        let _ = writeln!(
            text,
            "{name:<16}{capacity:>8}  {}{default}",
            nature(&profile)
        );
    }
    if as_json {
        output::print_json(&json!({ "profiles": rows }))?;
    } else {
        output::print(&text)?;
    }
    Ok(())
}

/// A profile in a few words.
fn nature(profile: &Profile) -> String {
    use crate::profile::{Place, StagingMedium, StagingPlace};
    let Some(staging) = &profile.staging else {
        return "conventional: tracks do not overlap".to_owned();
    };
    let place = match staging.medium {
        StagingMedium::Flash { .. } => "on flash".to_owned(),
        StagingMedium::Disk {
            place: StagingPlace::Spread(regions),
            ..
        } => format!("in {regions} regions"),
        StagingMedium::Disk {
            place: StagingPlace::One(place),
            ..
        } => match place {
            Place::Outer => "at the outer diameter".to_owned(),
            Place::Middle => "in the middle".to_owned(),
            Place::Inner => "at the inner diameter".to_owned(),
        },
    };
    format!(
        "shingled, staging area of {} {place}",
        BinaryBytes(staging.bytes)
    )
}

fn show(wanted: &Show) -> anyhow::Result<()> {
    let (profile, changes) = profile_source::load(wanted.name.as_deref(), wanted.capacity)?;
    let layout = Layout::new(&profile).map_err(OpenError::from)?;
    let derived = Derived::of(&profile, &layout);
    if wanted.json {
        output::print_json(&value(&profile, &changes, &derived))?;
        return Ok(());
    }
    let mut text = format!("{}: {}\n", profile.name, nature(&profile));
    for change in &changes {
        let _ = writeln!(text, "  scaled: {change}");
    }
    text.push_str(&derived.to_string());
    output::print(&text)?;
    Ok(())
}

fn value(profile: &Profile, changes: &[String], derived: &Derived) -> serde_json::Value {
    json!({
        "name": profile.name,
        "scaled": changes,
        "format_fingerprint": format!("{:#018x}", profile.format_fingerprint()),
        "capacity_bytes": derived.capacity_bytes,
        "image_bytes": derived.image_bytes,
        "logical_sector_bytes": profile.drive.logical_sector_bytes,
        "tracks": derived.tracks,
        "guard_tracks": derived.guard_tracks,
        "home_bands": derived.home_bands,
        "spare_bands": derived.spare_bands,
        "band_bytes_outer": derived.band_bytes_outer,
        "band_bytes_inner": derived.band_bytes_inner,
        "staging_regions": derived.staging_regions,
        "staging_slots": derived.staging_slots,
        "staging_bytes": derived.staging_bytes,
        "rotation_ns": derived.rotation.0,
        "rate_outer_bytes_per_s": derived.rate_outer_bytes_per_s,
        "rate_inner_bytes_per_s": derived.rate_inner_bytes_per_s,
        "seek_track_ns": derived.seek_track.0,
        "seek_third_ns": derived.seek_third.0,
        "seek_full_ns": derived.seek_full.0,
        "start_anywhere": derived.start_anywhere,
    })
}

/// A built-in profile is printed as its author wrote it, with its comments.
fn text(name: &str, capacity: Option<u64>) -> anyhow::Result<()> {
    let as_written = Profile::built_in(name).filter(|_| capacity.is_none());
    let text = match as_written {
        Some(text) => text.to_owned(),
        None => profile_source::load(Some(name), capacity)?.0.to_toml(),
    };
    output::print(&text)?;
    Ok(())
}
