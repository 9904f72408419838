//! Owns the time of an arm move by its length.
//!
//! A pure function of the distance, in integers, rounded to a nanosecond. It does not know where
//! the arm is.

use crate::profile::{Platters, SeekCurve, SeekPoint};
use crate::time::Duration;

const MILLION: u64 = 1_000_000;

/// The seek curve of a mechanism of a certain number of cylinders.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeekTimes {
    curve: SeekCurve,
    full_stroke: u32,
    write_settle: Duration,
}

impl SeekTimes {
    /// The curve of a mechanism; its full stroke goes from the first to the last cylinder.
    pub fn new(platters: &Platters) -> SeekTimes {
        let cylinders: u32 = platters.zones.iter().map(|zone| zone.tracks).sum();
        SeekTimes {
            curve: platters.seek.clone(),
            full_stroke: cylinders.saturating_sub(1),
            write_settle: platters.write_settle,
        }
    }

    /// The longest move in tracks.
    pub fn full_stroke(&self) -> u32 {
        self.full_stroke
    }

    /// Added to a move that ends in a write.
    pub fn write_settle(&self) -> Duration {
        self.write_settle
    }

    /// Time of a move over `tracks` tracks; nothing for no move. Lengths beyond the full stroke
    /// take as long as the full stroke.
    pub fn time(&self, tracks: u32) -> Duration {
        let tracks = tracks.min(self.full_stroke);
        if tracks == 0 {
            return Duration::ZERO;
        }
        match &self.curve {
            &SeekCurve::RootThenLine {
                base,
                root,
                knee_ppm,
                far_base,
                slope,
            } => {
                let (tracks, stroke) = (u64::from(tracks), u64::from(self.full_stroke));
                if tracks * MILLION <= u64::from(knee_ppm) * stroke {
                    base + share_root(root, tracks, stroke)
                } else {
                    far_base + share(slope, tracks, stroke)
                }
            }
            SeekCurve::Points(points) => between_points(points, tracks),
        }
    }
}

/// `root * sqrt(tracks / stroke)`, rounded.
fn share_root(root: Duration, tracks: u64, stroke: u64) -> Duration {
    // Twice the value under the root's square gives one binary digit to round by.
    let square = u128::from(2 * root.0).pow(2) * u128::from(tracks) / u128::from(stroke);
    let doubled = match u64::try_from(square) {
        Ok(square) => square.isqrt(),
        Err(_) => u64::try_from(square.isqrt()).expect("at most twice the root's coefficient"),
    };
    Duration(doubled.div_ceil(2))
}

/// `slope * tracks / stroke`, rounded.
fn share(slope: Duration, tracks: u64, stroke: u64) -> Duration {
    let product = u128::from(slope.0) * u128::from(tracks) + u128::from(stroke / 2);
    Duration(u64::try_from(product / u128::from(stroke)).expect("at most the slope"))
}

