//! A whole drive in virtual time: the production drive and mover over a store in memory that tells
//! live bytes from durable ones, beside a plain reference that knows what the host may see.
//!
//! The mover may lag: an answer is given when its moment has come and the plan that it needs is
//! carried out, whatever plans wait behind that one. Plans are carried out in order; what a real
//! mover does out of order is the business of the power cut, which decides on each sector alone.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed
#![allow(dead_code)] // each test program uses what it needs

mod comparing;
mod flips;
pub(crate) mod reference;
pub(crate) mod run;
pub(crate) mod tally;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::hash::{DefaultHasher, Hash, Hasher};

use imbrex::drive::fault::Fault;
use imbrex::drive::request::{Completion, Effect, Operation, Request};
use imbrex::image::open::{self, Opened};
use imbrex::medium::buffers::Buffers;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::movement::{BufferId, Plan, PlanId, RequestId};
use imbrex::medium::mover::{Mover, MoverError};
use imbrex::medium::store::Store;
use imbrex::profile::Profile;
use imbrex::time::Instant;

use comparing::is_clean;
pub(crate) use reference::{Ask, PIECE};
use reference::{Newest, Reference, data, value_of};
use tally::{Observer, Tally};

struct Pending {
    ask: Ask,
    /// For a flush: the newest acknowledged version of each piece when it was asked for.
    vouches: Option<Newest>,
    /// The write cache was off when it was asked for, and how often it had been switched by then.
    through: Option<u64>,
}

/// A drive, its bytes, and what they should be.
pub(crate) struct Rig {
    pub(crate) profile: Profile,
    pub(crate) opened: Opened,
    pub(crate) store: MemoryStore,
    mover: Mover,
    buffers: Buffers,
    pub(crate) now: Instant,
    /// Plans and releases still to carry out, in order.
    effects: VecDeque<Effect>,
    done: BTreeSet<PlanId>,
    /// The store failed: nothing is answered that needs a plan after this.
    pub(crate) broken: Option<MoverError>,
    /// Steps that may still be carried out; then the rig stands still.
    pub(crate) steps_left: usize,
    answers: Vec<Completion>,
    pending: BTreeMap<RequestId, Pending>,
    pub(crate) reference: Reference,
    requests: u64,
    pub(crate) completions: Vec<Completion>,
    /// What the newest answered read found in each of its pieces.
    found: Vec<Option<u64>>,
    pub(crate) tally: Tally,
    observer: Observer,
    /// What the drive said so far, when somebody wants to compare.
    pub(crate) trace: Option<DefaultHasher>,
    cache_on: bool,
    switches: u64,
}

impl Rig {
    /// A new image of `profile`, opened.
    pub(crate) fn new(profile: &Profile) -> Rig {
        let bytes = open::image_bytes(profile).expect("the profile's parts fit");
        let store = MemoryStore::new(bytes);
        open::make(&store, profile, [7; 16]).expect("an image is made");
        let reference = Reference::default();
        Rig::start(profile, store, reference, 0, Tally::default())
    }

    fn start(
        profile: &Profile,
        store: MemoryStore,
        reference: Reference,
        requests: u64,
        mut tally: Tally,
    ) -> Rig {
        let opened = open::open(&store, false).unwrap_or_else(|error| panic!("open: {error}"));
        let observer = Observer::new(&opened.drive, &opened.report, &mut tally);
        let mut rig = Rig {
            profile: profile.clone(),
            opened,
            mover: Mover::plain(Box::new(store.clone())),
            store,
            buffers: Buffers::new(),
            now: Instant::default(),
            effects: VecDeque::new(),
            done: BTreeSet::new(),
            broken: None,
            steps_left: usize::MAX,
            answers: Vec::new(),
            pending: BTreeMap::new(),
            reference,
            requests,
            completions: Vec::new(),
            found: Vec::new(),
            tally,
            observer,
            trace: None,
            cache_on: profile.write_cache.enabled,
            switches: 0,
        };
        rig.collect();
        rig
    }

    pub(crate) fn pieces(&self) -> u64 {
        self.profile.drive.capacity_bytes / PIECE
    }

    pub(crate) fn under_way(&self) -> usize {
        self.pending.len()
    }

    /// Whether a request under way touches one of these pieces.
    pub(crate) fn clashes(&self, ask: Ask) -> bool {
        self.pending
            .values()
            .any(|pending| pending.ask.overlaps(ask))
    }

