//! Owns the wait of `imbrex serve` for its end, and what is looked after meanwhile: whether the drive still
//! works, the room around the image, the line that shows its state.

use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded, never, select, tick};

use crate::cli::display::Display;
use crate::cli::room_watch::RoomWatch;
use crate::host::handle::{Answer, Ask, Handle, HostError};
use crate::serve::fuse::server::FuseEnd;

/// How often the drive is asked whether it still works.
const PULSE: Duration = Duration::from_millis(500);

/// Why serving ends.
#[derive(Debug)]
pub(super) enum End {
    Asked,
    Unmounted,
    MountBroken(std::io::Error),
    DriveFailed(String),
}

/// Waits for the first reason to end. `unmounted`: tells when the mount is gone, if there is one.
pub(super) fn wait(
    (handle, mut display): (&Handle, Display),
    asked: &Receiver<()>,
    unmounted: Option<&Receiver<FuseEnd>>,
    room: &mut RoomWatch,
) -> End {
    let unmounted = unmounted.cloned().unwrap_or_else(never);
    let pulse = tick(PULSE);
    let (tell, told) = bounded(1);
    let mut is_asked = false;
    loop {
        select! {
            recv(asked) -> _ => return End::Asked,
            recv(unmounted) -> end => match end {
                Ok(FuseEnd::Broken(error)) => return End::MountBroken(error),
                Ok(FuseEnd::Unmounted) | Err(_) => return End::Unmounted,
            },
            recv(pulse) -> _ => {
                room.look();
                if !is_asked {
                    ask_how_it_is(handle, &tell);
                    is_asked = true;
                }
            }
            recv(told) -> failure => {
                if let Ok(Some(why)) = failure {
                    return End::DriveFailed(why);
                }
                is_asked = false;
                display.tick(handle);
            }
        }
    }
}

/// Has the drive say whether it works, when it comes to it: a saved state that is put back on a device
/// keeps it busy for long, and whoever asks this server to end meanwhile is to be heard.
fn ask_how_it_is(handle: &Handle, tell: &Sender<Option<String>>) {
    // A read of nothing is refused at the door of a drive that works, and costs it nothing.
    let nothing = Ask::Read {
        offset: 0,
        bytes: 0,
    };
    let tell = tell.clone();
    handle.send(
        nothing,
        Box::new(move |reply| {
            // Nobody listens any more where the wait is over.
            let _ = tell.try_send(failure(&reply.outcome));
        }),
    );
}

/// Why the drive has failed, if it has.
fn failure(outcome: &Result<Answer, HostError>) -> Option<String> {
    match outcome {
        Err(HostError::Failed(why)) => Some(why.to_string()),
        Err(HostError::Gone) => Some("its thread is gone".to_owned()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::host::handle::{DriveInfo, Wake};
    use crate::profile::Profile;

    /// Nobody sleeps here.
    struct Awake;

    impl Wake for Awake {
        fn wake(&self) {}
    }

    #[test]
    fn who_asks_for_the_end_is_heard_while_the_drive_answers_nothing() {
        let profile = Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap();
        let info = Arc::new(DriveInfo::new(&profile, false));
        let (calls, called) = bounded(1);
        let handle = Handle::new(info, calls, Arc::new(Awake));
        let image = tempfile::NamedTempFile::new().unwrap();
        let mut room = RoomWatch::over(image.as_file(), image.path()).unwrap();
        let (ask, asked) = bounded(1);
        let asking = std::thread::spawn(move || {
            // The drive has the question, and is busy with something else for good.
            let question = called.recv().unwrap();
            ask.send(()).unwrap();
            question
        });
        let end = wait((&handle, Display::none()), &asked, None, &mut room);
        assert!(matches!(end, End::Asked), "{end:?}");
        asking.join().unwrap().send_away();
    }
}
