//! Owns how the drive's thread sleeps and is woken.
//!
//! Whoever sends a call rings the bell; that costs a system call only while the thread sleeps. No
//! ring is lost: the thread says that it will sleep, looks at the channel once more, and only then
//! sleeps. It knows nothing of what it is woken for.

use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::atomic::{AtomicBool, Ordering, fence};

use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, ppoll};
use nix::sys::eventfd::{EfdFlags, EventFd};
use nix::sys::prctl;
use nix::sys::time::TimeSpec;

use super::handle::Wake;
use crate::time::Duration;

/// The bell of one thread.
#[derive(Debug)]
pub(super) struct Bell {
    event: EventFd,
    asleep: AtomicBool,
}

impl Bell {
    /// A bell that nobody sleeps by yet.
    pub(super) fn new() -> io::Result<Bell> {
        Ok(Bell {
            event: EventFd::from_flags(EfdFlags::EFD_NONBLOCK | EfdFlags::EFD_CLOEXEC)?,
            asleep: AtomicBool::new(false),
        })
    }

    /// Sleeps until the bell rings, `other` is readable, or `real` time is over. Does not sleep if
    /// `stay_awake`, asked after the bell is armed, says so.
    pub(super) fn sleep(
        &self,
        real: Option<Duration>,
        other: Option<BorrowedFd<'_>>,
        stay_awake: impl FnOnce() -> bool,
    ) {
        self.asleep.store(true, Ordering::SeqCst);
        fence(Ordering::SeqCst);
        let mut rung = false;
        if !stay_awake() {
            let mut fds = vec![PollFd::new(self.event.as_fd(), PollFlags::POLLIN)];
            fds.extend(other.map(|fd| PollFd::new(fd, PollFlags::POLLIN)));
            // An early end of the sleep, whatever its reason, does no harm: the loop looks again.
            let _ = ppoll(&mut fds, real.map(timespec), None);
            rung = fds[0].any() == Some(true);
        }
        self.asleep.store(false, Ordering::SeqCst);
        if rung {
            // A ring that is still on its way ends the next sleep at once, and is read there.
            let _: Result<u64, Errno> = self.event.read();
        }
    }
}

impl Wake for Bell {
    fn wake(&self) {
        fence(Ordering::SeqCst);
        if self.asleep.load(Ordering::Relaxed) && self.asleep.swap(false, Ordering::SeqCst) {
            // Fails only if the counter is full, and then the thread wakes anyway.
            let _ = self.event.write(1);
        }
    }
}

/// Lets timers of this thread end when they should instead of up to 50 µs later.
pub(super) fn ask_for_precise_timers() {
    if let Err(errno) = prctl::set_timerslack(1) {
        log::warn!("timers of the drive's thread stay imprecise: {errno}");
    }
}

fn timespec(real: Duration) -> TimeSpec {
    let whole = i64::try_from(real.0 / 1_000_000_000).expect("2^64 ns are not 2^63 s");
    let rest = i64::try_from(real.0 % 1_000_000_000).expect("below 10^9");
    TimeSpec::new(whole, rest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn a_ring_while_asleep_ends_the_sleep() {
        let bell = Arc::new(Bell::new().expect("an eventfd"));
        let ringer = Arc::clone(&bell);
        let mut ringing = None;
        // Rung after the bell is armed; without the ring this would sleep for ever.
        bell.sleep(None, None, || {
            ringing = Some(std::thread::spawn(move || ringer.wake()));
            false
        });
        ringing.expect("spawned").join().expect("no panic");
        assert!(!bell.asleep.load(Ordering::SeqCst));
    }

    #[test]
    fn a_ring_while_awake_makes_no_system_call() {
        let bell = Bell::new().expect("an eventfd");
        bell.wake();
        assert_eq!(bell.event.read(), Err(Errno::EAGAIN));
    }

    #[test]
    fn a_ring_that_came_late_ends_only_one_sleep() {
        let bell = Bell::new().expect("an eventfd");
        bell.event.write(1).expect("the late ring");
        bell.sleep(None, None, || false);
        assert_eq!(bell.event.read(), Err(Errno::EAGAIN));
    }

    #[test]
    fn who_stays_awake_does_not_sleep() {
        let bell = Bell::new().expect("an eventfd");
        bell.sleep(None, None, || true);
        assert!(!bell.asleep.load(Ordering::SeqCst));
    }

    #[test]
    fn a_readable_descriptor_ends_the_sleep() {
        let (bell, other) = (
            Bell::new().expect("an eventfd"),
            EventFd::new().expect("another"),
        );
        other.write(1).expect("make it readable");
        bell.sleep(None, Some(other.as_fd()), || false);
        assert_eq!(other.read(), Ok(1));
    }
}
