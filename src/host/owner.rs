//! Owns the thread that owns a drive: starts it, lets it sleep between turns, stops it.
//!
//! A panic in the thread ends the process with its message, because nobody could answer for the
//! drive any more. How a turn goes is for the event loop to know.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering, fence};
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;

use crossbeam_channel::Receiver;

use super::account::Account;
use super::bay::Bay;
use super::bell::{Bell, ask_for_precise_timers};
use super::clock::{Clock, Pace};
use super::event_loop::{EventLoop, Next};
use super::handle::{Call, DriveInfo, Handle, Wake};
use super::limits::Limits;
use super::machine::Machine;
use super::recorder::Recorder;
use super::time_limits::TimeLimit;
use crate::drive::request::Status;
use crate::medium::mover::{Mover, Tally};
use crate::time::{Duration, Instant};

/// Calls that can wait for the drive's thread; whoever sends more is held up.
const CALLS_MAX: usize = 1024;
/// The last stretch before a moment is waited for awake: a timer is rarely later than this.
const SPIN: Duration = Duration::from_us(70);

/// For how long the thread stays awake with the pace off: a client that sends its next request at
/// once is then served without a sleep and a ring of the bell.
const AWAKE_MAX: Duration = Duration::from_us(40);
/// Every so often it stays awake although that was in vain before.
const AWAKE_EVERY: u32 = 64;

/// A running drive. Dropping it without [`Owner::stop`] leaves the thread running.
pub struct Owner {
    thread: JoinHandle<Result<Stopped, StopError>>,
    stopping: Arc<AtomicBool>,
    door: Arc<Door>,
}

/// Who watches a drive.
#[derive(Default)]
pub struct Watched {
    /// Is told of every answer, from the first on.
    pub recorder: Option<Recorder>,
    /// Limits at which commands fail.
    pub enforced: Vec<TimeLimit>,
}

/// What a drive says at its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stopped {
    /// The last state.
    pub status: Status,
    /// What the host was answered.
    pub account: Account,
    /// What was done to the backing store.
    pub tally: Tally,
}

/// Why a drive did not shut down in good order.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StopError {
    /// It had failed before, or failed while shutting down.
    #[error("the drive has failed: {why}")]
    Failed {
        /// The failure.
        why: Arc<str>,
        /// What it says all the same.
        last: Box<Stopped>,
    },
}

