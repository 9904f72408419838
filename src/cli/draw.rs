//! `imbrex draw`: makes drives whose parameters are hidden, and scores guesses of them.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::Subcommand;

use super::exit::{Code, ProtectedError, UnusableError, UsageError};
use super::{create, output, profile_source};
use crate::image::backing::{self, CreateOptions};
use crate::image::backing_error::BackingError;
use crate::image::envelope::{Commitment, Envelope};
use crate::image::open::{self, OpenError};
use crate::image::superblock;
use crate::lab::draw::book::{self, Book};
use crate::lab::draw::{drawing, score};
use crate::medium::file_store::FileStore;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::quantity::Unit;
use crate::units::SECTOR_BYTES;

const LONG: &str = "\
Make a drive whose parameters are drawn from stated ranges and hidden, for judging a way of measuring
drives. The image is used like any other; no command shows what is hidden. A commitment is printed, by
which everyone can check later that the drive was not changed. docs/draw.md says what is hidden, and from
whom: it is a seal against looking by accident, not against a debugger.";

const EXAMPLES: &str = "\
Examples:
  imbrex draw -o sealed.img --capacity 20GiB
  imbrex draw ranges > mine.toml
  imbrex draw -o sealed.img --ranges mine.toml --seed 8146529304857
  imbrex draw score sealed.img guess.toml
  imbrex draw unseal sealed.img --commitment 1f0c... > truth.toml";

/// Arguments of `draw`.
#[derive(Debug, clap::Args)]
#[command(
    long_about = LONG,
    after_help = EXAMPLES,
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true
)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Option<Action>,
    /// The image to create.
    #[arg(short, long = "output", value_name = "IMAGE", required = true)]
    output: Option<PathBuf>,
    /// Draw from the ranges of this TOML file (see `imbrex draw ranges`).
    #[arg(long, value_name = "FILE")]
    ranges: Option<PathBuf>,
    /// Where the draw begins; whoever knows it can draw the same drive. Without: a random one that nobody
    /// is told.
    #[arg(long)]
    seed: Option<u64>,
    /// Scale the drawn drive down to this capacity.
    #[arg(long, value_name = "SIZE", value_parser = profile_source::parse_capacity)]
    capacity: Option<u64>,
    /// IMAGE may be an existing file that nobody uses; what is in it is lost.
    #[arg(long)]
    replace: bool,
    /// Create it although there is too little room for its staging area.
    #[arg(long)]
    allow_overcommit: bool,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Print the ranges that are drawn from where none are given.
    Ranges,
    /// Open the seal and score a guess: TOML with keys of a profile.
    Score {
        /// The sealed image.
        image: PathBuf,
        /// The guess.
        guess: PathBuf,
        /// What was printed when it was drawn.
        #[arg(long, value_name = "HASH")]
        commitment: Option<Commitment>,
        /// Print one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Open the seal and print the profile.
    Unseal {
        /// The sealed image.
        image: PathBuf,
        /// What was printed when it was drawn.
        #[arg(long, value_name = "HASH")]
        commitment: Option<Commitment>,
    },
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    match &arguments.action {
        None => draw(arguments)?,
        Some(Action::Ranges) => output::print(book::DEFAULT)?,
        Some(Action::Score {
            image,
            guess,
            commitment,
            json,
        }) => {
            let (envelope, profile) = opened(image, *commitment)?;
            let text = profile_source::read_text(guess)?;
            let truth = (&profile, envelope.parameters.as_slice());
            let score = score::score(truth, &guess.display().to_string(), &text)?;
            if *json {
                output::print_json(&serde_json::to_value(&score)?)?;
            } else {
                output::print(&score.to_string())?;
            }
        }
        Some(Action::Unseal { image, commitment }) => {
            let (_, profile) = opened(image, *commitment)?;
            output::print(&profile.to_toml())?;
        }
    }
    Ok(Code::Ok)
}

