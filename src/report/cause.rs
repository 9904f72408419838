//! Owns why a request took long: the parts of a breakdown, their words, and the sign that a figure
//! marks each with, by shape and colour.

use super::plot::ink::Ink;
use super::plot::shape::Shape;

/// What most of a request's time went to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Cause {
    /// Other requests.
    Queue,
    /// A cleaning step that was under way.
    Cleaning,
    /// Room in the staging area or its map.
    Room,
    /// A merge of the map.
    Merge,
    /// The write cache on its way to the medium.
    Destage,
    /// The arm.
    Seek,
    /// The turning of the platters.
    Rotation,
    /// Passing over sectors.
    Transfer,
    /// Records of staging entries.
    OutOfBand,
    /// Electronics.
    Overhead,
    /// A stall on request.
    Stalled,
    /// A mechanism slowed on request.
    Slowed,
    /// The machine that served the drive.
    Lag,
    /// Nobody says.
    Unknown,
}

impl Cause {
    /// The parts of a recording's row with their columns, in their order.
    pub(super) const PARTS: [(Cause, &'static str); 12] = [
        (Cause::Queue, "queue_ns"),
        (Cause::Cleaning, "cleaning_ns"),
        (Cause::Room, "room_ns"),
        (Cause::Merge, "merge_ns"),
        (Cause::Destage, "destage_ns"),
        (Cause::Seek, "seek_ns"),
        (Cause::Rotation, "rotation_ns"),
        (Cause::Transfer, "transfer_ns"),
        (Cause::OutOfBand, "out_of_band_ns"),
        (Cause::Overhead, "overhead_ns"),
        (Cause::Stalled, "stalled_ns"),
        (Cause::Slowed, "slowed_ns"),
    ];

    /// What a request waited for, as it reads after "mostly".
    pub(super) fn words(self) -> &'static str {
        match self {
            Cause::Queue => "behind other requests",
            Cause::Cleaning => "cleaning under way",
            Cause::Room => "waiting for room",
            Cause::Merge => "merge of the map",
            Cause::Destage => "destage of the cache",
            Cause::Seek => "seek",
            Cause::Rotation => "rotation",
            Cause::Transfer => "transfer",
            Cause::OutOfBand => "out-of-band records",
            Cause::Overhead => "electronics",
            Cause::Stalled => "stall on request",
            Cause::Slowed => "slowed on request",
            Cause::Lag => "lag of the machine",
            Cause::Unknown => "not told",
        }
    }

    /// Its sign in a figure.
    pub(super) fn sign(self) -> (Shape, Ink) {
        match self {
            Cause::Queue => (Shape::Plus, Ink::Other),
            Cause::Cleaning => (Shape::Square, Ink::Cleaning),
            Cause::Room => (Shape::Up, Ink::Writes),
            Cause::Merge => (Shape::Diamond, Ink::Map),
            Cause::Destage => (Shape::Disc, Ink::Staging),
            Cause::Seek
            | Cause::Rotation
            | Cause::Transfer
            | Cause::OutOfBand
            | Cause::Overhead => (Shape::Ring, Ink::Reads),
            Cause::Stalled => (Shape::Down, Ink::Alarm),
            Cause::Slowed => (Shape::OpenSquare, Ink::Alarm),
            Cause::Lag => (Shape::Cross, Ink::Alarm),
            Cause::Unknown => (Shape::OpenDiamond, Ink::Other),
        }
    }

    /// The largest of the parts, which are in the order of [`Cause::PARTS`], and the lag.
    pub(super) fn largest(parts: &[u64; 12], lag_ns: u64) -> Cause {
        let named = Cause::PARTS.iter().zip(parts);
        let all = named
            .map(|((cause, _), ns)| (*cause, *ns))
            .chain([(Cause::Lag, lag_ns)]);
        let nothing = (Cause::Unknown, 0);
        // Of equals the first.
        let (largest, _) = all.fold(
            nothing,
            |most, next| if next.1 > most.1 { next } else { most },
        );
        largest
    }

