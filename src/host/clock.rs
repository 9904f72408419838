//! Owns the relation of real time to model time. The only file that reads the system's clock.
//!
//! Model time never runs backwards. With a pace it follows real time; with the pace off it also
//! jumps to whatever a host request waits for, and goes on from there: it is real time plus the sum
//! of all jumps. Nothing here knows what happens at a moment.

use std::num::NonZeroU32;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::time::{Duration, Instant};

/// How fast model time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As real time.
    Real,
    /// `model` nanoseconds of model time in `real` nanoseconds of real time.
    Factor {
        /// Length of model time.
        model: NonZeroU32,
        /// Length of real time in which it passes.
        real: NonZeroU32,
    },
    /// As real time, and whatever a host request waits for is there at once.
    Off,
}

/// Tells model time.
#[derive(Debug)]
pub struct Clock {
    source: Source,
    pace: Pace,
    /// Real time when this pace began.
    real_start: u64,
    /// Model time then, and the jumps since.
    model_start: Instant,
}

#[derive(Debug)]
enum Source {
    System(std::time::Instant),
    Stepping(Stepping),
}

/// The beginning of a pause.
#[derive(Debug, PartialEq, Eq)]
#[must_use = "the clock goes on when it is handed back"]
pub struct Paused(u64);

/// A source of real time that goes only where it is told to, for tests.
#[derive(Clone, Debug, Default)]
pub struct Stepping(Arc<AtomicU64>);

impl Stepping {
    /// Lets real time pass.
    pub fn step(&self, by: Duration) {
        self.0.fetch_add(by.0, Ordering::SeqCst);
    }
}

impl Clock {
    /// A clock by the system's monotonic time; model time begins at 0.
    pub fn system(pace: Pace) -> Clock {
        Clock::new(Source::System(std::time::Instant::now()), pace)
    }

    /// A clock by a time that the caller steps.
    pub fn stepping(source: Stepping, pace: Pace) -> Clock {
        Clock::new(Source::Stepping(source), pace)
    }

    fn new(source: Source, pace: Pace) -> Clock {
        Clock {
            source,
            pace,
            real_start: 0,
            model_start: Instant(0),
        }
    }

    /// How fast it goes.
    pub fn pace(&self) -> Pace {
        self.pace
    }

    /// Whether answers wait for their moment.
    pub fn is_paced(&self) -> bool {
        self.pace != Pace::Off
    }

    /// How much later than `due` it is at `now`. Without a pace nothing is due at any moment of this
    /// machine's.
    pub fn lag(&self, now: Instant, due: Instant) -> Duration {
        if self.is_paced() {
            now.since(due)
        } else {
            Duration::ZERO
        }
    }

    /// The moment of model time.
    pub fn now(&self) -> Instant {
        let real = self.real() - self.real_start;
        let passed = match self.pace {
            Pace::Real | Pace::Off => Duration(real),
            Pace::Factor { model, real: r } => scale(real, model, r, |a, b| a / b),
        };
        self.model_start + passed
    }

    /// Goes to `at`, if that is still to come. Only with the pace off.
    ///
    /// # Panics
    /// With a pace: a defect of the loop.
    pub fn jump_to(&mut self, at: Instant) {
        assert!(!self.is_paced(), "model time with a pace does not jump");
        self.model_start += at.since(self.now());
    }

    /// What this machine does from now on takes no model time, until [`Clock::go_on`].
    pub fn pause(&self) -> Paused {
        Paused(self.real())
    }

    /// The end of what takes no model time.
    #[allow(clippy::needless_pass_by_value)] // a pause ends once
    pub fn go_on(&mut self, since: Paused) {
        self.real_start += self.real() - since.0;
    }

    /// Switches the pace off from now on.
    pub fn hurry(&mut self) {
        let now = self.now();
        (self.real_start, self.model_start) = (self.real(), now);
        self.pace = Pace::Off;
    }

