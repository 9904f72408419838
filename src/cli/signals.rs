//! Owns what Ctrl-C and SIGTERM do (and for some commands the end of the terminal): the first asks for an
//! orderly end, the second ends at once.
//!
//! The second is a power cut for the drive: what was flushed is there.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crossbeam_channel::{Receiver, bounded};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::flag;
use signal_hook::iterator::Signals;

/// Exit code after the second signal, as shells count a process that was interrupted.
const INTERRUPTED: i32 = 130;

/// Catches both signals from now on; the receiver gets one message when the first comes.
pub(super) fn catch() -> io::Result<Receiver<()>> {
    catch_as(&[SIGINT, SIGTERM], |_| ())
}

/// The same, and of the terminal's end; the message is the number of the signal.
pub(super) fn catch_which() -> io::Result<Receiver<i32>> {
    catch_as(&[SIGINT, SIGTERM, SIGHUP], |signal| signal)
}

fn catch_as<T: Send + 'static>(which: &[i32], told: fn(i32) -> T) -> io::Result<Receiver<T>> {
    let asked = Arc::new(AtomicBool::new(false));
    for &signal in which {
        // Order matters: the second signal must find the flag that the first one sets.
        flag::register_conditional_shutdown(signal, INTERRUPTED, Arc::clone(&asked))?;
        flag::register(signal, Arc::clone(&asked))?;
    }
    let mut signals = Signals::new(which)?;
    let (sender, receiver) = bounded(1);
    std::thread::Builder::new()
        .name("imbrex-signals".to_owned())
        .spawn(move || {
            if let Some(signal) = signals.forever().next() {
                // Nobody listens any more where the command is over.
                let _ = sender.send(told(signal));
            }
        })?;
    Ok(receiver)
}
