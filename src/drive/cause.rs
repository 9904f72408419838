//! Owns the sentence that tells a person where the time of a request went.
//!
//! The largest part comes first, parts below a tenth of the whole are left out, and so is what
//! comes after the third. It decides nothing; the numbers are those of the breakdown.

use super::request::Completion;
use crate::time::Duration;

/// Parts named at most.
const PARTS_MAX: usize = 3;

impl Completion {
    /// Where the time went, largest part first: `waited 1.14 s for room: cleaning band 20118` or
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
        let (mut of_band, mut cleaning_band) = (String::new(), String::new());
        if let Some(band) = self.waited_for {
            of_band = format!(" of band {band}");
            cleaning_band = format!(": cleaning band {band}");
        }
        vec![
            (b.queue, format!("queued {} behind other requests", b.queue)),
            (
                b.cleaning,
                format!("waited {} for a step of the cleaning{of_band}", b.cleaning),
            ),
            (b.room, format!("waited {} for room{cleaning_band}", b.room)),
            (
                b.merge,
                format!("waited {} for a merge of the map", b.merge),
            ),
            (b.seek, format!("seek {}", b.seek)),
            (b.rotation, format!("rotation {}", b.rotation)),
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
}

#[cfg(test)]
mod tests {
    use crate::drive::request::{Breakdown, Completion, Operation};
    use crate::medium::movement::RequestId;
    use crate::time::{Duration, Instant};
    use crate::units::HomeBand;

    fn check(breakdown: Breakdown, waited_for: Option<u32>, expected: &str) {
        let completion = Completion {
            request: RequestId(1),
            operation: Operation::Read,
            offset: 0,
            bytes: 4096,
            arrived: Instant(0),
            due: Instant(0) + breakdown.modelled(),
            needs: None,
            breakdown,
            waited_for: waited_for.map(HomeBand),
            failing: None,
        };
        assert_eq!(completion.cause(), expected);
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
            None,
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
        check(
            room,
            Some(20118),
            "waited 1.14 s for room: cleaning band 20118",
        );
        check(room, None, "waited 1.14 s for room");
        let cleaning = Breakdown {
            cleaning: Duration::from_ms(25),
            ..Breakdown::default()
        };
        check(
            cleaning,
            Some(3),
            "waited 25 ms for a step of the cleaning of band 3",
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
            None,
            "queued 1 ms behind other requests, waited 1 ms for a merge of the map, seek 1 ms",
        );
    }

    #[test]
    fn a_request_that_took_no_time_says_so() {
        check(Breakdown::default(), None, "no time at all");
    }

    #[test]
    fn a_late_host_machine_is_named_as_such() {
        check(
            Breakdown {
                overhead: Duration::from_us(100),
                lag: Duration::from_ms(7),
                ..Breakdown::default()
            },
            None,
            "delivered 7 ms late by the host machine",
        );
    }
}
