//! `imbrex age`: brings an image to a stated condition by running its drive in virtual time.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::ValueEnum;

use super::bar;
use super::exit::{Code, DriveError, SealedError, UsageError};
use super::image_file::{self, Way};
use super::number;
use super::output;
use crate::image::discreet;
use crate::lab::ageing::condition::{AgeError, FillOrder, Reached, Wanted};
use crate::lab::ageing::run::{self, Image};
use crate::medium::file_store::FileStore;
use crate::profile::keys::MERGE_EVERY_MAX;
use crate::time::Duration;
use crate::units::{counted, percent};

const LONG: &str = "\
Bring an image to a stated condition without hours of use: its own drive runs in virtual time, and the
bytes really move, so the image is one that such use would have left.

What a host reads from it stays the same: where the image holds data, its own bytes are written again;
where it holds nothing, zeroes are, which take up no room in the file. Same image, options and seed give
the same image, byte for byte. What cannot be reached is refused, with the numbers.";

const EXAMPLES: &str = "\
Examples:
  imbrex age disk.img --filled 60% --fill-order scattered
  imbrex age disk.img --staging 95%
  imbrex age disk.img --filled 100% --dirty-bands 40 --staging 50% --merge-in 1 --seed 7";

/// Arguments of `age`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The image.
    image: PathBuf,
    /// Share of the bands that hold data.
    #[arg(long, value_name = "PERCENT", value_parser = parse_percent)]
    filled: Option<u64>,
    /// Which bands are filled for that.
    #[arg(long, value_enum, default_value_t = Order::Sequential, requires = "filled")]
    fill_order: Order,
    /// Share of the staging area's slots in use.
    #[arg(long, value_name = "PERCENT", value_parser = parse_percent)]
    staging: Option<u64>,
    /// Bands with staged sectors.
    #[arg(long, value_name = "BANDS")]
    dirty_bands: Option<u64>,
    /// Log entries after which the map is merged: 1 is just before.
    #[arg(long, value_name = "ENTRIES", value_parser = number::from_1_to(MERGE_EVERY_MAX))]
    merge_in: Option<u64>,
    /// Start of everything that looks random.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// IMAGE is a block device.
    #[arg(long)]
    block_device: bool,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Order {
    /// From the first address on.
    Sequential,
    /// Here and there.
    Scattered,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let wanted = Wanted {
        seed: arguments.seed,
        filled_percent: arguments.filled,
        order: match arguments.fill_order {
            Order::Sequential => FillOrder::Sequential,
            Order::Scattered => FillOrder::Scattered,
        },
        staging_percent: arguments.staging,
        dirty_bands: arguments.dirty_bands,
        entries_to_merge: arguments.merge_in,
    };
    let unsaid = Wanted {
        seed: wanted.seed,
        ..Wanted::default()
    };
    if wanted == unsaid {
        let what = "no condition to bring it to: give --filled, --staging, --dirty-bands, --merge-in, or some of them";
        return Err(UsageError(what.to_owned()).into());
    }
    let path = &arguments.image;
    let way = Way {
        read_only: false,
        block_device: arguments.block_device,
    };
    let (opened, file) = image_file::open_any(path, way)?;
    let sealed = opened.sealed.is_some();
    if sealed && (arguments.dirty_bands.is_some() || arguments.merge_in.is_some()) {
        let what = "whether so many bands or entries can be had is hidden; --filled and --staging can be asked for";
        return Err(SealedError::of(path, what).into());
    }
    let store = || {
        let again = file.try_clone().and_then(FileStore::new);
        again.with_context(|| format!("cannot open {} again", path.display()))
    };
    let image = Image {
        carried: Box::new(store()?),
        synced: &store()?,
    };
    let reached = shown(
        "rehearsing {bar:30} {percent:>3} %  {elapsed}",
        |progress| run::rehearse(&opened.drive, &wanted, progress),
    );
    let reached = reached.and_then(|()| {
        shown("ageing {bar:30} {percent:>3} %  {elapsed}", |progress| {
            run::run(opened.drive, image, &wanted, progress)
        })
    });
    if sealed {
        return tell_discreetly(arguments, reached.err());
    }
    let reached = reached.with_context(|| format!("{} is not aged", path.display()))?;
    if arguments.json {
        output::print_json(&serde_json::to_value(reached)?)?;
    } else {
        output::print(&words(arguments, &reached))?;
    }
    Ok(Code::Ok)
}

/// Does something with its progress shown.
fn shown<T>(template: &'static str, act: impl FnOnce(&mut run::Progress<'_>) -> T) -> T {
    let bar = bar::new(template, 1);
    let done = act(&mut |done, all| {
        bar.set_length(all);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    done
}

/// Numbers of bands and slots, asked for or reached, tell what a sealed drive hides.
fn tell_discreetly(arguments: &Arguments, failed: Option<AgeError>) -> anyhow::Result<Code> {
    let shown = arguments.image.display();
    if let Some(error) = failed {
        let what = format!("{shown} is sealed and was not brought to that condition");
        return Err(match error {
            AgeError::Mover(error) => {
                DriveError(format!("{what}: {}", discreet::words(&error))).into()
            }
            AgeError::Sync(error) => DriveError(format!("{what}: {error}")).into(),
            _ => UsageError(what).into(),
        });
    }
    if arguments.json {
        output::print_json(&serde_json::json!({ "image": arguments.image, "sealed": true }))?;
    } else {
        output::print(&format!("{shown} is sealed and as was asked for\n"))?;
    }
    Ok(Code::Ok)
}

fn words(arguments: &Arguments, reached: &Reached) -> String {
    let mut text = format!("{} has\n", arguments.image.display());
    let mut share = |what: &str, part: u64, all: u64| {
        let percent = percent(part, all);
        let _ = writeln!(text, "  {what:<16}{part} of {all} ({percent} %)");
    };
    share("bands with data", reached.filled_bands, reached.home_bands);
    share(
        "staging slots",
        reached.staging_slots_used,
        reached.staging_slots,
    );
    share("map extents", reached.extents_used, reached.extents);
    let dirty = reached.dirty_bands;
    let _ = writeln!(text, "  {:<16}{dirty}", "dirty bands");
    let entries = counted(reached.entries_to_merge, "entry");
    let _ = writeln!(text, "  {:<16}in {entries}", "a map merge");
    let (requests, time) = (
        counted(reached.requests, "request"),
        Duration(reached.model_ns),
    );
    let seed = arguments.seed;
    let _ = writeln!(
        text,
        "after {requests} in {time} of its own time (seed {seed})"
    );
    text
}

/// A whole percentage, with or without its sign, for clap.
fn parse_percent(text: &str) -> Result<u64, String> {
    let number = text.strip_suffix('%').unwrap_or(text).trim_end();
    match number.parse() {
        Ok(percent @ 0..=100) => Ok(percent),
        _ => Err("give a whole percentage from 0% to 100%, such as 95%".to_owned()),
    }
}
