//! A whole drive in virtual time: the production drive and mover over a store in memory that tells
//! live bytes from durable ones, beside a plain reference that knows what the host may see.
//!
//! The reference speaks of 512-byte pieces. Each write fills its pieces with a pattern of its own,
//! so that a torn piece is seen as such. It does not check the order in which concurrent requests
//! to the same piece take effect: the rig never has two of those under way.

#![allow(clippy::unwrap_used)] // in a test it is an assertion
#![allow(dead_code)] // each test program uses what it needs

use std::collections::{BTreeMap, BTreeSet};

use imbrex::drive::request::{Completion, Effect, Operation, Request};
use imbrex::image::open::{self, Opened};
use imbrex::medium::buffers::Buffers;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::movement::{BufferId, Plan, PlanId, RequestId, Step};
use imbrex::medium::mover::Mover;
use imbrex::profile::Profile;
use imbrex::time::Instant;

/// Bytes of a piece of the reference.
pub(crate) const PIECE: u64 = 512;

/// What the host asks of the rig. Offsets and lengths in pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    Read {
        at: u64,
        pieces: u64,
    },
    Write {
        at: u64,
        pieces: u64,
        fua: bool,
    },
    Trim {
        at: u64,
        pieces: u64,
    },
    Zero {
        at: u64,
        pieces: u64,
        fua: bool,
        may_deallocate: bool,
    },
    Flush,
}

/// What some request left in a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Version {
    /// Number of the request.
    by: u64,
    zero: bool,
}

impl Version {
    /// The value whose pattern the piece then holds; 0 stands for zeroes.
    fn value(self) -> u64 {
        if self.zero { 0 } else { self.by }
    }
}

/// Which versions of each piece a power cut may leave: the newest last.
struct Reference {
    versions: Vec<Vec<Version>>,
}

struct Pending {
    ask: Ask,
    /// For a flush: the newest acknowledged version of each piece when it was asked for.
    vouches: Option<Vec<u64>>,
}

/// A drive, its bytes, and what they should be.
pub(crate) struct Rig {
    pub(crate) profile: Profile,
    pub(crate) opened: Opened,
    store: MemoryStore,
    mover: Mover,
    buffers: Buffers,
    pub(crate) now: Instant,
    effects: Vec<Effect>,
    done: BTreeSet<PlanId>,
    answers: Vec<Completion>,
    pending: BTreeMap<RequestId, Pending>,
    reference: Reference,
    requests: u64,
    pub(crate) completions: Vec<Completion>,
    /// What the newest answered read found in each of its pieces.
    found: Vec<Option<u64>>,
}

impl Rig {
    /// A new image of `profile`, opened.
    pub(crate) fn new(profile: &Profile) -> Rig {
        let bytes = open::image_bytes(profile).expect("the profile's parts fit");
        let store = MemoryStore::new(bytes);
        open::make(&store, profile, [7; 16]).expect("an image is made");
        let pieces = usize::try_from(profile.drive.capacity_bytes / PIECE).unwrap();
        let reference = Reference {
            versions: vec![vec![Version { by: 0, zero: true }]; pieces],
        };
        Rig::start(profile, store, reference, 0)
    }

    fn start(profile: &Profile, store: MemoryStore, reference: Reference, requests: u64) -> Rig {
        let opened = open::open(&store, false).unwrap_or_else(|error| panic!("open: {error}"));
        let mut rig = Rig {
            profile: profile.clone(),
            opened,
            mover: Mover::plain(Box::new(store.clone())),
            store,
            buffers: Buffers::new(),
            now: Instant::default(),
            effects: Vec::new(),
            done: BTreeSet::new(),
            answers: Vec::new(),
            pending: BTreeMap::new(),
            reference,
            requests,
            completions: Vec::new(),
            found: Vec::new(),
        };
        rig.collect();
        rig.carry_out();
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
        let Some((at, pieces)) = range(ask) else {
            return false;
        };
        self.pending
            .values()
            .filter_map(|pending| range(pending.ask))
            .any(|(other, count)| at < other + count && other < at + pieces)
    }

    /// Submits a request now. Its effects are carried out by [`Rig::carry_out`].
    pub(crate) fn ask(&mut self, ask: Ask) {
        self.requests += 1;
        let id = RequestId(self.requests);
        let (operation, at, pieces) = match ask {
            Ask::Read { at, pieces } => (Operation::Read, at, pieces),
            Ask::Write { at, pieces, fua } => (Operation::Write { fua }, at, pieces),
            Ask::Trim { at, pieces } => (Operation::Trim, at, pieces),
            Ask::Zero {
                at,
                pieces,
                fua,
                may_deallocate,
            } => (
                Operation::WriteZeroes {
                    fua,
                    may_deallocate,
                },
                at,
                pieces,
            ),
            Ask::Flush => (Operation::Flush, 0, 0),
        };
        let (offset, bytes) = (at * PIECE, pieces * PIECE);
        let request = Request::new(
            id,
            operation,
            offset,
            bytes,
            self.profile.drive.capacity_bytes,
        )
        .expect("in bounds");
        match ask {
            Ask::Read { .. } => self.buffers.allocate_reply(BufferId::Request(id), bytes),
            Ask::Write { .. } => {
                let data = (at..at + pieces)
                    .flat_map(|piece| pattern(id.0, piece))
                    .collect();
                self.buffers.insert(BufferId::Request(id), data);
            }
            _ => {}
        }
        let vouches = (ask == Ask::Flush).then(|| self.newest_acknowledged());
        // From now on a power cut may leave the old or the new.
        if let (true, Some((at, pieces))) = (changes(ask), range(ask)) {
            let zero = !matches!(ask, Ask::Write { .. });
            for versions in &mut self.reference.versions[slice(at, pieces)] {
                versions.push(Version { by: id.0, zero });
            }
        }
        self.pending.insert(id, Pending { ask, vouches });
        self.opened.drive.submit(self.now, request);
        self.collect();
    }