    /// Submits a request now. Its effects are carried out by [`Rig::carry_out`].
    pub(crate) fn ask(&mut self, ask: Ask) -> RequestId {
        self.requests += 1;
        let id = RequestId(self.requests);
        let operation = match ask {
            Ask::Read { .. } => Operation::Read,
            Ask::Write { fua, .. } => Operation::Write { fua },
            Ask::Trim { .. } => Operation::Trim,
            Ask::Zero {
                fua,
                may_deallocate,
                ..
            } => Operation::WriteZeroes {
                fua,
                may_deallocate,
            },
            Ask::Flush => Operation::Flush,
        };
        let (at, pieces) = ask.range().unwrap_or((0, 0));
        let capacity = self.profile.drive.capacity_bytes;
        let request = Request::new(id, operation, at * PIECE, pieces * PIECE, capacity)
            .expect("requests of the rig are in bounds");
        match ask {
            Ask::Read { .. } => self
                .buffers
                .allocate_reply(BufferId::Request(id), pieces * PIECE),
            Ask::Write { .. } => self
                .buffers
                .insert(BufferId::Request(id), data(id.0, at, pieces)),
            _ => {}
        }
        let vouches = (ask == Ask::Flush).then(|| {
            self.reference
                .newest(|by| self.pending.contains_key(&RequestId(by)))
        });
        self.reference.begin(ask, id.0);
        let through = (!self.cache_on).then_some(self.switches);
        let pending = Pending {
            ask,
            vouches,
            through,
        };
        self.pending.insert(id, pending);
        self.opened.drive.submit(self.now, request);
        self.collect();
        id
    }

    /// Takes over what the drive said.
    fn collect(&mut self) {
        if let Some(failure) = self.opened.drive.failure() {
            panic!("the drive stopped: {failure}");
        }
        let mut said = Vec::new();
        self.opened.drive.drain_effects(&mut said);
        for effect in said {
            if let Some(trace) = &mut self.trace {
                format!("{effect:?}").hash(trace);
            }
            if let Effect::Move(plan) = &effect {
                self.observer
                    .plan(plan, &self.opened.drive, &mut self.tally);
            }
            match effect {
                Effect::Note(_) => self.tally.add("notes of faults", 1),
                Effect::Complete(completion) => self.answers.push(completion),
                other => self.effects.push_back(other),
            }
        }
        let status = self.opened.drive.status(self.now);
        // A safe copy may add what the host writes while it is made.
        assert!(
            status.extents_used <= status.extents + 32,
            "more extents than allowed: {status:?}"
        );
        self.observer.status(&status, &mut self.tally);
    }

    /// Carries out what the drive wants done, as far as `plans` plans, and gives the answers that
    /// can be given.
    pub(crate) fn carry(&mut self, plans: usize) {
        let mut left = plans;
        while !self.stands_still()
            && let Some(effect) = self.effects.pop_front()
        {
            match effect {
                Effect::Release(buffer) => self.buffers.release(buffer),
                Effect::Move(plan) if left > 0 => {
                    left -= 1;
                    self.carry_plan(plan);
                }
                other => {
                    self.effects.push_front(other);
                    break;
                }
            }
        }
        self.answer();
    }

    /// Carries out everything.
    pub(crate) fn carry_out(&mut self) {
        self.carry(usize::MAX);
    }

    /// Whether nothing is carried out any more.
    pub(crate) fn stands_still(&self) -> bool {
        self.broken.is_some() || self.steps_left == 0
    }

    fn carry_plan(&mut self, mut plan: Plan) {
        if plan.steps.len() > self.steps_left {
            plan.steps.truncate(self.steps_left);
            // Carried out in part: it does not count as done.
            plan.id = PlanId(u64::MAX - plan.id.0);
        }
        self.steps_left -= plan.steps.len();
        self.mover.submit(plan, &mut self.buffers);
        let mut finished = Vec::new();
        self.mover.poll(&mut self.buffers, &mut finished);
        assert_eq!(
            finished.len(),
            1,
            "the plain mover carries a plan out at once"
        );
        for (id, result) in finished {
            match result {
                Ok(()) => drop(self.done.insert(id)),
                Err(error) => self.broken = Some(error),
            }
        }
    }

