//! Owns the choice of places: bands in no order, and places of a band, each once.

use crate::lab::dice::Dice;
use crate::units::{count, index};

/// `take` of `items`, in an order that the dice choose.
pub(super) fn some_of<T>(dice: &mut Dice, mut items: Vec<T>, take: u64) -> Vec<T> {
    let all = count(items.len());
    let take = take.min(all);
    for at in 0..take {
        let other = at + dice.below(all - at);
        items.swap(index(at), index(other));
    }
    items.truncate(index(take));
    items
}

/// All numbers below a bound, each once, in an order that looks scattered and takes no memory.
#[derive(Clone, Copy, Debug)]
pub(super) struct Walk {
    bound: u64,
    next: u64,
    step: u64,
}

impl Walk {
    /// `bound`: at least 1.
    pub(super) fn new(dice: &mut Dice, bound: u64) -> Walk {
        let mut step = 1 + dice.below(bound);
        // A step that shares no factor with the bound meets every number.
        while greatest_common_divisor(step, bound) > 1 {
            step = step % bound + 1;
        }
        Walk {
            bound,
            next: dice.below(bound),
            step,
        }
    }

    pub(super) fn next(&mut self) -> u64 {
        let this = self.next;
        let sum = u128::from(this) + u128::from(self.step);
        let rest = sum % u128::from(self.bound);
        self.next = u64::try_from(rest).expect("below the bound");
        this
    }
}

fn greatest_common_divisor(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn a_walk_meets_every_number_below_its_bound_once() {
        for bound in 1..200 {
            let mut walk = Walk::new(&mut Dice::new(bound), bound);
            let met: BTreeSet<u64> = (0..bound).map(|_| walk.next()).collect();
            assert_eq!(met, (0..bound).collect());
        }
    }

    #[test]
    fn some_of_a_list_are_as_many_as_asked_for_and_each_once() {
        for take in 0..=20 {
            let chosen = some_of(&mut Dice::new(take), (0..20).collect(), take);
            let distinct: BTreeSet<u64> = chosen.iter().copied().collect();
            assert_eq!(count(distinct.len()), take);
            assert_eq!(count(chosen.len()), take);
        }
    }
}