    fn newest_acknowledged(&self) -> Vec<u64> {
        let under_way = |version: &Version| self.pending.contains_key(&RequestId(version.by));
        let newest = |versions: &Vec<Version>| {
            versions
                .iter()
                .rev()
                .find(|v| !under_way(v))
                .map_or(0, |v| v.by)
        };
        self.reference.versions.iter().map(newest).collect()
    }

    fn collect(&mut self) {
        if let Some(failure) = self.opened.drive.failure() {
            panic!("the drive stopped: {failure}");
        }
        self.opened.drive.drain_effects(&mut self.effects);
    }

    /// Carries out what the drive wants done and checks the answers that are due.
    pub(crate) fn carry_out(&mut self) {
        for effect in std::mem::take(&mut self.effects) {
            match effect {
                Effect::Move(plan) => self.carry(plan),
                Effect::Complete(completion) => self.answers.push(completion),
                Effect::Release(buffer) => self.buffers.release(buffer),
            }
        }
        let (due, later): (Vec<_>, Vec<_>) = self
            .answers
            .drain(..)
            .partition(|answer| answer.due <= self.now);
        self.answers = later;
        for answer in due {
            self.check_answer(answer);
        }
    }

    fn carry(&mut self, plan: Plan) {
        let id = plan.id;
        self.mover.submit(plan, &mut self.buffers);
        let mut finished = Vec::new();
        self.mover.poll(&mut self.buffers, &mut finished);
        for (id, result) in finished {
            result.unwrap_or_else(|error| panic!("plan {id:?}: {error}"));
            self.done.insert(id);
        }
        assert!(
            self.done.contains(&id),
            "the plain mover carries a plan out at once"
        );
    }

    fn check_answer(&mut self, answer: Completion) {
        if let Some(plan) = answer.needs {
            assert!(
                self.done.contains(&plan),
                "answered before its plan was carried out"
            );
        }
        assert_eq!(
            answer.breakdown.modelled(),
            answer.due.since(answer.arrived),
            "the parts add up: {answer:?}"
        );
        let pending = self
            .pending
            .remove(&answer.request)
            .expect("asked for once, answered once");
        match pending.ask {
            Ask::Read { at, pieces } => {
                let data = self.buffers.take_reply(BufferId::Request(answer.request));
                self.found.clear();
                for (piece, bytes) in (at..at + pieces).zip(data.chunks(512)) {
                    let newest = self.reference.versions[slice(piece, 1)][0]
                        .last()
                        .unwrap()
                        .value();
                    assert_eq!(
                        value_of(bytes, piece),
                        Some(newest),
                        "piece {piece} read by {:?}",
                        answer.request
                    );
                    self.found.push(value_of(bytes, piece));
                }
            }
            Ask::Flush => {
                for (versions, by) in self
                    .reference
                    .versions
                    .iter_mut()
                    .zip(pending.vouches.unwrap())
                {
                    forget_before(versions, by);
                }
            }
            ask => {
                let durable = !self.profile.write_cache.enabled || is_fua(ask);
                if let (true, Some((at, pieces))) = (durable, range(ask)) {
                    for versions in &mut self.reference.versions[slice(at, pieces)] {
                        forget_before(versions, answer.request.0);
                    }
                }
            }
        }
        self.completions.push(answer);
    }

    /// Lets time pass to the drive's next deadline or the next answer, if there is one.
    pub(crate) fn step(&mut self) -> bool {
        let answer = self.answers.iter().map(|answer| answer.due).min();
        let deadline = self
            .opened
            .drive
            .next_deadline()
            .map(|deadline| deadline.at);
        let Some(next) = [answer, deadline].into_iter().flatten().min() else {
            return false;
        };
        self.now = self.now.max(next);
        self.opened.drive.advance(self.now);
        self.collect();
        self.carry_out();
        true
    }