    /// After a failed write nothing is carried out any more, and the mover says why.
    pub(crate) fn stays_broken(&mut self) {
        let failure = self.mover.failure().cloned();
        assert_eq!(failure, self.broken, "the mover latches the first failure");
        for effect in std::mem::take(&mut self.effects) {
            if let Effect::Move(plan) = effect {
                let mut finished = Vec::new();
                self.mover.submit(plan, &mut self.buffers);
                self.mover.poll(&mut self.buffers, &mut finished);
                assert!(
                    finished.iter().all(|(_, result)| result.is_err()),
                    "{finished:?}"
                );
            }
        }
    }

    fn answer(&mut self) {
        let ready = |answer: &Completion| {
            answer.due <= self.now && answer.needs.is_none_or(|plan| self.done.contains(&plan))
        };
        let (due, later): (Vec<_>, Vec<_>) = self.answers.drain(..).partition(ready);
        self.answers = later;
        for answer in due {
            self.check_answer(answer);
        }
    }

    fn check_answer(&mut self, answer: Completion) {
        assert_eq!(
            answer.breakdown.modelled(),
            answer.due.since(answer.arrived),
            "the parts add up: {answer:?}"
        );
        let pending = self
            .pending
            .remove(&answer.request)
            .expect("asked for once, answered once");
        if answer.failing.is_some() {
            self.tally.add("failed on request", 1);
            self.buffers.forget_reply(BufferId::Request(answer.request));
            return self.reference.failed(pending.ask, answer.request.0);
        }
        match pending.ask {
            Ask::Read { at, .. } => {
                let data = self.buffers.take_reply(BufferId::Request(answer.request));
                self.reference
                    .check_read(at, &data, &format!("{:?}", answer.request));
                self.found = (at..)
                    .zip(data.chunks(512))
                    .map(|(piece, bytes)| value_of(bytes, piece))
                    .collect();
            }
            Ask::Flush => self.reference.all_durable(&pending.vouches.unwrap()),
            ask if pending.through == Some(self.switches) || ask.is_fua() => {
                self.reference.durable(ask, answer.request.0);
            }
            _ => {}
        }
        self.completions.push(answer);
    }

    /// Imposes a fault now. No stalls: answers are not held here.
    pub(crate) fn impose(&mut self, fault: Fault) {
        if let Fault::WriteCache(switch) = &fault {
            self.cache_on = switch.on;
            self.switches += 1;
        }
        let imposed = self.opened.drive.impose(self.now, fault);
        imposed.expect("the rig imposes what makes sense");
        self.collect();
    }

    /// Lifts all faults.
    pub(crate) fn lift_all(&mut self) {
        self.cache_on = self.profile.write_cache.enabled;
        self.switches += 1;
        self.opened.drive.lift(self.now, None);
        self.collect();
    }

    /// Lets time pass to the drive's next deadline or the next answer, if there is one. What the
    /// drive wants done then is not carried out yet.
    pub(crate) fn advance(&mut self) -> bool {
        let lacks = |answer: &&Completion| answer.due > self.now;
        let answer = self.answers.iter().filter(lacks).map(|answer| answer.due);
        let deadline = self.opened.drive.next_deadline().map(|d| d.at);
        let Some(next) = answer.chain(deadline).min() else {
            return false;
        };
        self.now = self.now.max(next);
        self.opened.drive.advance(self.now);
        self.collect();
        true
    }

    /// Lets time pass to the next event and carries out everything.
    pub(crate) fn step(&mut self) -> bool {
        let went_on = self.advance();
        self.carry_out();
        went_on
    }

    /// Lets the drive work until every request is answered.
    pub(crate) fn settle(&mut self) {
        self.carry_out();
        while !self.pending.is_empty() && !self.stands_still() {
            assert!(
                self.step(),
                "requests are under way and the drive waits for nothing"
            );
        }
    }

    /// Lets the drive work for about this long, or until it wants nothing more.
    pub(crate) fn rest(&mut self, ns: u64) {
        self.settle();
        let until = Instant(self.now.0 + ns);
        while self.now < until
            && !self.stands_still()
            && self
                .opened
                .drive
                .next_deadline()
                .is_some_and(|d| d.at <= until)
        {
            self.step();
        }
        self.now = self.now.max(until);
    }

    /// Ends the drive's work in good order.
    pub(crate) fn shut_down(&mut self) {
        self.settle();
        self.opened.drive.shut_down(self.now);
        self.collect();
        self.carry_out();
        while !self.opened.drive.idle() {
            assert!(self.step(), "the drive waits for nothing and is not idle");
        }
    }

