//! Owns the rotation: where the platters stand at a moment, and how long until they stand elsewhere.
//!
//! Exact in integers: model time 0 is angle 0, and however long a run lasts no angle drifts. Times
//! are rounded up to a nanosecond, so nothing is reached before it is there. It does not know
//! tracks or skews.

use crate::time::{Duration, Instant};

/// Parts of a revolution in which angles are counted: chosen so that the platters advance by
/// `rpm_milli` parts in each nanosecond.
pub const REVOLUTION: u64 = 60_000_000_000_000;

/// How late a sector may be reached and still be caught, in nanoseconds. Ends of transfers are
/// rounded up to a nanosecond, and that must never cost a revolution.
const LATE_NS: u64 = 16;

/// How long ago, in nanoseconds, a moment may be that is looked for because all angles are as from there on.
const ALIKE_NS_MAX: u64 = 1_000_000_000;

/// An angle of the platters in parts of [`REVOLUTION`], below one revolution.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Phase(pub u64);

impl Phase {
    /// The angle at which the `slot`-th of `per_track` equal parts of a track begins.
    pub fn of_slot(slot: u32, per_track: u32) -> Phase {
        Phase(parts(u64::from(slot), per_track) % REVOLUTION)
    }
}

/// How sectors of a track pass that are not begun at their first: see [`Rotation::from_the_middle`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Middle {
    /// Until the next of them begins.
    pub wait: Duration,
    /// While other sectors of the track pass.
    pub gap: Duration,
    /// While they pass.
    pub transfer: Duration,
}

/// Spindles at a constant rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rotation {
    rpm_milli: u64,
    /// Nanoseconds after which the angle repeats exactly (a whole number of revolutions).
    period_ns: u64,
    /// Whether angle arithmetic within a period exceeds 64 bits.
    wide: bool,
}

impl Rotation {
    /// A spindle of so many thousandths of revolutions per minute.
    ///
    /// # Panics
    /// If it stands still.
    pub fn new(rpm_milli: u64) -> Rotation {
        assert!(rpm_milli > 0, "a valid profile's platters turn");
        let period_ns = REVOLUTION / greatest_common_divisor(REVOLUTION, rpm_milli);
        Rotation {
            rpm_milli,
            period_ns,
            wide: period_ns.checked_mul(rpm_milli).is_none(),
        }
    }

    /// Parts of [`REVOLUTION`] in each nanosecond.
    pub fn rate(&self) -> u64 {
        self.rpm_milli
    }

    /// Time of one revolution.
    pub fn revolution(&self) -> Duration {
        self.time_of(REVOLUTION)
    }

    /// Time of so many thousandths of revolutions.
    pub fn thousandths(&self, milli: u32) -> Duration {
        self.sectors(u64::from(milli), 1_000)
    }

    /// Time in which `sectors` sectors pass, at `per_track` to the revolution.
    pub fn sectors(&self, sectors: u64, per_track: u32) -> Duration {
        let per_track = u64::from(per_track);
        let narrow = sectors.checked_mul(REVOLUTION);
        if let (Some(angle), Some(rate)) = (narrow, per_track.checked_mul(self.rpm_milli)) {
            return Duration(angle.div_ceil(rate));
        }
        let angle = u128::from(sectors) * u128::from(REVOLUTION);
        let rate = u128::from(per_track) * u128::from(self.rpm_milli);
        Duration(u64::try_from(angle.div_ceil(rate)).expect("below 500 years"))
    }

    /// The angle at a moment.
    pub fn phase(&self, at: Instant) -> Phase {
        let within = at.0 % self.period_ns;
        if self.wide {
            let angle = u128::from(within) * u128::from(self.rpm_milli) % u128::from(REVOLUTION);
            Phase(u64::try_from(angle).expect("below one revolution"))
        } else {
            Phase(within * self.rpm_milli % REVOLUTION)
        }
    }

    /// The last moment until `at` from which on all angles follow as they do from the start of time on:
    /// exactly, unless the last such moment is more than a second ago; then to a nanosecond.
    pub fn alike_before(&self, at: Instant) -> Instant {
        if self.period_ns <= ALIKE_NS_MAX {
            return Instant(at.0 - at.0 % self.period_ns);
        }
        let angle = u128::from(at.0) * u128::from(self.rpm_milli);
        let turns = angle / u128::from(REVOLUTION) * u128::from(REVOLUTION);
        let ns = turns / u128::from(self.rpm_milli);
        Instant(u64::try_from(ns).expect("not later than the moment itself"))
    }

    /// Time from a moment until the platters stand at `target`, less than a revolution. A target
    /// missed by a few nanoseconds only counts as caught.
    pub fn until(&self, at: Instant, target: Phase) -> Duration {
        let ahead = between(self.phase(at), target);
        if REVOLUTION - ahead <= LATE_NS * self.rpm_milli {
            return Duration::ZERO;
        }
        self.time_of(ahead)
    }

