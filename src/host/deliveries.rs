//! Owns the completions that are not delivered yet: those whose moment has not come, and those
//! whose moment has come before the plan they need was done.
//!
//! Delivered in the order of their moments, except for those that had to wait for the mover. It
//! knows nothing of clocks, and nothing of who waits.

use std::collections::{BTreeMap, BTreeSet, BinaryHeap};
use std::sync::Arc;

use crate::drive::request::Completion;
use crate::medium::movement::{PlanId, RequestId};
use crate::time::Instant;

/// Plans whose failed reads are remembered; what needs them is answered long before so many fail.
const SPOILT_MAX: usize = 4096;

/// See the module's description.
#[derive(Default)]
pub(super) struct Deliveries {
    /// Those whose moment has not come.
    due: BinaryHeap<Due>,
    /// Those whose moment has come, by the plan that is not done.
    blocked: BTreeMap<PlanId, Vec<Completion>>,
    under_way: BTreeSet<PlanId>,
    /// Nothing is delivered before the moment, or, without one, before [`Deliveries::resume`].
    hold: Option<Hold>,
    /// Plans that failed without stopping the drive, and why.
    spoilt: BTreeMap<PlanId, Arc<str>>,
}

/// A stall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Hold {
    until: Option<Instant>,
}

/// What can be delivered.
#[derive(Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant)] // one at a time, and the small one is rare
pub(super) enum Delivery {
    /// The answer.
    Answer(Completion),
    /// The bytes could not be moved.
    Spoilt(RequestId, Arc<str>),
}

impl Deliveries {
    /// A completion, to be delivered at its moment.
    pub(super) fn add(&mut self, completion: Completion) {
        self.due.push(Due(completion));
    }

    /// The mover has a plan.
    pub(super) fn plan_began(&mut self, plan: PlanId) {
        self.under_way.insert(plan);
    }

    /// The mover is done with a plan, well or not.
    pub(super) fn plan_over(&mut self, plan: PlanId, failure: Option<Arc<str>>) {
        self.under_way.remove(&plan);
        if let Some(why) = failure {
            self.spoilt.insert(plan, why);
            if self.spoilt.len() > SPOILT_MAX {
                self.spoilt.pop_first();
            }
        }
        // Their moment has come already: they are the next to be delivered.
        let freed = self.blocked.remove(&plan).unwrap_or_default();
        self.due.extend(freed.into_iter().map(Due));
    }

    /// The earliest moment to come.
    pub(super) fn next_due(&self) -> Option<Instant> {
        let due = self.due.peek().map(|due| due.0.due)?;
        match self.hold {
            Some(hold) => hold.until.map(|until| until.max(due)),
            None => Some(due),
        }
    }

    /// Whether nothing is delivered just now.
    pub(super) fn is_held(&self) -> bool {
        self.hold.is_some()
    }

    /// Nothing is delivered before `until`, or before [`Deliveries::resume`].
    pub(super) fn hold(&mut self, until: Option<Instant>) {
        self.hold = Some(Hold { until });
    }

    /// A stall is over at `at`: whatever would have been delivered in it is due now.
    pub(super) fn resume(&mut self, at: Instant) {
        if self.hold.take().is_none() {
            return;
        }
        let late = |completion: &mut Completion| {
            completion.breakdown.stalled += at.since(completion.due);
            completion.due = completion.due.max(at);
        };
        let mut due: Vec<Due> = std::mem::take(&mut self.due).into_vec();
        for due in &mut due {
            late(&mut due.0);
        }
        self.due = due.into();
        for completion in self.blocked.values_mut().flatten() {
            late(completion);
        }
    }