    /// What the sentence of a slow request begins with says as much: for results that have no parts.
    pub(super) fn of_sentence(sentence: &str) -> Cause {
        const BEGINNINGS: [(&str, Cause); 15] = [
            ("queued", Cause::Queue),
            ("the write cache took", Cause::Destage),
            ("seek", Cause::Seek),
            ("rotation", Cause::Rotation),
            ("transfer", Cause::Transfer),
            ("out-of-band", Cause::OutOfBand),
            ("electronics", Cause::Overhead),
            ("delivered", Cause::Lag),
            ("stalled", Cause::Stalled),
            ("slowed", Cause::Slowed),
            ("for the cleaning", Cause::Cleaning),
            ("for room in the write cache", Cause::Destage),
            ("for room", Cause::Room),
            ("for a merge", Cause::Merge),
            ("while the write cache", Cause::Destage),
        ];
        let first = sentence.split(", ").next().unwrap_or_default();
        let waited = first.strip_prefix("waited ").map(|rest| {
            // The time is a number and a unit.
            let mut words = rest.splitn(3, ' ');
            words.nth(2).unwrap_or_default()
        });
        let told = waited.unwrap_or(first);
        let found = BEGINNINGS
            .iter()
            .find(|(begins, _)| told.starts_with(begins));
        found.map_or(Cause::Unknown, |(_, cause)| *cause)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::request::{Breakdown, Completion, Operation};
    use crate::medium::movement::RequestId;
    use crate::time::{Duration, Instant};

    fn breakdown(parts: [u64; 12], lag: u64) -> Breakdown {
        let [queue, cleaning, room, merge, destage, seek, rest @ ..] = parts.map(Duration);
        let [rotation, transfer, out_of_band, overhead, stalled, slowed] = rest;
        Breakdown {
            queue,
            cleaning,
            room,
            merge,
            destage,
            seek,
            rotation,
            transfer,
            out_of_band,
            overhead,
            stalled,
            slowed,
            lag: Duration(lag),
        }
    }

    fn sentence(operation: Operation, breakdown: Breakdown) -> String {
        let completion = Completion {
            request: RequestId(1),
            operation,
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
        };
        completion.cause()
    }

    #[test]
    fn the_sentence_of_a_drive_and_its_numbers_name_the_same_cause() {
        let fua = Operation::Write { fua: true };
        for operation in [
            Operation::Read,
            Operation::Write { fua: false },
            fua,
            Operation::Flush,
        ] {
            for part in 0..13 {
                // The others are there as well, and smaller.
                let mut parts = [300_000_000; 12];
                let mut lag = 300_000_000;
                match parts.get_mut(part) {
                    Some(largest) => *largest = 1_200_000_000,
                    None => lag = 1_200_000_000,
                }
                let expected = Cause::PARTS
                    .get(part)
                    .map_or(Cause::Lag, |(cause, _)| *cause);
                assert_eq!(Cause::largest(&parts, lag), expected);
                let sentence = sentence(operation, breakdown(parts, lag));
                assert_eq!(Cause::of_sentence(&sentence), expected, "{sentence}");
            }
        }
    }

    #[test]
    fn what_nobody_says_is_unknown() {
        assert_eq!(Cause::largest(&[0; 12], 0), Cause::Unknown);
        for sentence in [
            "",
            "no time at all",
            "waited",
            "waited 3",
            "waited 3 s",
            "\u{2028}",
        ] {
            assert_eq!(Cause::of_sentence(sentence), Cause::Unknown, "{sentence:?}");
        }
    }

    #[test]
    fn causes_that_are_told_apart_have_signs_that_differ_in_shape() {
        let mechanics = [
            Cause::Seek,
            Cause::Rotation,
            Cause::Transfer,
            Cause::OutOfBand,
            Cause::Overhead,
        ];
        let mut shapes = vec![
            Cause::Lag.sign().0,
            Cause::Unknown.sign().0,
            Cause::Seek.sign().0,
        ];
        let named = Cause::PARTS.map(|(cause, _)| cause);
        for cause in named.into_iter().filter(|cause| !mechanics.contains(cause)) {
            assert!(!shapes.contains(&cause.sign().0), "{cause:?}");
            shapes.push(cause.sign().0);
        }
    }
}
