//! Owns the sentence that tells a person where the time of a request went.
//!
//! The largest part comes first, parts below a tenth of the whole are left out, and so is what
//! comes after the third. It decides nothing; the numbers are those of the breakdown.

use super::request::{Completion, Operation};
use crate::time::Duration;

/// Parts named at most.
const PARTS_MAX: usize = 3;

impl Completion {
    /// Where the time went, largest part first: `waited 1.14 s for room: cleaning band 20,118` or
    /// `seek 11.2 ms, rotation 8.4 ms`.
    pub fn cause(&self) -> String {
        let mut parts = self.parts();
        // Stable, so that equal parts keep the order of the breakdown.
        parts.sort_by_key(|(duration, _)| std::cmp::Reverse(*duration));
        let total: u64 = parts.iter().map(|(duration, _)| duration.0).sum();
        let named: Vec<String> = parts
            .into_iter()
            .filter(|(duration, _)| duration.0 > 0 && duration.0 >= total / 10)
            .take(PARTS_MAX)
            .map(|(_, words)| words)
            .collect();
        let where_to = if named.is_empty() {
            "no time at all".to_owned()
        } else {
            named.join(", ")
        };
        match &self.failing {
            Some(failing) => format!("{where_to}; failed: {failing}"),
            None => where_to,
        }
    }

    fn parts(&self) -> Vec<(Duration, String)> {
        let b = &self.breakdown;
        let of_band = self
            .behind
            .map_or(String::new(), |bands| match bands.count {
                1 => format!(" of band {}", grouped(bands.longest.0)),
                many => format!(
                    " of {} bands, longest for band {}",
                    grouped(many),
                    grouped(bands.longest.0)
                ),
            });
        let room_by = self
            .room_by
            .map_or(String::new(), |bands| match bands.count {
                1 => format!(": cleaning band {}", grouped(bands.longest.0)),
                many => format!(
                    ": cleaning {} bands, band {} took longest",
                    grouped(many),
                    grouped(bands.longest.0)
                ),
            });
        let missed = self
            .missed_by
            .map_or(String::new(), |by| format!(" (missed its sector by {by})"));
        vec![
            (b.queue, format!("queued {} behind other requests", b.queue)),
            (
                b.cleaning,
                format!("waited {} for the cleaning{of_band}", b.cleaning),
            ),
            (b.room, format!("waited {} for room{room_by}", b.room)),
            (
                b.merge,
                format!("waited {} for a merge of the map", b.merge),
            ),
            (b.destage, self.destaging()),
            (b.seek, format!("seek {}", b.seek)),
            (b.rotation, format!("rotation {}{missed}", b.rotation)),
            (b.transfer, format!("transfer {}", b.transfer)),
            (
                b.out_of_band,
                format!("out-of-band record {}", b.out_of_band),
            ),
            (b.overhead, format!("electronics {}", b.overhead)),
            (b.stalled, format!("stalled on request: {}", b.stalled)),
            (b.slowed, format!("slowed on request: {}", b.slowed)),
            (
                b.lag,
                format!("delivered {} late by the host machine", b.lag),
            ),
        ]
    }

    /// What moving the cache to the medium means for a request.
    fn destaging(&self) -> String {
        let time = self.breakdown.destage;
        match self.operation {
            Operation::Flush => format!("the write cache took {time} to get to the medium"),
            Operation::Write { fua: false } | Operation::WriteZeroes { fua: false, .. } => {
                format!("waited {time} for room in the write cache")
            }
            _ => format!("waited {time} while the write cache was moved to the medium"),
        }
    }
}