fn draw(arguments: &Arguments) -> anyhow::Result<()> {
    let Some(path) = &arguments.output else {
        return Err(UsageError("give --output, the image to create".to_owned()).into());
    };
    let book = match &arguments.ranges {
        Some(file) => {
            let text = profile_source::read_text(file)?;
            Book::parse(&file.display().to_string(), &text)?
        }
        None => Book::parse("the default ranges", book::DEFAULT)?,
    };
    let (base, _) = profile_source::load(Some(&book.base), None)?;
    let seed = match arguments.seed {
        Some(seed) => seed,
        None => random_seed().context("cannot read random numbers from /dev/urandom")?,
    };
    let capacity = arguments.capacity.map(|asked| asked - asked % SECTOR_BYTES);
    let envelope = drawing::draw(&base, &book, capacity, seed)?;
    let profile = Profile::from_toml("the drawn profile", &envelope.open()?)?;
    make(arguments, path, (&envelope, &profile))?;
    output::print(&output::table(&[
        ("sealed", path.display().to_string()),
        ("name", envelope.name.clone()),
        ("capacity", Unit::Bytes.format(profile.drive.capacity_bytes)),
        ("commitment", envelope.commitment.to_string()),
        ("hidden", envelope.parameters.join(", ")),
    ]))?;
    Ok(())
}

fn make(
    arguments: &Arguments,
    path: &Path,
    (envelope, profile): (&Envelope, &Profile),
) -> anyhow::Result<()> {
    let layout = Layout::new(profile).map_err(OpenError::from)?;
    let options = CreateOptions {
        promised_bytes: create::promised_bytes(&layout),
        force_existing: arguments.replace,
        allow_overcommit: arguments.allow_overcommit,
        ..CreateOptions::default()
    };
    let file = backing::create_backing(path, layout.total().bytes(), options).map_err(discreet)?;
    let mut id = [0; 16];
    id.copy_from_slice(&envelope.commitment.0[..16]);
    let made = FileStore::new(file).map_err(anyhow::Error::from);
    let made = made.and_then(|store| Ok(open::make_sealed(&store, envelope, id)?));
    create::made_or_removed(path, false, made)
}

/// How much room is promised tells how large the staging area is.
fn discreet(error: BackingError) -> anyhow::Error {
    match error {
        BackingError::NoRoom { path, .. } => {
            let what = format!(
                "the filesystem of {} has less free than the staging area of the drive may take up (how \
                 much that is, is hidden): make room, name another place, or allow that with \
                 --allow-overcommit (a full filesystem then looks like a failed drive)",
                path.display()
            );
            ProtectedError(what).into()
        }
        other => other.into(),
    }
}

/// The envelope of a sealed image and what is in it, if it is what was committed to.
fn opened(image: &Path, expected: Option<Commitment>) -> anyhow::Result<(Envelope, Profile)> {
    let shown = image.display();
    let file = File::open(image)
        .map_err(|error| UnusableError(format!("cannot open {shown}: {error}")))?;
    let store = FileStore::new(file).with_context(|| format!("cannot read {shown}"))?;
    let found = superblock::read(&store)
        .map_err(OpenError::from)
        .with_context(|| format!("{shown} cannot be used as an image"))?;
    let envelope = Envelope::from_text(&found.profile_text)
        .ok_or_else(|| UnusableError(format!("{shown} is not sealed: `imbrex inspect` shows it")))?
        .map_err(OpenError::from)?;
    if let Some(expected) = expected.filter(|expected| *expected != envelope.commitment) {
        let what = format!(
            "{shown} is another drive than the one that was drawn: its commitment is {}, not {expected}",
            envelope.commitment
        );
        return Err(UnusableError(what).into());
    }
    let text = envelope.open().map_err(OpenError::from)?;
    let profile = Profile::from_toml("the profile in the envelope", &text)?;
    if found.identity.fingerprint != profile.format_fingerprint() {
        let what = format!("{shown} was not made for the drive in its envelope: it was changed");
        return Err(UnusableError(what).into());
    }
    Ok((envelope, profile))
}

fn random_seed() -> std::io::Result<u64> {
    let mut seed = [0; 8];
    File::open("/dev/urandom")?.read_exact(&mut seed)?;
    Ok(u64::from_le_bytes(seed))
}
