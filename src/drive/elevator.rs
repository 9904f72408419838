//! Owns the order of an elevator: onwards as long as something lies ahead, then back.
//!
//! It knows cylinders and which way it goes, and neither requests nor time. Requests that
//! keep coming for the arm's own cylinder hold it there: the caller bounds how long others wait.

/// An elevator that goes inwards at first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Elevator {
    outwards: bool,
}

impl Elevator {
    /// Which of `stops` comes next for an arm on cylinder `arm`: an index of the caller's with the
    /// cylinder it lies on, or `None` where it needs no arm (served at once). Of several on a
    /// cylinder the first in the list. Turns where nothing lies ahead.
    pub(super) fn choose(&mut self, arm: u32, stops: &[(usize, Option<u32>)]) -> Option<usize> {
        let on_the_spot = stops.iter().find(|(_, cylinder)| cylinder.is_none());
        if let Some(&(index, _)) = on_the_spot {
            return Some(index);
        }
        if let Some(index) = self.ahead(arm, stops) {
            return Some(index);
        }
        self.outwards = !self.outwards;
        self.ahead(arm, stops)
    }

    fn ahead(self, arm: u32, stops: &[(usize, Option<u32>)]) -> Option<usize> {
        let distance = |cylinder: u32| {
            if self.outwards {
                arm.checked_sub(cylinder)
            } else {
                cylinder.checked_sub(arm)
            }
        };
        stops
            .iter()
            .filter_map(|&(index, cylinder)| Some((distance(cylinder?)?, index)))
            .min_by_key(|&(distance, _)| distance)
            .map(|(_, index)| index)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The order in which an elevator on `arm` empties a queue.
    fn order(arm: u32, cylinders: &[u32]) -> Vec<u32> {
        let mut elevator = Elevator::default();
        let (mut arm, mut left) = (arm, cylinders.to_vec());
        let mut served = Vec::new();
        while !left.is_empty() {
            let stops: Vec<_> = left
                .iter()
                .map(|&cylinder| Some(cylinder))
                .enumerate()
                .collect();
            let next = elevator.choose(arm, &stops).unwrap();
            arm = left.remove(next);
            served.push(arm);
        }
        served
    }

    #[test]
    fn what_lies_ahead_comes_first_and_then_the_way_back() {
        assert_eq!(order(50, &[60, 10, 50, 90, 40]), [50, 60, 90, 40, 10]);
    }

    #[test]
    fn the_first_to_arrive_comes_first_on_a_cylinder() {
        let stops = [(3, Some(8)), (1, Some(8)), (2, Some(9))];
        assert_eq!(Elevator::default().choose(8, &stops), Some(3));
    }

    #[test]
    fn what_needs_no_arm_does_not_wait_for_it() {
        let stops = [(0, Some(8)), (1, None)];
        assert_eq!(Elevator::default().choose(8, &stops), Some(1));
    }

    #[test]
    fn nothing_comes_of_nothing() {
        assert_eq!(Elevator::default().choose(8, &[]), None);
    }

    proptest! {
        #[test]
        fn a_queue_takes_one_way_up_and_one_down(
            arm in 0u32..100,
            cylinders in prop::collection::vec(0u32..100, 1..20),
        ) {
            let mut up: Vec<u32> = cylinders.iter().copied().filter(|&c| c >= arm).collect();
            let mut down: Vec<u32> = cylinders.iter().copied().filter(|&c| c < arm).collect();
            up.sort_unstable();
            down.sort_unstable_by(|a, b| b.cmp(a));
            up.extend(down);
            prop_assert_eq!(order(arm, &cylinders), up);
        }
    }
}