    /// Time in which the `sectors` sectors from `slot` on pass, for a head that has been waiting
    /// for them since [`Rotation::until`] let it begin at `at`: up to the exact angle of their end,
    /// so that transfers one after another never drift.
    pub fn pass(&self, at: Instant, slot: u32, sectors: u32, per_track: u32) -> Duration {
        let begin = parts(u64::from(slot), per_track);
        let end = parts(u64::from(slot) + u64::from(sectors), per_track);
        let late = between(Phase(begin % REVOLUTION), self.phase(at));
        self.time_of((end - begin).saturating_sub(late))
    }

    /// How the `sectors` sectors from `slot` on pass for a head that may begin with any of them, if
    /// it comes over them at `at` after the first has begun: from the next one on to the last, and
    /// the others when they come round, so that all is over a revolution after the beginning.
    /// `None` if the first is also the next of them that begins.
    pub fn from_the_middle(
        &self,
        at: Instant,
        slot: u32,
        sectors: u32,
        per_track: u32,
    ) -> Option<Middle> {
        let nth = |n: u32| Phase::of_slot((slot % per_track + n) % per_track, per_track);
        let gone = u128::from(between(nth(0), self.phase(at))) * u128::from(per_track);
        let gone = u32::try_from(gone / u128::from(REVOLUTION)).expect("below a track");
        // The sector that has just begun may still be caught.
        let caught = self.until(at, nth(gone)) == Duration::ZERO;
        let next = if caught { gone } else { gone + 1 };
        if next == 0 || next >= sectors {
            return None;
        }
        let wait = self.until(at, nth(next));
        let first = (slot % per_track + next) % per_track;
        let all = self.pass(at + wait, first, per_track, per_track);
        let transfer = self.sectors(u64::from(sectors), per_track).min(all);
        Some(Middle {
            wait,
            gap: all - transfer,
            transfer,
        })
    }

    fn time_of(&self, angle: u64) -> Duration {
        Duration(angle.div_ceil(self.rpm_milli))
    }
}

/// How far it is from one angle forward to another.
fn between(from: Phase, to: Phase) -> u64 {
    if to.0 >= from.0 {
        to.0 - from.0
    } else {
        to.0 + REVOLUTION - from.0
    }
}

/// The angle of `slots` of `per_track` parts of a revolution, rounded down.
fn parts(slots: u64, per_track: u32) -> u64 {
    if let Some(angle) = slots.checked_mul(REVOLUTION) {
        return angle / u64::from(per_track);
    }
    let angle = u128::from(slots) * u128::from(REVOLUTION) / u128::from(per_track);
    u64::try_from(angle).expect("two revolutions at most")
}

fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The angle by the definition, in wide arithmetic.
    fn plain_phase(rpm_milli: u64, at: u64) -> u128 {
        u128::from(at) * u128::from(rpm_milli) % 60_000_000_000_000
    }

    proptest! {
        #[test]
        fn the_angle_is_exact_at_any_moment(rpm_milli in 1u64..20_000_000, at in any::<u64>()) {
            let phase = Rotation::new(rpm_milli).phase(Instant(at));
            prop_assert_eq!(u128::from(phase.0), plain_phase(rpm_milli, at));
        }

        #[test]
        fn the_wait_is_the_shortest_that_reaches_the_angle(
            rpm_milli in 1_000_000u64..20_000_000,
            at in 0u64..1 << 50,
            target in 0u64..REVOLUTION,
        ) {
            let rotation = Rotation::new(rpm_milli);
            let wait = rotation.until(Instant(at), Phase(target)).0;
            prop_assert!(wait <= rotation.revolution().0);
            let late = |at: u64| {
                (plain_phase(rpm_milli, at) + u128::from(REVOLUTION) - u128::from(target))
                    % u128::from(REVOLUTION)
            };
            prop_assert!(late(at + wait) <= u128::from(rpm_milli * 16));
            if wait > 0 {
                prop_assert!(late(at + wait - 1) > u128::from(rpm_milli * 16));
            }
        }

        #[test]
        fn the_moment_that_is_like_the_start_of_time_is_a_short_while_ago_and_has_its_angles(
            rpm in 1_000u64..20_000, milli in 0u64..1_000, whole in any::<bool>(), at in 0u64..1 << 60,
        ) {
            let rpm_milli = rpm * 1_000 + if whole { 0 } else { milli };
            let alike = Rotation::new(rpm_milli).alike_before(Instant(at)).0;
            prop_assert!(alike <= at);
            let short = plain_phase(rpm_milli, alike);
            // A minute has a whole number of turns if the rate is one; each 60th of it if that is.
            if rpm_milli % 60_000 == 0 {
                prop_assert!(at - alike < 1_000_000_000);
                prop_assert_eq!(short, 0);
            } else {
                // To the nanosecond in which the platters pass the angle.
                let before = u128::from(REVOLUTION) - short;
                prop_assert!(short == 0 || before <= u128::from(rpm_milli), "{short}");
                prop_assert!(at - alike <= 1_000_000_000);
            }
        }

        #[test]
        fn sectors_one_after_another_never_cost_a_revolution(
            rpm_milli in 1_000_000u64..20_000_000,
            per_track in 1u32..3_000,
            at in 0u64..1 << 50,
            slot in any::<u32>(),
            runs in prop::collection::vec(1u32..50, 1..40),
        ) {
            let rotation = Rotation::new(rpm_milli);
            let mut slot = slot % per_track;
            let mut now = Instant(at);
            now += rotation.until(now, Phase::of_slot(slot, per_track));
            let begun = now;
            let mut passed = 0;
            for run in runs {
                let run = run.min(per_track);
                prop_assert_eq!(
                    rotation.until(now, Phase::of_slot(slot, per_track)),
                    Duration::ZERO
                );
                now += rotation.pass(now, slot, run, per_track);
                slot = (slot + run) % per_track;
                passed += u64::from(run);
            }
            let expected = rotation.sectors(passed, per_track).0;
            prop_assert!(now.since(begun).0.abs_diff(expected) <= 20);
        }
    }

    #[test]
    fn a_revolution_at_5900_rpm_takes_10_169_ms() {
        // 60 s / 5,900 = 10.169491525... ms.
        assert_eq!(Rotation::new(5_900_000).revolution(), Duration(10_169_492));
        assert_eq!(Rotation::new(7_200_000).revolution(), Duration(8_333_334));
        assert_eq!(
            Rotation::new(6_000_000).thousandths(2_500),
            Duration::from_ms(25)
        );
    }

    #[test]
    fn the_average_wait_is_half_a_revolution() {
        let rotation = Rotation::new(5_900_000);
        let moments = 10_000u64;
        let total: u64 = (0..moments)
            .map(|n| rotation.until(Instant(n * 7_919_337), Phase(0)).0)
            .sum();
        let mean = total / moments;
        assert!(mean.abs_diff(5_084_746) < 30_000, "{mean} ns");
    }

    #[test]
    fn a_head_just_behind_a_sector_waits_almost_a_revolution() {
        let rotation = Rotation::new(6_000_000);
        assert_eq!(rotation.until(Instant(100), Phase(0)), Duration(9_999_900));
        assert_eq!(rotation.until(Instant(10), Phase(0)), Duration::ZERO);
    }

    /// The soonest end of reading `wanted` sectors from `slot` on, by trying every one of them as
    /// the first: `n` sectors to a turn of `n * sector` nanoseconds.
    fn plain_end(at: u64, sector: u64, n: u64, slot: u64, wanted: u64) -> u64 {
        let turn = n * sector;
        let end = |first: u64| {
            let wait = ((slot + first) * sector + turn - at % turn) % turn;
            let pass = if first == 0 { wanted * sector } else { turn };
            at + wait + pass
        };
        (0..wanted).map(end).min().unwrap()
    }

    #[test]
    fn beginning_anywhere_ends_as_soon_as_trying_every_first_sector() {
        // A turn of 10 ms, and tracks whose sectors it divides into evenly.
        let rotation = Rotation::new(6_000_000);
        let mut middles = 0;
        for n in [1_u32, 2, 4, 5, 8] {
            let sector = 10_000_000 / u64::from(n);
            for (slot, wanted) in (0..n).flat_map(|slot| (1..=n).map(move |wanted| (slot, wanted)))
            {
                for angle in 0..8 * u64::from(n) {
                    let at = 70_000_000 + angle * sector / 8;
                    let plain =
                        plain_end(at, sector, u64::from(n), u64::from(slot), u64::from(wanted));
                    let found = rotation.from_the_middle(Instant(at), slot, wanted, n);
                    let Some(middle) = found else {
                        let begin =
                            Instant(at) + rotation.until(Instant(at), Phase::of_slot(slot, n));
                        let end = begin + rotation.pass(begin, slot, wanted, n);
                        assert_eq!(end.0, plain, "in order: {n} {slot} {wanted} {angle}");
                        continue;
                    };
                    middles += 1;
                    let end = at + (middle.wait + middle.gap + middle.transfer).0;
                    assert_eq!(end, plain, "anywhere: {n} {slot} {wanted} {angle}");
                    assert!(middle.wait.0 < sector);
                    assert_eq!(middle.transfer.0, u64::from(wanted) * sector);
                }
            }
        }
        assert!(middles > 1_000, "{middles}");
    }

    #[test]
    fn a_sector_that_began_a_moment_ago_is_still_the_first() {
        // Ten sectors of a millisecond; sector 3 began 10 ns ago.
        let rotation = Rotation::new(6_000_000);
        let found = rotation
            .from_the_middle(Instant(3_000_010), 0, 10, 10)
            .unwrap();
        assert_eq!(found.wait, Duration::ZERO);
        assert_eq!(found.gap + found.transfer, Duration(9_999_990));
    }
}
