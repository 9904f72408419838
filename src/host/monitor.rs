//! Owns the watch over requests that take longer than a host would put up with.
//!
//! A request trips a limit if its answer is due more than that after it arrived, in model time; one
//! that waits for longer has tripped it too. How late this machine delivers an answer never counts.
//! The monitor only tells; failing a command at a limit is for the event loop.

use std::collections::{BTreeMap, VecDeque};

use super::time_limits::{TimeLimit, Trip, Tripped};
use crate::drive::request::{Completion, Operation, Request};
use crate::medium::movement::RequestId;
use crate::time::{Duration, Instant};

/// Trips of one limit that are told one by one; all are counted.
const TRIPS_MAX: usize = 32;
/// Commands that are too many within [`RUN_WITHIN`].
const RUN_COMMANDS: usize = 8;
/// The time within which they are too many.
const RUN_WITHIN: Duration = Duration::from_s(60);

/// Watches requests.
#[derive(Debug)]
pub(crate) struct Monitor {
    limits: [Tally; TimeLimit::ALL.len()],
    /// Requests that wait, in the order in which they arrived.
    waiting: BTreeMap<RequestId, Open>,
    /// Nothing that waits can trip a limit before this moment.
    quiet_until: Instant,
    /// When commands above the disk command's limit tripped it, newest last.
    run: VecDeque<Instant>,
    /// Too many of them came since somebody looked.
    too_many: bool,
}

#[derive(Debug, Default)]
struct Tally {
    trips: u64,
    dropped: Option<Instant>,
    first: Vec<Trip>,
    /// The newest request that is known to have tripped it or to be none of its business.
    seen: Option<RequestId>,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    operation: Operation,
    offset: u64,
    bytes: u64,
    arrived: Instant,
    /// When its answer is due, once that is known.
    due: Option<Instant>,
}

impl Monitor {
    pub(crate) fn new() -> Monitor {
        Monitor {
            limits: std::array::from_fn(|_| Tally::default()),
            waiting: BTreeMap::new(),
            quiet_until: Instant(0),
            run: VecDeque::new(),
            too_many: false,
        }
    }

    /// A request has come.
    pub(crate) fn arrived(&mut self, request: &Request, at: Instant) {
        self.waiting.insert(
            request.id(),
            Open {
                operation: request.operation(),
                offset: request.offset(),
                bytes: request.bytes(),
                arrived: at,
                due: None,
            },
        );
    }

    /// It is known when the answer is due: what comes later is not the drive's doing.
    pub(crate) fn due(&mut self, request: RequestId, due: Instant) {
        if let Some(open) = self.waiting.get_mut(&request) {
            open.due = Some(due);
        }
    }

    /// Nobody knows any more when answers are due: the drive is stalled.
    pub(crate) fn held(&mut self) {
        self.waiting.values_mut().for_each(|open| open.due = None);
    }

    /// The request is answered.
    pub(crate) fn answered(&mut self, completion: &Completion) {
        let id = completion.request;
        let took = completion.due.since(completion.arrived);
        let open = self.waiting.remove(&id).unwrap_or(Open {
            operation: completion.operation,
            offset: completion.offset,
            bytes: completion.bytes,
            arrived: completion.arrived,
            due: None,
        });
        if took <= TimeLimit::ALL[0].duration() {
            return;
        }
        for limit in TimeLimit::ALL {
            let tripped = took > limit.duration() && limit.holds_for(open.operation);
            let known = self.limits[limit.place()].seen >= Some(id);
            if tripped && !known {
                self.trip(limit, id, &open);
            }
            for trip in &mut self.limits[limit.place()].first {
                if trip.request == id {
                    trip.took_ns = Some(took.0);
                    trip.cause = completion.cause();
                }
            }
        }
    }

    /// The request will not be answered by the drive (`why`).
    pub(crate) fn given_up(&mut self, request: RequestId, why: &str) {
        self.waiting.remove(&request);
        for tally in &mut self.limits {
            for trip in &mut tally.first {
                if trip.request == request && trip.took_ns.is_none() {
                    why.clone_into(&mut trip.cause);
                }
            }
        }
    }

