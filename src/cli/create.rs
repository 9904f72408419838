//! `imbrex create`: makes an image, and says what was made and what it may grow to.

use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use indicatif::BinaryBytes;

use super::exit::Code;
use super::image_file::id_words;
use super::{output, profile_source};
use crate::image::backing::{self, CreateOptions};
use crate::image::open;
use crate::medium::area::AreaKind;
use crate::medium::derived::Derived;
use crate::medium::file_store::FileStore;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::quantity::Unit;

const LONG: &str = "\
Make an image.

The image is a sparse file as long as the drive's platters; it takes up room only as it is written.
There must be room now for what every drive fills sooner or later: staging area, map and journal.
The rest grows with what is written to the drive; how far is printed.";

const EXAMPLES: &str = "\
Examples:
  imbrex create disk.img
  imbrex create disk.img --capacity 20GiB
  imbrex create disk.img --profile archive-8tb
  imbrex create disk.img --profile ./mine.toml
  imbrex create /dev/sdx --block-device --profile tiny";

/// Arguments of `create`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
#[allow(clippy::struct_excessive_bools)] // words of the user, independent of each other
pub(super) struct Arguments {
    /// The file to create, or with --block-device the device.
    image: PathBuf,
    /// A built-in profile or a TOML file (see `imbrex profile list`).
    #[arg(long, value_name = "NAME|FILE")]
    profile: Option<String>,
    /// Scale the profile down to this capacity, a multiple of 4096 bytes.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
    capacity: Option<u64>,
    /// IMAGE is a block device; everything on it will belong to the image.
    #[arg(long)]
    block_device: bool,
    /// What is recognised on the device (a filesystem, a partition table) may be lost.
    #[arg(long, requires = "block_device")]
    overwrite_signature: bool,
    /// IMAGE may be an existing file that nobody uses; what is in it is lost.
    #[arg(long, conflicts_with = "block_device")]
    replace: bool,
    /// Create it although there is too little room for its staging area.
    #[arg(long, conflicts_with = "block_device")]
    allow_overcommit: bool,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let (profile, changes) =
        profile_source::load(arguments.profile.as_deref(), arguments.capacity)?;
    let layout = Layout::new(&profile).map_err(open::OpenError::from)?;
    let total = layout.total().bytes();
    let promised = promised_bytes(&layout);
    let options = CreateOptions {
        block_device: arguments.block_device,
        overwrite_signature: arguments.overwrite_signature,
        force_existing: arguments.replace,
        promised_bytes: promised,
        allow_overcommit: arguments.allow_overcommit,
    };
    let path = &arguments.image;
    let id = random_id().context("cannot read random numbers from /dev/urandom")?;
    let file = backing::create_backing(path, total, options)?;
    let made = make(file, &profile, id, arguments.block_device);
    made_or_removed(path, arguments.block_device, made)?;
    let mut text = format!(
        "{}: {} of profile {}, id {}\n",
        path.display(),
        Unit::Bytes.format(profile.drive.capacity_bytes),
        profile.name,
        id_words(&id)
    );
    for change in changes {
        let _ = writeln!(text, "  scaled: {change}");
    }
    text.push_str(&Derived::of(&profile, &layout).to_string());
    if !arguments.block_device {
        text.push_str(&growth(path, total, promised));
    }
    output::print(&text)?;
    Ok(Code::Ok)
}

fn make(file: File, profile: &Profile, id: [u8; 16], used: bool) -> anyhow::Result<()> {
    let store = FileStore::new(file)?;
    if used {
        open::blank(&store, profile)?;
    }
    Ok(open::make(&store, profile, id)?)
}

/// An image that could not be `made` in a new file leaves no file behind.
pub(super) fn made_or_removed(
    path: &Path,
    block_device: bool,
    made: anyhow::Result<()>,
) -> anyhow::Result<()> {
    if made.is_err() && !block_device {
        // Ours, new and useless.
        let _ = std::fs::remove_file(path);
    }
    made.with_context(|| format!("cannot make an image of {}", path.display()))
}

/// What every drive fills however little it holds: everything but the data bands.
pub(super) fn promised_bytes(layout: &Layout) -> u64 {
    let areas = layout
        .areas()
        .iter()
        .filter(|area| area.kind != AreaKind::Data);
    areas.map(|area| area.sectors.bytes()).sum()
}

/// What the file takes up sooner or later, and what there is.
fn growth(path: &Path, total: u64, promised: u64) -> String {
    let parent = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut text = format!(
        "the file is sparse: soon up to {} (staging area, map, journal), {} if all of the drive is \
         written\n",
        BinaryBytes(promised),
        BinaryBytes(total)
    );
    let Ok(found) = nix::sys::statvfs::statvfs(parent) else {
        return text;
    };
    let free = found
        .blocks_available()
        .saturating_mul(found.fragment_size());
    if free < total {
        let _ = writeln!(
            text,
            "warning: its filesystem has {} free; when that is used up, the drive fails as a broken \
             one would",
            BinaryBytes(free)
        );
    }
    text
}

fn random_id() -> std::io::Result<[u8; 16]> {
    let mut id = [0; 16];
    File::open("/dev/urandom")?.read_exact(&mut id)?;
    Ok(id)
}