    /// An orderly end: everything is on the medium, nobody holds a buffer, and the next opening has
    /// nothing to replay.
    pub(crate) fn shut_down_and_reopen(mut self) -> Rig {
        self.audit();
        self.shut_down();
        self.audit();
        self.carry_out();
        assert_eq!(self.broken, None, "the store works");
        assert_eq!(self.buffers.len(), 0, "buffers that nobody released");
        assert_eq!(
            self.store.sectors_at_stake(),
            0,
            "an orderly end leaves nothing at stake"
        );
        let newest = self.reference.newest(|_| false);
        self.reference.all_durable(&newest);
        let rig = self.cut_power(0, &mut |_| Fate::Lost);
        assert_eq!(
            rig.opened.report.replayed, 0,
            "an orderly end leaves nothing to replay"
        );
        rig
    }

    /// The power goes while the newest plans are only partly carried out: as far as `reached` steps
    /// of what is still to do. The image is opened again and every piece compared.
    pub(crate) fn cut_power(self, reached: usize, fate: &mut dyn FnMut(u64) -> Fate) -> Rig {
        let mut rig = self.cut_power_only(reached, fate);
        rig.compare();
        rig
    }

    /// Like [`Rig::cut_power`], but nothing is carried out or compared afterwards.
    pub(crate) fn cut_power_only(
        mut self,
        reached: usize,
        fate: &mut dyn FnMut(u64) -> Fate,
    ) -> Rig {
        let mut left = reached;
        for effect in std::mem::take(&mut self.effects) {
            if let Effect::Move(mut plan) = effect
                && self.broken.is_none()
            {
                plan.steps.truncate(left);
                left -= plan.steps.len();
                self.carry_plan(plan);
            }
        }
        self.tally.add("power cuts", 1);
        let store = self.store.power_cut(fate);
        is_clean(&store, self.requests.is_multiple_of(4));
        let mut rig = Rig::start(
            &self.profile,
            store,
            self.reference,
            self.requests,
            self.tally,
        );
        rig.now = self.now;
        rig.trace = self.trace;
        rig
    }

    /// Steps of plans that are waiting to be carried out.
    pub(crate) fn steps_waiting(&self) -> usize {
        let steps = |effect: &Effect| match effect {
            Effect::Move(plan) => plan.steps.len(),
            _ => 0,
        };
        self.effects.iter().map(steps).sum()
    }

    /// Asks, waits for the answer, and tells the number of the request: what a write leaves in its
    /// pieces.
    pub(crate) fn done(&mut self, ask: Ask) -> u64 {
        self.settle();
        let number = self.ask(ask).0;
        self.settle();
        number
    }

    /// What some pieces hold: the number of the request that wrote them, 0 for zeroes.
    pub(crate) fn values(&mut self, at: u64, pieces: u64) -> Vec<Option<u64>> {
        let mut values = Vec::new();
        for first in (at..at + pieces).step_by(128) {
            let pieces = 128.min(at + pieces - first);
            self.done(Ask::Read { at: first, pieces });
            values.append(&mut self.found);
        }
        values
    }

    /// The same of pieces that requests under way at the same time have left in an order that the
    /// reference does not know.
    pub(crate) fn values_unchecked(&mut self, at: u64, pieces: u64) -> Vec<Option<u64>> {
        let reference = self.reference.clone();
        self.reference.unknown(at, pieces);
        let values = self.values(at, pieces);
        self.reference = reference;
        values
    }

    /// Lets time pass to the drive's next deadline; what the drive then wants is not carried out.
    pub(crate) fn begin_step(&mut self) {
        if let Some(deadline) = self.opened.drive.next_deadline() {
            self.now = self.now.max(deadline.at);
            self.opened.drive.advance(self.now);
            self.collect();
        }
    }

    /// The same bytes as the drive's.
    pub(crate) fn store(&self) -> MemoryStore {
        self.store.clone()
    }

    /// Buffers that somebody still holds.
    pub(crate) fn buffers_held(&self) -> usize {
        self.buffers.len()
    }

    /// A number that stands for everything the drive said and every byte of its image.
    pub(crate) fn fingerprint(&self) -> u64 {
        let mut hasher = self.trace.clone().expect("somebody wants to compare");
        let bytes = self.store.bytes().unwrap();
        let mut chunk = vec![0; 1 << 16];
        for at in (0..bytes).step_by(chunk.len()) {
            let length = chunk.len().min(usize::try_from(bytes - at).unwrap());
            self.store.read_at(&mut chunk[..length], at).unwrap();
            chunk[..length].hash(&mut hasher);
        }
        hasher.finish()
    }
}
