//! Owns the weights that make two mixes of operations alike.
//!
//! Where one side asks for more reads and the other for more flushes, the latency of all requests differs
//! although no operation is faster or slower. So each operation counts, on both sides, by the mean of its
//! shares in A and in B (direct standardisation, common practice where groups of different composition are
//! compared). Always holds: with the same mix on both sides all weights are equal; an operation that only
//! one side asked for counts on neither.

use crate::drive::request::Operation;

/// How many operations there are.
const KINDS: usize = Operation::WORDS.len();

/// Weight of a request where both sides have the same mix, twice: of either side half.
const ONE: u128 = 1 << 16;

/// Weights of a request by operation, of A and of B; 0: it is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Weights([[u64; KINDS]; 2]);

impl Weights {
    /// For sides that asked for so many of each operation; `None`: their mixes are the same.
    pub(super) fn of(a: [u64; KINDS], b: [u64; KINDS]) -> Option<Weights> {
        let both = |kind: usize| a[kind] > 0 && b[kind] > 0;
        let sum = |side: [u64; KINDS]| -> u128 {
            let kinds = (0..KINDS).filter(|kind| both(*kind));
            kinds.map(|kind| u128::from(side[kind])).sum()
        };
        let (all_a, all_b) = (sum(a), sum(b));
        // Each share of one side by the number of requests of the other: what can be compared.
        let shares = |kind: usize| (u128::from(a[kind]) * all_b, u128::from(b[kind]) * all_a);
        let same = (0..KINDS).all(|kind| {
            let (of_a, of_b) = shares(kind);
            of_a == of_b && (both(kind) || a[kind] == b[kind])
        });
        if same {
            return None;
        }
        let weigh = |kind: usize, own: u128, other: u128| {
            if !both(kind) {
                return 0;
            }
            let weight = (own + other) * ONE / own;
            u64::try_from(weight).unwrap_or(u64::MAX)
        };
        let of_a = std::array::from_fn(|kind| {
            let (of_a, of_b) = shares(kind);
            weigh(kind, of_a, of_b)
        });
        let of_b = std::array::from_fn(|kind| {
            let (of_a, of_b) = shares(kind);
            weigh(kind, of_b, of_a)
        });
        Some(Weights([of_a, of_b]))
    }

    /// Those of a side: 0 is A, 1 is B.
    pub(super) fn of_side(&self, side: usize) -> &[u64; KINDS] {
        &self.0[side]
    }

    /// The operations that only one side asked for.
    pub(super) fn left_out(a: [u64; KINDS], b: [u64; KINDS]) -> Vec<&'static str> {
        let kinds = Operation::WORDS.into_iter().zip(a.into_iter().zip(b));
        let out = kinds.filter(|(_, (a, b))| (*a > 0) != (*b > 0));
        out.map(|(word, _)| word).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_same_mix_needs_no_weights_however_many_requests_there_are() {
        assert_eq!(Weights::of([7, 3, 0, 0, 0], [70, 30, 0, 0, 0]), None);
        assert_eq!(Weights::of([0; 5], [0; 5]), None);
        assert!(Weights::of([7, 3, 0, 0, 0], [7, 4, 0, 0, 0]).is_some());
        assert!(Weights::of([7, 3, 0, 0, 0], [7, 3, 1, 0, 0]).is_some());
    }

    proptest! {
        #[test]
        fn each_operation_counts_alike_on_both_sides(
            a in prop::array::uniform5(0..1000_u64),
            b in prop::array::uniform5(0..1000_u64),
        ) {
            let Some(weights) = Weights::of(a, b) else {
                return Ok(());
            };
            let share = |counts: [u64; 5], side: usize, kind: usize| {
                let weighed = |kind: usize| counts[kind] * weights.of_side(side)[kind];
                let all: u64 = (0..5).map(weighed).sum();
                // In millionths; weights are rounded down by less than one in 65536.
                (weighed(kind) * 1_000_000).checked_div(all)
            };
            for kind in 0..5 {
                let [of_a, of_b] = [share(a, 0, kind), share(b, 1, kind)];
                match of_a.zip(of_b) {
                    Some((of_a, of_b)) => prop_assert!(of_a.abs_diff(of_b) <= 40, "{of_a} {of_b}"),
                    None => prop_assert!(a.iter().zip(b).all(|(a, b)| *a == 0 || b == 0)),
                }
                if a[kind] == 0 || b[kind] == 0 {
                    prop_assert_eq!(weights.of_side(0)[kind], 0);
                    prop_assert_eq!(weights.of_side(1)[kind], 0);
                }
            }
        }
    }
}
