//! `imbrex serve`: composes a running drive from an image and shows it until it is asked to end.
//!
//! Order at the start: signals, image, another user, mover, drive, NBD, FUSE, control socket; at the
//! end: control socket, FUSE, NBD, drive. The line `ready:` comes when clients can connect and not
//! before.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use clap::ValueEnum;
use crossbeam_channel::{Receiver, never, select, tick};

use super::account::{self, AccountFile, Session};
use super::address::NbdAddress;
use super::display::Display;
use super::exit::{Code, DriveError, RigError, SealedError, UsageError};
use super::frontends::{Frontends, Wanted};
use super::image_file::{self, Way, id_words, recovery_words};
use super::privileges::LesserUser;
use super::record::Record;
use super::room_watch::RoomWatch;
use super::tls::TlsArguments;
use super::{output, signals};
use crate::control::attendant::Attendant;
use crate::control::place;
use crate::control::server::ControlServer;
use crate::drive::Drive;
use crate::host::bay::{Bay, Ground, ImageBay, Seat};
use crate::host::clock::Pace;
use crate::host::handle::{Ask, DriveInfo, Handle, HostError};
use crate::host::limits::Limits;
use crate::host::owner::{Owner, StopError, Watched};
use crate::host::pace;
use crate::host::recorder::Recorder;
use crate::host::time_limits::TimeLimit;
use crate::image::open::Opened;
use crate::medium::mover::{Mover, MoverChoice};
use crate::serve::fuse::server::FuseEnd;

/// How often the drive is asked whether it still works.
const PULSE: Duration = Duration::from_millis(500);

const LONG: &str = "\
Show an image as a disk until Ctrl-C or SIGTERM.

A line beginning with `ready:` on stdout tells where, as soon as clients can connect. At the end an
account of the session is printed. A second Ctrl-C ends at once, which is a power cut for the drive:
what was flushed is there, the rest may be.";

const EXAMPLES: &str = "\
Examples:
  imbrex serve disk.img --nbd unix:/tmp/disk.sock
  imbrex serve disk.img --nbd tcp:127.0.0.1:10809 --pace 10x
  imbrex serve disk.img --fuse /mnt/disk --account session.json
  imbrex serve disk.img --nbd unix:/tmp/disk.sock --enforce array-recovery,flush
  imbrex serve disk.img --nbd tcp:0.0.0.0:10809 --user imbrex \\
      --tls-certificate server.pem --tls-key server.key --tls-client-ca clients.pem";

/// Arguments of `serve`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
#[allow(clippy::struct_excessive_bools)] // words of the user, independent of each other
pub(super) struct Arguments {
    /// The image.
    image: PathBuf,
    /// Serve NBD at unix:PATH or tcp:HOST:PORT; may be given more than once.
    #[arg(long, value_name = "ADDRESS")]
    nbd: Vec<NbdAddress>,
    /// Mount a filesystem at DIR (existing, empty) in which the file `disk` is the drive.
    #[arg(long, value_name = "DIR")]
    fuse: Option<PathBuf>,
    /// Let root use that file too (needs `user_allow_other` in /etc/fuse.conf).
    #[arg(long, requires = "fuse")]
    allow_root: bool,
    /// How long the drive takes: real, off (as fast as this machine goes), or a factor like 10x.
    #[arg(long, default_value = "real", value_parser = pace::parse)]
    pace: Pace,
    /// What carries the bytes.
    #[arg(long, value_enum, default_value_t = MoverWord::Auto)]
    mover: MoverWord,
    /// Serve for reading only; nothing is written to the image.
    #[arg(long)]
    read_only: bool,
    /// IMAGE is a block device.
    #[arg(long)]
    block_device: bool,
    /// Listen on TCP addresses that other machines can reach, without TLS for everyone.
    #[arg(long)]
    allow_remote: bool,
    /// Once the image is open, go on as this user (needs root; not with --fuse).
    #[arg(long, value_name = "NAME", conflicts_with = "fuse")]
    user: Option<String>,
    /// Show the state of the drive on stderr every so many seconds (on a terminal always).
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(1..))]
    status: Option<u32>,
    /// Fail commands that take longer than these limits of hosts (`imbrex tell IMAGE account` lists
    /// them all).
    #[arg(long, value_name = "LIMIT", value_delimiter = ',')]
    enforce: Vec<TimeLimit>,
    /// Put the control socket here instead of beside the image.
    #[arg(long, value_name = "PATH")]
    control: Option<PathBuf>,
    /// Write the account to this file too, as JSON.
    #[arg(long, value_name = "FILE")]
    account: Option<PathBuf>,
    /// Record every request and its answer in this new file (Parquet, see docs/events.md), for
    /// `simulate --replay`.
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    #[command(flatten)]
    tls: TlsArguments,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum MoverWord {
    /// `io_uring` where the system allows it, else plain.
    Auto,
    /// `io_uring` or nothing.
    Ring,
    /// One system call after another.
    Plain,
}

