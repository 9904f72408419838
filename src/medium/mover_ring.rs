//! Owns the mover over `io_uring`: many operations under way at the same time.
//!
//! Steps begin in the order of the plans; the first that must wait (for an overlapping operation
//! under way, an order, a barrier, room in the ring) holds up all behind it. Small writes are made
//! at once, because a copy into the page cache is cheaper than a round through the kernel's
//! workers. The promises are those of [`super::mover`].

use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io;
use std::os::fd::BorrowedFd;

use super::buffers::Buffers;
use super::footprint::Touch;
use super::movement::{BufferId, Plan, PlanId};
use super::mover::{Finished, MoverError, StoreOperation, Tally, buffers_of, only_fills_replies};
use super::ring::{Job, Ring};
use super::seal::Sealer;
use super::store::Store;

mod begin;

/// Writes up to this size are made at once.
const INLINE_BYTES: u64 = 64 << 10;

/// See the module's description.
pub struct RingMover {
    /// The same file, for what is done at once.
    store: Box<dyn Store>,
    store_bytes: u64,
    sealer: Sealer,
    ring: Ring,
    /// Plans with steps that have not begun.
    queue: VecDeque<Queued>,
    /// Plans that are not over.
    plans: BTreeMap<PlanId, Running>,
    /// By the token of the ring's job. Few enough to look through.
    operations: Vec<(u64, Operation)>,
    next_token: u64,
    /// As in the plain mover.
    dirty: bool,
    failed: Option<MoverError>,
    finished: Vec<Finished>,
    over: Vec<(u64, io::Result<()>)>,
    tally: Tally,
    pub(super) inline_bytes: u64,
    /// Writes of buffers up to this size are made at once too.
    pub(super) write_at_once_bytes: u64,
}

struct Queued {
    plan: Plan,
    step: usize,
    /// Bytes of the step's movement that have begun.
    done: u64,
}

struct Running {
    buffers: Vec<BufferId>,
    /// Operations under way.
    under_way: usize,
    /// All steps have begun.
    begun: bool,
    /// A failed read concerns nobody else.
    only_fills_replies: bool,
    error: Option<MoverError>,
}

/// What the kernel is doing.
struct Operation {
    plan: PlanId,
    kind: StoreOperation,
    at: u64,
    bytes: u64,
    touches: [Option<Touch>; 2],
}

/// Whether a step has begun.
#[derive(PartialEq, Eq)]
enum Begun {
    Yes,
    MustWait,
}

impl RingMover {
    pub(super) fn new(store: Box<dyn Store>, file: File) -> io::Result<RingMover> {
        Ok(RingMover {
            write_at_once_bytes: INLINE_BYTES,
            store_bytes: store.bytes()?,
            store,
            sealer: Sealer::new(),
            ring: Ring::new(file)?,
            queue: VecDeque::new(),
            plans: BTreeMap::new(),
            operations: Vec::new(),
            next_token: 0,
            dirty: true,
            failed: None,
            finished: Vec::new(),
            over: Vec::new(),
            tally: Tally::default(),
            inline_bytes: INLINE_BYTES,
        })
    }

    pub(super) fn submit(&mut self, plan: Plan, buffers: &mut Buffers) {
        let running = Running {
            buffers: buffers_of(&plan),
            under_way: 0,
            begun: false,
            only_fills_replies: only_fills_replies(&plan),
            error: None,
        };
        for id in &running.buffers {
            buffers.hold(*id);
        }
        let former = self.plans.insert(plan.id, running);
        assert!(former.is_none(), "plan {:?} submitted twice", plan.id);
        self.queue.push_back(Queued {
            plan,
            step: 0,
            done: 0,
        });
        self.begin_steps(buffers);
    }

    pub(super) fn poll(&mut self, buffers: &mut Buffers, finished: &mut Vec<Finished>) {
        loop {
            self.tell_kernel(0, buffers);
            if !self.collect(buffers) {
                break;
            }
            self.begin_steps(buffers);
        }
        finished.append(&mut self.finished);
    }

    pub(super) fn wait(&mut self, buffers: &mut Buffers, finished: &mut Vec<Finished>) {
        if self.finished.is_empty() && self.ring.in_flight() > 0 {
            self.tell_kernel(1, buffers);
        }
        self.poll(buffers, finished);
    }

    pub(super) fn in_flight(&self) -> usize {
        self.plans.len() + self.finished.len()
    }

