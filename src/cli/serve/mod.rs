//! `imbrex serve`: composes a running drive from an image and shows it until it is asked to end.
//!
//! Order at the start: what is wrong with the places, signals, image, another user, mover, drive, NBD, FUSE,
//! control socket; at the end: control socket, FUSE, NBD, drive, recordings; then whoever is still connected
//! to the control socket is let go, so that who records learns of the end when the file is complete. The line
//! `ready:` comes when clients can connect and not before. What may be on its line is in `arguments`, the wait
//! for its end in `wait`.

mod arguments;
mod wait;

use std::time::{Duration, Instant};

use anyhow::Context as _;
use crossbeam_channel::Receiver;

pub(super) use self::arguments::Arguments;
use self::wait::{End, wait};
use super::account::{self, AccountFile, Session};
use super::display::Display;
use super::exit::{Code, DriveError, RigError, SealedError, UsageError};
use super::frontends::{self, Frontends, Wanted};
use super::image_file::{self, Way, id_words, recovery_words};
use super::privileges::LesserUser;
use super::room_watch::RoomWatch;
use super::{output, scribe, signals};
use crate::control::attendant::Attendant;
use crate::control::place;
use crate::control::server::ControlServer;
use crate::drive::Drive;
use crate::host::bay::{Bay, Ground, ImageBay, Seat};
use crate::host::clock::Pace;
use crate::host::handle::{DriveInfo, Handle};
use crate::host::limits::Limits;
use crate::host::owner::{Owner, StopError, Watched};
use crate::host::pace;
use crate::host::recorder::Recorder;
use crate::host::recordings::{Recordings, Unwritten};
use crate::image::open::Opened;
use crate::medium::mover::Mover;

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    if arguments.nbd.is_empty() && arguments.fuse.is_none() {
        let what = "nothing to serve on: give --nbd unix:PATH, --nbd tcp:HOST:PORT or --fuse DIR";
        return Err(UsageError(what.to_owned()).into());
    }
    frontends::check(&wanted(arguments))?;
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
    let recordings = scribe::recordings(&arguments.image, &opened);
    let record = arguments.record.as_deref();
    let recorder = record.map(|path| recordings.from_the_start(path));
    let recorder = recorder.transpose()?;
    let begun = Instant::now();
    let bay = ImageBay::new(seat.clone(), file, choice, arguments.read_only);
    let parts = (opened.drive, mover, bay);
    let (handle, owner) =
        start(parts, arguments, info, recorder).map_err(rig("start the thread of the drive"))?;
    let attendant = (seat, recordings.clone());
    let end = serve(arguments, &handle, &asked, (&session, attendant, &mut room));
    // In any case: what was acknowledged is made durable before anything is reported.
    let stopped = owner.stop();
    session.real = begun.elapsed();
    let unwritten = recordings.finish();
    if let (Err(_), Some(path)) = (&end, record) {
        // Ours, new and useless: nobody could connect.
        let _ = std::fs::remove_file(path);
    }
    let (end, control) = end?;
    drop(control);
    let (last, failed) = match stopped {
        Ok(last) => (last, None),
        Err(StopError::Failed { why, last }) => (*last, Some(why.to_string())),
    };
    output::print(&account::words(&session, &last))?;
    if let Some(file) = account_file {
        file.write(&account::value(&session, &last, failed.as_deref()))?;
    }
    recorded(unwritten)?;
    match failed {
        Some(why) => Err(DriveError(why).into()),
        None => code_of_end(end),
    }
}

/// Tells of recordings that could not be written.
fn recorded(mut unwritten: Vec<Unwritten>) -> anyhow::Result<()> {
    let last = unwritten.pop();
    for other in unwritten {
        output::say(&other.to_string());
    }
    last.map_or(Ok(()), |last| Err(last.into()))
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
        (arguments.record.is_some(), scribe::TELLS),
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
    (session, (seat, recordings), room): (&Session, (Seat, Recordings), &mut RoomWatch),
) -> anyhow::Result<(End, Option<ControlServer>)> {
    let frontends = Frontends::start(handle, &wanted(arguments))?;
    let mut attendant = Attendant::new(handle.clone(), seat, frontends.dropper(), recordings);
    if session.sealed {
        attendant = attendant.discreet();
    }
    let mut control = control(arguments, attendant)?;
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
    let end = wait((handle, display), asked, frontends.unmounted(), room);
    if let Some(control) = &mut control {
        control.close_door();
    }
    frontends.stop();
    Ok((end, control))
}

fn wanted(arguments: &Arguments) -> Wanted<'_> {
    Wanted {
        nbd: &arguments.nbd,
        allow_remote: arguments.allow_remote,
        tls: arguments.tls.tls(),
        fuse: arguments.fuse.as_deref(),
        allow_root: arguments.allow_root,
    }
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

fn rig(doing: &'static str) -> impl FnOnce(std::io::Error) -> RigError {
    move |source| RigError { doing, source }
}