impl Owner {
    /// Starts a thread that owns `machine` and `mover`. Model time begins now. What cannot be opened
    /// again has no power cuts and no saved states.
    pub fn start<M: Machine + 'static>(
        machine: M,
        mover: Mover,
        pace: Pace,
        info: DriveInfo,
        limits: Limits,
    ) -> io::Result<(Handle, Owner)> {
        let watched = Watched::default();
        Owner::start_in((machine, mover, None), pace, info, limits, watched)
    }

    /// As [`Owner::start`], for what is opened in a bay, if there is one.
    pub fn start_in<M: Machine + 'static>(
        (machine, mut mover, bay): (M, Mover, Option<Box<dyn Bay<M>>>),
        pace: Pace,
        info: DriveInfo,
        limits: Limits,
        watched: Watched,
    ) -> io::Result<(Handle, Owner)> {
        let door = Arc::new(Door {
            bell: Bell::new()?,
            closed: OnceLock::new(),
        });
        if pace == Pace::Off {
            mover.write_at_once();
        }
        let (sender, calls) = crossbeam_channel::bounded(CALLS_MAX);
        let info = Arc::new(info);
        let wake: Arc<dyn Wake> = door.clone();
        let handle = Handle::new(Arc::clone(&info), sender, wake).with_limits(limits);
        let shelf = handle.shelf().clone();
        let stopping = Arc::new(AtomicBool::new(false));
        let (told, entrance) = (Arc::clone(&stopping), Arc::clone(&door));
        let thread = std::thread::Builder::new()
            .name("imbrex-drive".to_owned())
            .spawn(move || {
                let _end = OnPanic(|| std::process::exit(101));
                ask_for_precise_timers();
                let clock = Clock::system(pace);
                let mut event_loop = EventLoop::new(machine, mover, clock, info, calls.clone());
                event_loop.desk.shelf = shelf;
                event_loop.bay = bay;
                event_loop.enforced = watched.enforced;
                event_loop.recorders.take_from_the_start(watched.recorder);
                let outcome = run(event_loop, &told, &entrance.bell);
                entrance.close(calls);
                outcome
            })?;
        let owner = Owner {
            thread,
            stopping,
            door,
        };
        Ok((handle, owner))
    }

    /// Takes no more requests, finishes those under way, lets the drive shut down, makes
    /// everything durable, and waits for all that. Handles outlive it and answer that the drive is
    /// gone.
    pub fn stop(self) -> Result<Stopped, StopError> {
        self.stopping.store(true, Ordering::SeqCst);
        self.door.bell.wake();
        match self.thread.join() {
            Ok(outcome) => outcome,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
}

/// Where calls come in: rings the bell while there is somebody to hear it.
struct Door {
    bell: Bell,
    /// The channel, once the drive's thread has left.
    closed: OnceLock<Receiver<Call>>,
}

impl Door {
    /// Whatever is in the channel by now, or comes later, is answered: the drive is gone.
    fn close(&self, calls: Receiver<Call>) {
        let calls = self.closed.get_or_init(|| calls);
        fence(Ordering::SeqCst);
        send_away(calls);
    }
}

impl Wake for Door {
    fn wake(&self) {
        self.bell.wake();
        // The call is in the channel. Either it is seen from here, or it was there when the
        // channel was emptied after closing.
        if let Some(calls) = self.closed.get() {
            send_away(calls);
        }
    }
}

fn send_away(calls: &Receiver<Call>) {
    while let Ok(call) = calls.try_recv() {
        call.send_away();
    }
}

/// Turns and sleeps until the drive has shut down.
fn run<M: Machine>(
    mut event_loop: EventLoop<M>,
    stopping: &AtomicBool,
    bell: &Bell,
) -> Result<Stopped, StopError> {
    let mut left = false;
    let mut alertness = Alertness::default();
    loop {
        if !left && stopping.load(Ordering::SeqCst) {
            event_loop.leave();
            left = true;
        }
        match event_loop.turn() {
            Next::Turn => {}
            Next::Rest(until) => {
                rest(&event_loop, until, bell, &mut alertness, || {
                    !left && stopping.load(Ordering::SeqCst)
                });
            }
            Next::Over => break,
        }
    }
    let last = Stopped {
        status: event_loop.status(),
        account: event_loop.account(),
        tally: event_loop.tally(),
    };
    match event_loop.failure() {
        None => Ok(last),
        Some(why) => Err(StopError::Failed {
            why: Arc::clone(why),
            last: Box::new(last),
        }),
    }
}

/// Waits for the moment, a call, or the mover.
fn rest<M: Machine>(
    event_loop: &EventLoop<M>,
    until: Option<Instant>,
    bell: &Bell,
    alertness: &mut Alertness,
    stopping: impl Fn() -> bool,
) {
    let clock = &event_loop.clock;
    let stay_awake = || event_loop.is_called() || stopping();
    let real = until.map(|at| clock.real_until(at));
    // Without a pace nobody is waiting for the moment.
    let spin = if clock.is_paced() {
        SPIN
    } else {
        Duration::ZERO
    };
    if let (Some(at), Some(real)) = (until, real)
        && real <= spin
    {
        while clock.real_until(at) > Duration::ZERO && !stay_awake() {
            std::hint::spin_loop();
        }
        return;
    }
    let mover = event_loop.mover();
    if !clock.is_paced() && mover.in_flight() == 0 && alertness.pays(clock, stay_awake) {
        return;
    }
    let other = if mover.in_flight() > 0 {
        mover.fd()
    } else {
        None
    };
    let real = real.map(|real| real.saturating_sub(spin));
    bell.sleep(real, other, stay_awake);
}

/// Whether it pays to stay awake. Giving way to others instead would be worse on a busy machine:
/// they take whole slices of time, while a sleeper that is woken has precedence.
#[derive(Default)]
struct Alertness {
    /// It paid last time.
    paid: bool,
    rests: u32,
}

impl Alertness {
    /// Stays awake for a moment if that makes sense; whether something came meanwhile.
    fn pays(&mut self, clock: &Clock, came: impl Fn() -> bool) -> bool {
        self.rests = self.rests.wrapping_add(1);
        if !self.paid && !self.rests.is_multiple_of(AWAKE_EVERY) {
            return false;
        }
        let until = clock.now() + AWAKE_MAX;
        while clock.now() < until {
            if came() {
                self.paid = true;
                return true;
            }
            std::hint::spin_loop();
        }
        self.paid = false;
        false
    }
}

/// Calls the function if the thread panics.
struct OnPanic<F: FnMut()>(F);

impl<F: FnMut()> Drop for OnPanic<F> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            (self.0)();
        }
    }
}

#[cfg(test)]
#[path = "owner_tests.rs"]
mod tests;