    /// Real time until model time gets to `at` by itself.
    pub fn real_until(&self, at: Instant) -> Duration {
        let model = at.since(self.now());
        match self.pace {
            Pace::Real | Pace::Off => model,
            Pace::Factor { model: m, real } => scale(model.0, real, m, u128::div_ceil),
        }
    }

    fn real(&self) -> u64 {
        match &self.source {
            Source::System(start) => u64::try_from(start.elapsed().as_nanos())
                .expect("a process does not live for 500 years"),
            Source::Stepping(now) => now.0.load(Ordering::SeqCst),
        }
    }
}

fn scale(
    ns: u64,
    times: NonZeroU32,
    by: NonZeroU32,
    divide: impl Fn(u128, u128) -> u128,
) -> Duration {
    let scaled = divide(
        u128::from(ns) * u128::from(times.get()),
        u128::from(by.get()),
    );
    Duration(u64::try_from(scaled).unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn factor(model: u32, real: u32) -> Pace {
        Pace::Factor {
            model: NonZeroU32::new(model).expect("not 0"),
            real: NonZeroU32::new(real).expect("not 0"),
        }
    }

    #[test]
    fn real_pace_follows_real_time() {
        let source = Stepping::default();
        let clock = Clock::stepping(source.clone(), Pace::Real);
        source.step(Duration(1234));
        assert_eq!(clock.now(), Instant(1234));
        assert_eq!(clock.real_until(Instant(2000)), Duration(766));
        assert_eq!(clock.real_until(Instant(1000)), Duration(0));
    }

    proptest! {
        #[test]
        fn after_waiting_as_told_the_moment_has_come_and_not_before(
            model in 1..1000_u32, real in 1..1000_u32, passed in 0..1_000_000_u64, at in 0..1_000_000_u64,
        ) {
            let source = Stepping::default();
            let clock = Clock::stepping(source.clone(), factor(model, real));
            source.step(Duration(passed));
            let wait = clock.real_until(Instant(at));
            if wait.0 > 0 {
                source.step(Duration(wait.0 - 1));
                prop_assert!(clock.now() <= Instant(at));
                source.step(Duration(1));
            }
            prop_assert!(clock.now() >= Instant(at));
        }
    }

    #[test]
    fn with_the_pace_off_real_time_goes_on_from_the_last_jump() {
        let source = Stepping::default();
        let mut clock = Clock::stepping(source.clone(), Pace::Off);
        clock.jump_to(Instant(1000));
        clock.jump_to(Instant(500));
        assert_eq!(clock.now(), Instant(1000));
        source.step(Duration(10));
        assert_eq!(clock.now(), Instant(1010));
        assert_eq!(clock.real_until(Instant(1500)), Duration(490));
        clock.jump_to(Instant(2000));
        source.step(Duration(5));
        assert_eq!(clock.now(), Instant(2005));
    }

    #[test]
    fn a_pause_takes_no_model_time_at_any_pace() {
        for pace in [Pace::Real, factor(10, 1), Pace::Off] {
            let source = Stepping::default();
            let mut clock = Clock::stepping(source.clone(), pace);
            source.step(Duration(50));
            let before = clock.now();
            let paused = clock.pause();
            source.step(Duration(1000));
            clock.go_on(paused);
            assert_eq!(clock.now(), before);
            source.step(Duration(1));
            assert!(clock.now() > before);
        }
    }

    #[test]
    fn hurrying_keeps_the_moment_and_allows_jumps() {
        let source = Stepping::default();
        let mut clock = Clock::stepping(source.clone(), factor(10, 1));
        source.step(Duration(50));
        clock.hurry();
        assert_eq!(clock.now(), Instant(500));
        source.step(Duration(7));
        assert_eq!(clock.now(), Instant(507));
        clock.jump_to(Instant(9000));
        assert_eq!(clock.now(), Instant(9000));
    }
}