/// Why serving ends.
#[derive(Debug)]
enum End {
    Asked,
    Unmounted,
    MountBroken(std::io::Error),
    DriveFailed(String),
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    if arguments.nbd.is_empty() && arguments.fuse.is_none() {
        let what = "nothing to serve on: give --nbd unix:PATH, --nbd tcp:HOST:PORT or --fuse DIR";
        return Err(UsageError(what.to_owned()).into());
    }
    let user = user(arguments)?;
    let asked = signals::catch().map_err(rig("catch SIGINT and SIGTERM"))?;
    let (opened, file) = open_image(arguments)?;
    // Before there are threads, sockets or a ring.
    if let Some(user) = user {
        user.become_it()?;
    }
    let account_file = arguments.account.as_deref();
    let account_file = account_file.map(AccountFile::open).transpose()?;
    let mut info = DriveInfo::new(opened.drive.profile(), arguments.read_only);
    info.discreet = opened.sealed.is_some();
    let mut session = session(arguments, &opened);
    tell_what_was_found(&session, &opened)?;
    let seat = seat(arguments, &opened)?;
    let choice = arguments.mover.choice();
    let mut room = RoomWatch::over(&file, &arguments.image)?;
    let again = file.try_clone().map_err(rig("open the image again"))?;
    let mover = Mover::open(again, choice).map_err(rig("start the mover"))?;
    session.mover = mover.name();
    let (recorder, record) = match &arguments.record {
        Some(path) => {
            let (recorder, record) = Record::begin(path, &opened)?;
            (Some(recorder), Some(record))
        }
        None => (None, None),
    };
    let begun = Instant::now();
    let bay = ImageBay::new(seat.clone(), file, choice, arguments.read_only);
    let parts = (opened.drive, mover, bay);
    let (handle, owner) =
        start(parts, arguments, info, recorder).map_err(rig("start the thread of the drive"))?;
    let end = serve(arguments, &handle, &asked, (&session, seat, &mut room));
    // In any case: what was acknowledged is made durable before anything is reported.
    let stopped = owner.stop();
    session.real = begun.elapsed();
    let written = record.map_or(Ok(()), Record::finish);
    let end = end?;
    let (last, failed) = match stopped {
        Ok(last) => (last, None),
        Err(StopError::Failed { why, last }) => (*last, Some(why.to_string())),
    };
    output::print(&account::words(&session, &last))?;
    if let Some(file) = account_file {
        file.write(&account::value(&session, &last, failed.as_deref()))?;
    }
    written?;
    match failed {
        Some(why) => Err(DriveError(why).into()),
        None => code_of_end(end),
    }
}

fn code_of_end(end: End) -> anyhow::Result<Code> {
    match end {
        End::DriveFailed(why) => Err(DriveError(why).into()),
        End::MountBroken(source) => Err(RigError {
            doing: "go on serving the mount",
            source,
        }
        .into()),
        End::Asked | End::Unmounted => Ok(Code::Ok),
    }
}

fn user(arguments: &Arguments) -> anyhow::Result<Option<LesserUser>> {
    let name = arguments.user.as_deref();
    name.map(LesserUser::find).transpose()
}

fn open_image(arguments: &Arguments) -> anyhow::Result<(Opened, std::fs::File)> {
    let way = Way {
        read_only: arguments.read_only,
        block_device: arguments.block_device,
    };
    let (opened, file) = image_file::open_any(&arguments.image, way)?;
    if opened.sealed.is_some() {
        refuse_what_tells(arguments)?;
    }
    Ok((opened, file))
}

fn tell_what_was_found(session: &Session, opened: &Opened) -> anyhow::Result<()> {
    output::print(&format!(
        "image: {} ({}), {}\n",
        session.image.display(),
        session.profile,
        match opened.sealed {
            Some(_) => "sealed".to_owned(),
            None => recovery_words(opened),
        }
    ))?;
    Ok(())
}

/// What would tell what a sealed drive hides is not to be had.
fn refuse_what_tells(arguments: &Arguments) -> anyhow::Result<()> {
    let asked = [
        (
            arguments.record.is_some(),
            "--record tells where the time went",
        ),
        (
            arguments.status.is_some(),
            "--status tells what the arm does",
        ),
    ];
    match asked.into_iter().find(|(asked, _)| *asked) {
        Some((_, what)) => Err(SealedError::of(&arguments.image, what).into()),
        None => Ok(()),
    }
}

