//! Owns the shares that make two mixes of operations alike.
//!
//! Where one side asks for more reads and the other for more flushes, the latency of all requests differs
//! although no operation is faster or slower. So each operation counts, on both sides, by the mean of its
//! shares in A and in B (direct standardisation, common practice where groups of different composition are
//! compared). Always holds: an operation that only one side asked for counts on neither.

use super::tally::{Point, Tally};
use crate::drive::request::Operation;

/// How many operations there are.
const KINDS: usize = Operation::WORDS.len();

/// Shares are parts of this.
const WHOLE: u128 = 1 << 32;

/// How many requests of each operation there are.
pub(super) type Counts = [u64; KINDS];

/// Requests that together count for so much, however many they are.
#[derive(Clone, Debug)]
pub(super) struct Group {
    pub(super) points: Vec<Point>,
    pub(super) share: u128,
}

impl Group {
    /// One group of which each request counts the same.
    pub(super) fn alone(points: Vec<Point>) -> Vec<Group> {
        vec![Group { points, share: 1 }]
    }
}

/// The share of each operation, the same on both sides; 0: it is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shares([u128; KINDS]);

impl Shares {
    /// For sides that asked for so many of each operation; `None`: their mixes are the same.
    pub(super) fn of(a: Counts, b: Counts) -> Option<Shares> {
        let both = |kind: usize| a[kind] > 0 && b[kind] > 0;
        let sum = |side: Counts| -> u128 {
            let kinds = (0..KINDS).filter(|kind| both(*kind));
            kinds.map(|kind| u128::from(side[kind])).sum()
        };
        let (all_a, all_b) = (sum(a), sum(b));
        // Each share of one side by the number of requests of the other: what can be compared.
        let of_a = |kind: usize| u128::from(a[kind]) * all_b;
        let of_b = |kind: usize| u128::from(b[kind]) * all_a;
        let same = |kind: usize| of_a(kind) == of_b(kind) && (both(kind) || a[kind] == b[kind]);
        if (0..KINDS).all(same) {
            return None;
        }
        let all = (2 * all_a * all_b).max(1);
        Some(Shares(std::array::from_fn(|kind| {
            if both(kind) {
                ((of_a(kind) + of_b(kind)) * WHOLE / all).max(1)
            } else {
                0
            }
        })))
    }

    /// The requests of a run by operation, those that are left out aside.
    pub(super) fn groups(&self, run: &Tally) -> Vec<Group> {
        let kinds = run.points.iter().zip(self.0);
        let counting = kinds.filter(|(_, share)| *share > 0);
        counting
            .map(|(points, share)| Group {
                points: points.clone(),
                share,
            })
            .collect()
    }
}

/// The operations that only one side asked for.
pub(super) fn left_out(a: Counts, b: Counts) -> Vec<&'static str> {
    let kinds = Operation::WORDS.into_iter().zip(a.into_iter().zip(b));
    let out = kinds.filter(|(_, (a, b))| (*a > 0) != (*b > 0));
    out.map(|(word, _)| word).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_same_mix_needs_no_shares_however_many_requests_there_are() {
        assert_eq!(Shares::of([7, 3, 0, 0, 0], [70, 30, 0, 0, 0]), None);
        assert_eq!(Shares::of([0; 5], [0; 5]), None);
        assert!(Shares::of([7, 3, 0, 0, 0], [7, 4, 0, 0, 0]).is_some());
        assert!(Shares::of([7, 3, 0, 0, 0], [7, 3, 1, 0, 0]).is_some());
    }

    #[test]
    fn a_share_is_the_mean_of_those_of_both_sides() {
        let shares = Shares::of([90, 10, 5, 0, 0], [10, 10, 0, 0, 0]).expect("they differ");
        // 90 % and 50 %, 10 % and 50 %; the flushes of A alone count on neither side.
        let percent = shares.0.map(|share| (share * 100 + WHOLE / 2) / WHOLE);
        assert_eq!(percent, [70, 30, 0, 0, 0]);
        assert_eq!(left_out([90, 10, 5, 0, 0], [10, 10, 0, 0, 0]), ["flush"]);
    }

    proptest! {
        #[test]
        fn shares_are_the_same_from_either_side_and_make_a_whole(
            a in prop::array::uniform5(0..1000_u64),
            b in prop::array::uniform5(0..1000_u64),
        ) {
            prop_assert_eq!(Shares::of(a, b), Shares::of(b, a));
            let Some(Shares(shares)) = Shares::of(a, b) else {
                return Ok(());
            };
            for kind in 0..KINDS {
                prop_assert_eq!(shares[kind] > 0, a[kind] > 0 && b[kind] > 0);
            }
            let all: u128 = shares.into_iter().sum();
            prop_assert!(all == 0 || all.abs_diff(WHOLE) < 8, "{all}");
        }
    }
}