    /// Finds the requests that have waited too long by `now`, in the order in which they did; of those
    /// limits that are in `enforced` it tells which.
    pub(crate) fn look(
        &mut self,
        now: Instant,
        enforced: &[TimeLimit],
    ) -> Vec<(RequestId, TimeLimit, Instant)> {
        let mut fails = Vec::new();
        if now < self.quiet_until {
            return fails;
        }
        while let Some((at, limit, id)) = self.next_trip(&TimeLimit::ALL)
            && at < now
        {
            let open = self.waiting[&id];
            self.limits[limit.place()].seen = Some(id);
            // With the moment of its answer known, it trips only what that is beyond.
            if open.due.is_some_and(|due| due <= at) {
                continue;
            }
            if limit.holds_for(open.operation) {
                self.trip(limit, id, &open);
                if enforced.contains(&limit) && limit != TimeLimit::SlowCommands {
                    fails.push((id, limit, at));
                }
            }
        }
        let next = self.next_trip(&TimeLimit::ALL).map(|(at, ..)| at);
        // Whatever comes from now on has at least the shortest limit before it.
        let soonest = now + TimeLimit::ALL[0].duration();
        self.quiet_until = next.map_or(soonest, |next| next.min(soonest));
        fails
    }

    /// The moment after which a request that waits now will have tripped one of these limits, unless
    /// the drive answers it before.
    pub(crate) fn next_moment(&self, limits: &[TimeLimit]) -> Option<Instant> {
        let of = |limit: &TimeLimit| {
            let at = |open: &Open| open.arrived + limit.duration();
            // One whose answer is due in time only waits for this machine.
            let mut waiting = self.waiting.range(self.unseen(*limit)..);
            let (_, open) = waiting.find(|(_, open)| {
                limit.holds_for(open.operation) && open.due.is_none_or(|due| due > at(open))
            })?;
            Some(at(open) + Duration(1))
        };
        limits.iter().filter_map(of).min()
    }

    /// Whether too many slow commands came since this was asked; the count begins anew.
    pub(crate) fn take_too_many(&mut self) -> bool {
        if self.too_many {
            self.run.clear();
        }
        std::mem::take(&mut self.too_many)
    }

    /// A request goes on under another name.
    pub(crate) fn renamed(&mut self, from: RequestId, to: RequestId) {
        if let Some(open) = self.waiting.remove(&from) {
            self.waiting.insert(to, Open { due: None, ..open });
        }
    }

    fn next_trip(&self, limits: &[TimeLimit]) -> Option<(Instant, TimeLimit, RequestId)> {
        let of = |limit: &TimeLimit| {
            let (id, open) = self.waiting.range(self.unseen(*limit)..).next()?;
            Some((open.arrived + limit.duration(), *limit, *id))
        };
        limits.iter().filter_map(of).min()
    }

    fn unseen(&self, limit: TimeLimit) -> RequestId {
        let seen = self.limits[limit.place()].seen;
        seen.map_or(RequestId(0), |seen| RequestId(seen.0 + 1))
    }

    fn trip(&mut self, limit: TimeLimit, id: RequestId, open: &Open) {
        let at = open.arrived + limit.duration();
        let mut drops = limit.drops_the_drive();
        if limit == TimeLimit::SlowCommands {
            self.run.push_back(at);
            self.run
                .retain(|earlier| at.since(*earlier) <= RUN_WITHIN || *earlier > at);
            drops = self.run.len() >= RUN_COMMANDS;
            if !drops {
                return;
            }
            self.too_many = true;
        }
        let tally = &mut self.limits[limit.place()];
        tally.trips += 1;
        if drops {
            tally.dropped.get_or_insert(at);
        }
        if tally.first.len() < TRIPS_MAX {
            tally.first.push(Trip {
                operation: open.operation.word(),
                offset: open.offset,
                bytes: open.bytes,
                arrived_ns: open.arrived.0,
                tripped_ns: at.0,
                took_ns: None,
                cause: "still waiting".to_owned(),
                request: id,
            });
        }
    }

    /// All limits with what they would have done.
    pub(crate) fn snapshot(&self) -> Vec<Tripped> {
        let tallies = TimeLimit::ALL.into_iter().zip(&self.limits);
        tallies
            .map(|(limit, tally)| Tripped {
                limit,
                limit_ns: limit.duration().0,
                trips: tally.trips,
                dropped_ns: tally.dropped.map(|at| at.0),
                first: tally.first.clone(),
            })
            .collect()
    }
}

#[cfg(test)]
#[path = "monitor_tests.rs"]
mod tests;
