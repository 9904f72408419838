//! Owns the exact division of a whole number in proportion to weights.
//!
//! Always holds: the parts add up to the whole, and each differs from its exact share by less than one.

use crate::lab::ranges::OwnerId;

/// Who has a share, and how much weight it has.
pub(super) type Shares = Vec<(OwnerId, u64)>;

/// Hands each its part of `whole`. Tells whether anyone has a share: else nothing is handed out.
pub(super) fn split(
    whole: u64,
    shares: &[(OwnerId, u64)],
    mut each: impl FnMut(OwnerId, u64),
) -> bool {
    let all: u128 = shares.iter().map(|(_, weight)| u128::from(*weight)).sum();
    if all == 0 {
        return false;
    }
    let mut weight_before: u128 = 0;
    let mut given: u64 = 0;
    for &(owner, weight) in shares {
        weight_before += u128::from(weight);
        let upto = u128::from(whole) * weight_before / all;
        let upto = u64::try_from(upto).expect("no more than the whole");
        each(owner, upto - given);
        given = upto;
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn without_weight_nobody_gets_anything() {
        assert!(!split(7, &[], |_, _| unreachable!("nobody")));
        assert!(!split(7, &[(1, 0)], |_, _| unreachable!("no weight")));
    }

    proptest! {
        #[test]
        fn parts_add_up_and_are_off_by_less_than_one(
            whole in any::<u64>(),
            weights in prop::collection::vec(0..1_000_000_u64, 1..20),
        ) {
            let all: u64 = weights.iter().sum();
            prop_assume!(all > 0);
            let shares: Shares = weights.iter().copied().enumerate().collect();
            let mut parts = Vec::new();
            prop_assert!(split(whole, &shares, |_, part| parts.push(part)));
            let sum: u128 = parts.iter().map(|part| u128::from(*part)).sum();
            prop_assert_eq!(sum, u128::from(whole));
            for (part, weight) in parts.iter().zip(weights) {
                let exact = u128::from(whole) * u128::from(weight);
                let given = u128::from(*part) * u128::from(all);
                prop_assert!(given.abs_diff(exact) < u128::from(all));
            }
        }
    }
}