/// Straight lines between points; level outside of them.
fn between_points(points: &[SeekPoint], tracks: u32) -> Duration {
    let after = points.partition_point(|point| point.tracks < tracks);
    match (
        after.checked_sub(1).and_then(|i| points.get(i)),
        points.get(after),
    ) {
        (Some(before), Some(after)) => {
            let rise = after.time.saturating_sub(before.time);
            let run = u64::from(after.tracks - before.tracks);
            before.time + share(rise, u64::from(tracks - before.tracks), run)
        }
        (Some(only), None) | (None, Some(only)) => only.time,
        (None, None) => Duration::ZERO,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::RecordingZone;

    /// The common-practice law: 1.0 + 18.4 sqrt(u) ms up to a quarter of the stroke, 5.6 + 18.4 u
    /// beyond.
    fn common_law() -> SeekCurve {
        SeekCurve::RootThenLine {
            base: Duration::from_us(1_000),
            root: Duration::from_us(18_400),
            knee_ppm: 250_000,
            far_base: Duration::from_us(5_600),
            slope: Duration::from_us(18_400),
        }
    }

    fn stroke_of(full_stroke: u32, seek: SeekCurve) -> SeekTimes {
        let platters = Platters {
            rpm_milli: 5_900_000,
            surfaces: 1,
            zones: vec![RecordingZone {
                tracks: full_stroke + 1,
                sectors_per_track: 10,
            }],
            seek,
            write_settle: Duration::ZERO,
            head_switch: Duration::ZERO,
            start_anywhere: false,
        };
        SeekTimes::new(&platters)
    }

    /// Common practice: third of the stroke 11.7333 ms, half 14.8, full 24.0, knee 10.2.
    #[test]
    fn the_square_root_law_gives_the_tabled_times() {
        let seek = stroke_of(480_000, common_law());
        let check = |tracks, micros_tenth: u64| {
            let ns = seek.time(tracks).0;
            assert!(
                ns.abs_diff(micros_tenth * 100) <= 50,
                "{tracks} tracks: {ns} ns"
            );
        };
        check(160_000, 117_333);
        check(240_000, 148_000);
        check(480_000, 240_000);
        check(120_000, 102_000);
        check(120_001, 102_000);
        assert_eq!(seek.time(0), Duration::ZERO);
        assert_eq!(seek.time(1), Duration(1_026_558));
    }

    /// Common practice: the mean over all moves of that law is 11.369167 ms.
    #[test]
    fn the_mean_over_all_pairs_of_places_matches_the_integral() {
        let stroke = 2_000;
        let seek = stroke_of(stroke, common_law());
        let (mut sum, mut weight) = (0u64, 0u64);
        for distance in 1..=stroke {
            let pairs = u64::from(stroke + 1 - distance);
            sum += pairs * seek.time(distance).0;
            weight += pairs;
        }
        assert!(
            (sum / weight).abs_diff(11_369_167) < 12_000,
            "{}",
            sum / weight
        );
    }

    #[test]
    fn the_law_agrees_with_floating_point_and_never_falls() {
        let stroke = 9_999;
        let seek = stroke_of(stroke, common_law());
        let mut before = 0;
        for tracks in 1..=stroke {
            let share = f64::from(tracks) / f64::from(stroke);
            let ms = if share <= 0.25 {
                1.0 + 18.4 * share.sqrt()
            } else {
                5.6 + 18.4 * share
            };
            let ns = seek.time(tracks).0;
            let off = f64::from(u32::try_from(ns).unwrap()) - ms * 1e6;
            assert!(off.abs() <= 1.0, "{tracks}: {off} ns off");
            assert!(ns >= before);
            before = ns;
        }
        assert_eq!(seek.time(stroke + 5), seek.time(stroke));
    }

    /// "UNIX disk access patterns" and its companion on disk modelling describe a 1990s disk as
    /// 3.24 + 0.400 sqrt(d) ms up to 383 cylinders, 8.00 + 0.008 d beyond, of 1,962 cylinders.
    #[test]
    fn a_published_1990s_seek_curve_is_reproduced() {
        let stroke: u32 = 1_961;
        let root_ns = 400_000.0 * f64::from(stroke).sqrt();
        let seek = stroke_of(
            stroke,
            SeekCurve::RootThenLine {
                base: Duration::from_us(3_240),
                root: Duration(format!("{root_ns:.0}").parse().unwrap()),
                knee_ppm: 383 * 1_000_000 / stroke + 1,
                far_base: Duration::from_us(8_000),
                slope: Duration(8_000 * u64::from(stroke)),
            },
        );
        for (tracks, ns) in [
            (1, 3_640_000u64),
            (383, 11_068_154),
            (384, 11_072_000),
            (654, 13_232_000),
            (1_961, 23_688_000),
        ] {
            assert!(
                seek.time(tracks).0.abs_diff(ns) <= 2,
                "{tracks}: {}",
                seek.time(tracks).0
            );
        }
    }

    #[test]
    fn points_are_joined_by_straight_lines() {
        let point = |tracks, ms| SeekPoint {
            tracks,
            time: Duration::from_ms(ms),
        };
        let seek = stroke_of(
            101,
            SeekCurve::Points(vec![point(1, 2), point(11, 4), point(101, 22)]),
        );
        assert_eq!(seek.time(0), Duration::ZERO);
        assert_eq!(seek.time(1), Duration::from_ms(2));
        assert_eq!(seek.time(6), Duration::from_ms(3));
        assert_eq!(seek.time(11), Duration::from_ms(4));
        assert_eq!(seek.time(56), Duration::from_ms(13));
        assert_eq!(seek.time(101), Duration::from_ms(22));
    }
}