    /// The next to be delivered by `now`, if any.
    pub(super) fn next(&mut self, now: Instant) -> Option<Delivery> {
        if let Some(until) = self.hold.and_then(|hold| hold.until)
            && until <= now
        {
            self.resume(until);
        }
        while self.next_due().is_some_and(|due| due <= now) {
            let Due(completion) = self.due.pop()?;
            let Some(plan) = completion.needs else {
                return Some(Delivery::Answer(completion));
            };
            if self.under_way.contains(&plan) {
                self.blocked.entry(plan).or_default().push(completion);
            } else if let Some(why) = self.spoilt.get(&plan) {
                return Some(Delivery::Spoilt(completion.request, Arc::clone(why)));
            } else {
                return Some(Delivery::Answer(completion));
            }
        }
        None
    }

    /// Nothing will be delivered.
    pub(super) fn forget_all(&mut self) {
        self.due.clear();
        self.blocked.clear();
        self.hold = None;
    }
}

/// A completion in a queue whose top is the earliest.
struct Due(Completion);

impl Due {
    fn key(&self) -> (Instant, RequestId) {
        (self.0.due, self.0.request)
    }
}

impl PartialEq for Due {
    fn eq(&self, other: &Due) -> bool {
        self.key() == other.key()
    }
}

impl Eq for Due {}

impl PartialOrd for Due {
    fn partial_cmp(&self, other: &Due) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Due {
    fn cmp(&self, other: &Due) -> std::cmp::Ordering {
        other.key().cmp(&self.key())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::request::{Breakdown, Operation};

    fn completion(request: u64, due: u64, needs: Option<u64>) -> Completion {
        Completion {
            request: RequestId(request),
            operation: Operation::Flush,
            offset: 0,
            bytes: 0,
            arrived: Instant(0),
            due: Instant(due),
            needs: needs.map(PlanId),
            breakdown: Breakdown::default(),
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        }
    }

    fn delivered(deliveries: &mut Deliveries, now: u64) -> Vec<u64> {
        let next = || deliveries.next(Instant(now));
        std::iter::from_fn(next)
            .map(|delivery| match delivery {
                Delivery::Answer(completion) => completion.request.0,
                Delivery::Spoilt(request, why) => panic!("{request:?}: {why}"),
            })
            .collect()
    }

    #[test]
    fn completions_come_at_their_moments_and_in_their_order() {
        let mut deliveries = Deliveries::default();
        for (request, due) in [(0, 30), (1, 10), (2, 20), (3, 10)] {
            deliveries.add(completion(request, due, None));
        }
        assert_eq!(deliveries.next_due(), Some(Instant(10)));
        assert!(delivered(&mut deliveries, 9).is_empty());
        assert_eq!(delivered(&mut deliveries, 20), [1, 3, 2]);
        assert_eq!(delivered(&mut deliveries, 30), [0]);
    }

    #[test]
    fn a_completion_waits_for_its_plan_and_holds_up_nobody() {
        let mut deliveries = Deliveries::default();
        deliveries.plan_began(PlanId(7));
        deliveries.add(completion(0, 10, Some(7)));
        deliveries.add(completion(1, 20, Some(6)));
        assert_eq!(delivered(&mut deliveries, 25), [1]);
        assert_eq!(deliveries.next_due(), None);
        deliveries.plan_over(PlanId(7), None);
        assert_eq!(delivered(&mut deliveries, 25), [0]);
    }

    #[test]
    fn whatever_needs_a_spoilt_plan_is_spoilt() {
        let mut deliveries = Deliveries::default();
        deliveries.plan_began(PlanId(7));
        deliveries.add(completion(0, 10, Some(7)));
        assert_eq!(deliveries.next(Instant(10)), None);
        deliveries.add(completion(1, 20, Some(7)));
        let why: Arc<str> = "why".into();
        deliveries.plan_over(PlanId(7), Some(Arc::clone(&why)));
        for request in [0, 1] {
            let spoilt = Delivery::Spoilt(RequestId(request), Arc::clone(&why));
            assert_eq!(deliveries.next(Instant(20)), Some(spoilt));
        }
    }
}