    pub(super) fn fd(&self) -> BorrowedFd<'_> {
        self.ring.fd()
    }

    pub(super) fn failure(&self) -> Option<&MoverError> {
        self.failed.as_ref()
    }

    pub(super) fn tally(&self) -> Tally {
        self.tally
    }

    #[cfg(test)]
    pub(super) fn inject(&mut self, faults: super::mover::tests::Countdown) {
        self.ring.faults = Some(faults);
    }

    /// A ring that cannot be entered any more fails like a write: nobody knows what is done.
    fn tell_kernel(&mut self, want: usize, buffers: &mut Buffers) {
        if let Err(cause) = self.ring.submit(want) {
            let error = MoverError::new(StoreOperation::Sync, 0, 0, &cause);
            self.latch(error, buffers);
        }
    }

    /// Takes in what the kernel has done; whether there was anything.
    fn collect(&mut self, buffers: &mut Buffers) -> bool {
        let mut over = std::mem::take(&mut self.over);
        self.ring.collect(&mut over);
        let any = !over.is_empty();
        for (token, outcome) in over.drain(..) {
            let place = self.operations.iter().position(|(t, _)| *t == token);
            let place = place.expect("every job of the ring is an operation");
            let (_, operation) = self.operations.swap_remove(place);
            self.operation_over(&operation, outcome, buffers);
        }
        self.over = over;
        any
    }

    fn operation_over(
        &mut self,
        operation: &Operation,
        mut outcome: io::Result<()>,
        buffers: &mut Buffers,
    ) {
        let Operation {
            plan, at, bytes, ..
        } = *operation;
        if operation.kind == StoreOperation::Zero && outcome.is_err() {
            // Holes cannot be punched here, perhaps; the store knows another way.
            outcome = self.store.zero_at(at, bytes);
        }
        let running = self
            .plans
            .get_mut(&plan)
            .expect("its operation was under way");
        running.under_way -= 1;
        match outcome {
            Ok(()) => {
                if operation.kind == StoreOperation::Sync {
                    self.dirty = false;
                }
            }
            Err(cause) => {
                self.fail(
                    plan,
                    MoverError::new(operation.kind, at, bytes, &cause),
                    buffers,
                );
            }
        }
        self.end_if_over(plan, buffers);
    }

    /// An operation of a plan has failed.
    fn fail(&mut self, plan: PlanId, error: MoverError, buffers: &mut Buffers) {
        let running = self.plans.get_mut(&plan).expect("the plan is not over");
        if error.operation == StoreOperation::Read && running.only_fills_replies {
            running.error.get_or_insert(error);
            running.begun = true;
            self.queue.retain(|queued| queued.plan.id != plan);
        } else {
            self.latch(error, buffers);
        }
    }

    /// Nothing begins from now on; what is under way comes to its end but counts as failed.
    fn latch(&mut self, error: MoverError, buffers: &mut Buffers) {
        let error = self.failed.get_or_insert(error).clone();
        self.queue.clear();
        for running in self.plans.values_mut() {
            running.error.get_or_insert_with(|| error.clone());
            running.begun = true;
        }
        let ids: Vec<PlanId> = self.plans.keys().copied().collect();
        for id in ids {
            self.end_if_over(id, buffers);
        }
    }

    fn end_if_over(&mut self, id: PlanId, buffers: &mut Buffers) {
        // Gone already if latching ended it.
        let Some(running) = self.plans.get(&id) else {
            return;
        };
        if running.begun && running.under_way == 0 {
            let running = self.plans.remove(&id).expect("found above");
            for id in &running.buffers {
                buffers.let_go(*id);
            }
            self.finished.push((id, running.error.map_or(Ok(()), Err)));
        }
    }

    fn begin_steps(&mut self, buffers: &mut Buffers) {
        while let Some(mut queued) = self.queue.pop_front() {
            let id = queued.plan.id;
            if let Some(error) = &self.failed {
                let error = error.clone();
                self.latch(error, buffers);
                self.end_unqueued(id, buffers);
                continue;
            }
            let begun = self.begin_plan(&mut queued, buffers);
            match begun {
                Ok(Begun::MustWait) => {
                    self.queue.push_front(queued);
                    return;
                }
                Ok(Begun::Yes) => {}
                Err(error) => self.fail(id, error, buffers),
            }
            self.end_unqueued(id, buffers);
        }
    }

    fn end_unqueued(&mut self, id: PlanId, buffers: &mut Buffers) {
        if let Some(running) = self.plans.get_mut(&id) {
            running.begun = true;
        }
        self.end_if_over(id, buffers);
    }

    fn start(
        &mut self,
        plan: PlanId,
        kind: StoreOperation,
        (at, bytes): (u64, u64),
        touches: [Option<Touch>; 2],
        job: Job,
    ) {
        let token = self.next_token;
        self.next_token += 1;
        self.tally.add(kind);
        self.ring.start(token, job);
        let running = self.plans.get_mut(&plan).expect("its steps are beginning");
        running.under_way += 1;
        self.operations.push((
            token,
            Operation {
                plan,
                kind,
                at,
                bytes,
                touches,
            },
        ));
    }
}