/// A number with its thousands apart.
fn grouped(number: u32) -> String {
    let digits = number.to_string();
    let mut grouped = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::request::{BandsCleaned, Breakdown};
    use crate::medium::movement::RequestId;
    use crate::time::Instant;
    use crate::units::HomeBand;

    fn completion(breakdown: Breakdown) -> Completion {
        Completion {
            request: RequestId(1),
            operation: Operation::Read,
            offset: 0,
            bytes: 4096,
            arrived: Instant(0),
            due: Instant(0) + breakdown.modelled(),
            needs: None,
            breakdown,
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        }
    }

    fn check(breakdown: Breakdown, expected: &str) {
        assert_eq!(completion(breakdown).cause(), expected);
    }

    fn bands(longest: u32, count: u32) -> BandsCleaned {
        let longest = HomeBand(longest);
        BandsCleaned { longest, count }
    }

    #[test]
    fn the_largest_part_comes_first_and_small_ones_are_left_out() {
        check(
            Breakdown {
                rotation: Duration::from_us(8_400),
                seek: Duration::from_us(11_200),
                transfer: Duration::from_us(30),
                overhead: Duration::from_us(100),
                ..Breakdown::default()
            },
            "seek 11.2 ms, rotation 8.40 ms",
        );
    }

    #[test]
    fn waiting_names_the_band_that_was_cleaned() {
        let room = Breakdown {
            room: Duration::from_ms(1140),
            seek: Duration::from_ms(10),
            ..Breakdown::default()
        };
        check(room, "waited 1.14 s for room");
        let mut waited = completion(room);
        waited.room_by = Some(bands(20_118, 1));
        assert_eq!(
            waited.cause(),
            "waited 1.14 s for room: cleaning band 20,118"
        );
        waited.room_by = Some(bands(7, 1_234_567));
        assert_eq!(
            waited.cause(),
            "waited 1.14 s for room: cleaning 1,234,567 bands, band 7 took longest"
        );
        let mut waited = completion(Breakdown {
            cleaning: Duration::from_ms(25),
            ..Breakdown::default()
        });
        waited.behind = Some(bands(999, 1));
        assert_eq!(waited.cause(), "waited 25 ms for the cleaning of band 999");
        waited.behind = Some(bands(1_000, 2));
        assert_eq!(
            waited.cause(),
            "waited 25 ms for the cleaning of 2 bands, longest for band 1,000"
        );
    }

    #[test]
    fn the_way_of_the_cache_to_the_medium_is_told_by_what_was_asked() {
        let destage = Breakdown {
            destage: Duration::from_ms(30),
            ..Breakdown::default()
        };
        for (operation, words) in [
            (
                Operation::Flush,
                "the write cache took 30 ms to get to the medium",
            ),
            (
                Operation::Write { fua: false },
                "waited 30 ms for room in the write cache",
            ),
            (
                Operation::Write { fua: true },
                "waited 30 ms while the write cache was moved to the medium",
            ),
        ] {
            let told = Completion {
                operation,
                ..completion(destage)
            };
            assert_eq!(told.cause(), words);
        }
    }

    #[test]
    fn a_missed_sector_is_named() {
        let mut missed = completion(Breakdown {
            rotation: Duration::from_us(9_800),
            ..Breakdown::default()
        });
        missed.missed_by = Some(Duration::from_us(370));
        assert_eq!(
            missed.cause(),
            "rotation 9.80 ms (missed its sector by 370 µs)"
        );
    }

    #[test]
    fn no_more_than_three_parts_are_named() {
        let ms = Duration::from_ms(1);
        check(
            Breakdown {
                queue: ms,
                merge: ms,
                seek: ms,
                rotation: ms,
                ..Breakdown::default()
            },
            "queued 1 ms behind other requests, waited 1 ms for a merge of the map, seek 1 ms",
        );
    }

    #[test]
    fn a_request_that_took_no_time_says_so() {
        check(Breakdown::default(), "no time at all");
    }

    #[test]
    fn a_late_host_machine_is_named_as_such() {
        check(
            Breakdown {
                overhead: Duration::from_us(100),
                lag: Duration::from_ms(7),
                ..Breakdown::default()
            },
            "delivered 7 ms late by the host machine",
        );
    }
}