/// What is known of the session before it begins.
fn session(arguments: &Arguments, opened: &Opened) -> Session {
    Session {
        image: arguments.image.clone(),
        id: id_words(&opened.identity.id),
        profile: opened.drive.profile().name.clone(),
        paced: arguments.pace != Pace::Off,
        pace: pace::words(arguments.pace),
        mover: "",
        sealed: opened.sealed.is_some(),
        recovery: opened.report.clone(),
        real: Duration::ZERO,
    }
}

fn serve(
    arguments: &Arguments,
    handle: &Handle,
    asked: &Receiver<()>,
    (session, seat, room): (&Session, Seat, &mut RoomWatch),
) -> anyhow::Result<End> {
    let wanted = Wanted {
        nbd: &arguments.nbd,
        allow_remote: arguments.allow_remote,
        tls: arguments.tls.tls(),
        fuse: arguments.fuse.as_deref(),
        allow_root: arguments.allow_root,
    };
    let frontends = Frontends::start(handle, &wanted)?;
    let mut attendant = Attendant::new(handle.clone(), seat, frontends.dropper());
    if session.sealed {
        attendant = attendant.discreet();
    }
    let control = control(arguments, attendant)?;
    let places = frontends.places().join(" ");
    output::print(&format!(
        "ready: {places} (pace: {}; mover: {})\n",
        pace::words(arguments.pace),
        session.mover
    ))?;
    let display = if session.sealed {
        Display::none()
    } else {
        Display::new(arguments.status)
    };
    let end = wait((handle, display), asked, &frontends, room);
    drop(control);
    frontends.stop();
    Ok(end)
}

/// Where the image lies, for power cuts and saved states.
fn seat(arguments: &Arguments, opened: &Opened) -> anyhow::Result<Seat> {
    let ground = if arguments.block_device {
        Ground::Device
    } else {
        Ground::File
    };
    let path = arguments
        .image
        .canonicalize()
        .with_context(|| format!("cannot find {} again", arguments.image.display()))?;
    Ok(Seat::of(path, ground, opened))
}

fn start(
    (drive, mover, bay): (Drive, Mover, ImageBay),
    arguments: &Arguments,
    info: DriveInfo,
    recorder: Option<Recorder>,
) -> std::io::Result<(Handle, Owner)> {
    let watched = Watched {
        recorder,
        enforced: arguments.enforce.clone(),
    };
    let bay: Box<dyn Bay<Drive>> = Box::new(bay);
    let parts = (drive, mover, Some(bay));
    Owner::start_in(parts, arguments.pace, info, Limits::default(), watched)
}

/// The control socket. Where none was asked for, serving does without one rather than not at all.
fn control(arguments: &Arguments, attendant: Attendant) -> anyhow::Result<Option<ControlServer>> {
    if let Some(path) = &arguments.control {
        return Ok(Some(ControlServer::start(path, attendant)?));
    }
    let beside = place::socket_of(&arguments.image).map_err(rig("find the image again"))?;
    match ControlServer::start(&beside, attendant) {
        Ok(server) => Ok(Some(server)),
        Err(error) => {
            let why = anyhow::Error::from(error);
            output::say(&format!(
                "{why:#}: `imbrex tell` will not reach this server"
            ));
            Ok(None)
        }
    }
}

fn wait(
    (handle, mut display): (&Handle, Display),
    asked: &Receiver<()>,
    frontends: &Frontends,
    room: &mut RoomWatch,
) -> End {
    let unmounted = frontends.unmounted().cloned().unwrap_or_else(never);
    let pulse = tick(PULSE);
    loop {
        select! {
            recv(asked) -> _ => return End::Asked,
            recv(unmounted) -> end => match end {
                Ok(FuseEnd::Broken(error)) => return End::MountBroken(error),
                Ok(FuseEnd::Unmounted) | Err(_) => return End::Unmounted,
            },
            recv(pulse) -> _ => {
                if let Some(why) = failure(handle) {
                    return End::DriveFailed(why);
                }
                room.look();
                display.tick(handle);
            }
        }
    }
}

/// Why the drive has failed, if it has. A read of nothing is refused at the door of a drive that
/// works, and costs it nothing.
fn failure(handle: &Handle) -> Option<String> {
    match handle.ask(Ask::Read {
        offset: 0,
        bytes: 0,
    }) {
        Err(HostError::Failed(why)) => Some(why.to_string()),
        Err(HostError::Gone) => Some("its thread is gone".to_owned()),
        _ => None,
    }
}

fn rig(doing: &'static str) -> impl FnOnce(std::io::Error) -> RigError {
    move |source| RigError { doing, source }
}

impl MoverWord {
    fn choice(self) -> MoverChoice {
        match self {
            MoverWord::Auto => MoverChoice::Auto,
            MoverWord::Ring => MoverChoice::Ring,
            MoverWord::Plain => MoverChoice::Plain,
        }
    }
}