    /// Lets the drive work until every request is answered.
    pub(crate) fn settle(&mut self) {
        self.carry_out();
        while !self.pending.is_empty() {
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

    /// The power goes while the newest plans are only partly carried out: as far as `reached` steps
    /// of what is still to do. The image is opened again and every piece compared.
    pub(crate) fn cut_power(mut self, reached: usize, fate: &mut dyn FnMut(u64) -> Fate) -> Rig {
        let mut left = reached;
        for effect in std::mem::take(&mut self.effects) {
            if let Effect::Move(mut plan) = effect {
                plan.steps.truncate(left);
                left -= plan.steps.len();
                self.carry(plan);
            }
        }
        let store = self.store.power_cut(fate);
        let mut rig = Rig::start(&self.profile, store, self.reference, self.requests);
        rig.learn();
        rig
    }

    /// Steps of plans that are waiting to be carried out.
    pub(crate) fn steps_waiting(&self) -> usize {
        let plans = self.effects.iter().filter_map(|effect| match effect {
            Effect::Move(plan) => Some(plan),
            _ => None,
        });
        plans
            .map(|plan| {
                plan.steps
                    .iter()
                    .filter(|step| !matches!(step, Step::Order))
                    .count()
            })
            .sum()
    }

    /// Reads everything and checks that each piece has a value that it may have; from then on it
    /// has that one.
    fn learn(&mut self) {
        let all = self.pieces();
        let mut at = 0;
        while at < all {
            let pieces = 128.min(all - at);
            self.requests += 1;
            let id = RequestId(self.requests);
            let request = Request::new(
                id,
                Operation::Read,
                at * PIECE,
                pieces * PIECE,
                self.profile.drive.capacity_bytes,
            )
            .unwrap();
            self.buffers
                .allocate_reply(BufferId::Request(id), pieces * PIECE);
            self.opened.drive.submit(self.now, request);
            let data = self.wait_for(id);
            for (piece, bytes) in (at..at + pieces).zip(data.chunks(512)) {
                let versions = &mut self.reference.versions[slice(piece, 1)][0];
                let found = value_of(bytes, piece);
                let allowed = versions
                    .iter()
                    .rev()
                    .find(|version| Some(version.value()) == found);
                assert!(
                    allowed.is_some(),
                    "after a power cut piece {piece} holds {found:?}, allowed are {versions:?}"
                );
                *versions = vec![*allowed.unwrap()];
            }
            at += pieces;
        }
    }

    fn wait_for(&mut self, id: RequestId) -> Vec<u8> {
        loop {
            self.collect();
            for effect in std::mem::take(&mut self.effects) {
                match effect {
                    Effect::Move(plan) => self.carry(plan),
                    Effect::Release(buffer) => self.buffers.release(buffer),
                    Effect::Complete(answer) => {
                        assert_eq!(answer.request, id);
                        self.now = self.now.max(answer.due);
                        return self.buffers.take_reply(BufferId::Request(id));
                    }
                }
            }
            let next = self
                .opened
                .drive
                .next_deadline()
                .expect("a read is under way");
            self.now = self.now.max(next.at);
            self.opened.drive.advance(self.now);
        }
    }

    /// Asks, waits for the answer, and tells the number of the request: what a write leaves in its
    /// pieces.
    pub(crate) fn done(&mut self, ask: Ask) -> u64 {
        self.settle();
        self.ask(ask);
        let number = self.requests;
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

    /// Lets time pass to the drive's next deadline; what the drive then wants is not carried out.
    pub(crate) fn begin_step(&mut self) {
        if let Some(deadline) = self.opened.drive.next_deadline() {
            self.now = self.now.max(deadline.at);
            self.opened.drive.advance(self.now);
            self.collect();
        }
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

    /// The same bytes as the drive's.
    pub(crate) fn store(&self) -> MemoryStore {
        self.store.clone()
    }

    /// Buffers that somebody still holds.
    pub(crate) fn buffers_held(&self) -> usize {
        self.buffers.len()
    }
}

/// The version left by request `by` is durable: older ones are gone for good.
fn forget_before(versions: &mut Vec<Version>, by: u64) {
    if let Some(keep) = versions.iter().position(|version| version.by == by) {
        versions.drain(..keep);
    }
}

fn range(ask: Ask) -> Option<(u64, u64)> {
    match ask {
        Ask::Read { at, pieces }
        | Ask::Write { at, pieces, .. }
        | Ask::Trim { at, pieces }
        | Ask::Zero { at, pieces, .. } => Some((at, pieces)),
        Ask::Flush => None,
    }
}

fn changes(ask: Ask) -> bool {
    matches!(ask, Ask::Write { .. } | Ask::Trim { .. } | Ask::Zero { .. })
}

fn is_fua(ask: Ask) -> bool {
    matches!(
        ask,
        Ask::Write { fua: true, .. } | Ask::Zero { fua: true, .. }
    )
}

fn slice(at: u64, pieces: u64) -> std::ops::Range<usize> {
    usize::try_from(at).unwrap()..usize::try_from(at + pieces).unwrap()
}

/// The bytes of a piece with this value.
fn pattern(value: u64, piece: u64) -> Vec<u8> {
    let word = if value == 0 { 0 } else { value << 24 | piece };
    word.to_le_bytes().repeat(64)
}

/// The value whose pattern these bytes are.
fn value_of(bytes: &[u8], piece: u64) -> Option<u64> {
    let value = u64::from_le_bytes(bytes[..8].try_into().unwrap()) >> 24;
    (bytes == pattern(value, piece)).then_some(value)
}
