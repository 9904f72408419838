//! A drive without bytes in virtual time, and everything that it says.

use imbrex::drive::Drive;
use imbrex::drive::fault::{FailingKind, Fault, FaultId};
use imbrex::drive::request::{Completion, Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::movement::{Plan, RequestId};
use imbrex::profile::Profile;
use imbrex::time::{Duration, Instant};

/// Bytes of a physical sector.
pub(crate) const SECTOR: u64 = 4096;

/// A drive, its moment, and what it said.
pub(crate) struct Bench {
    pub(crate) drive: Drive,
    pub(crate) now: Instant,
    pub(crate) capacity: u64,
    pub(crate) asked: u64,
    pub(crate) answers: Vec<Completion>,
    pub(crate) plans: Vec<Plan>,
    pub(crate) notes: Vec<(FaultId, String)>,
    pub(crate) holds: Vec<Option<Instant>>,
    pub(crate) resumed: Vec<Instant>,
}

impl Bench {
    pub(crate) fn new(profile: &Profile) -> Bench {
        Bench {
            drive: open::imagined(profile).unwrap(),
            now: Instant(0),
            capacity: profile.drive.capacity_bytes,
            asked: 0,
            answers: Vec::new(),
            plans: Vec::new(),
            notes: Vec::new(),
            holds: Vec::new(),
            resumed: Vec::new(),
        }
    }

    pub(crate) fn collect(&mut self) {
        assert_eq!(self.drive.failure(), None);
        let mut effects = Vec::new();
        self.drive.drain_effects(&mut effects);
        for effect in effects {
            match effect {
                Effect::Complete(completion) => {
                    let took = completion.due.since(completion.arrived);
                    assert_eq!(completion.breakdown.modelled(), took, "{completion:?}");
                    self.answers.push(completion);
                }
                Effect::Move(plan) => self.plans.push(plan),
                Effect::Note(note) => self.notes.push((note.fault, note.what)),
                Effect::Hold { until } => self.holds.push(until),
                Effect::Resume { at } => self.resumed.push(at),
                Effect::Release(_) => {}
            }
        }
    }

    pub(crate) fn impose(&mut self, fault: Fault) -> FaultId {
        let id = self.drive.impose(self.now, fault).unwrap();
        self.collect();
        id
    }

    pub(crate) fn lift(&mut self, which: Option<FaultId>) -> usize {
        let lifted = self.drive.lift(self.now, which);
        self.collect();
        lifted
    }

    pub(crate) fn submit(&mut self, operation: Operation, offset: u64, bytes: u64) {
        self.asked += 1;
        let id = RequestId(self.asked);
        let request = Request::new(id, operation, offset, bytes, self.capacity).unwrap();
        self.drive.submit(self.now, request);
        self.collect();
    }

    /// Goes on until the newest request is answered, and past that.
    pub(crate) fn settle(&mut self) -> Completion {
        loop {
            let newest = RequestId(self.asked);
            if let Some(answer) = self.answers.iter().find(|each| each.request == newest) {
                let answer = *answer;
                self.now = self.now.max(answer.due);
                self.drive.advance(self.now);
                self.collect();
                return answer;
            }
            let deadline = self.drive.next_deadline().expect("a request waits");
            self.now = self.now.max(deadline.at);
            self.drive.advance(self.now);
            self.collect();
        }
    }

    pub(crate) fn ask(&mut self, operation: Operation, offset: u64, bytes: u64) -> Completion {
        self.submit(operation, offset, bytes);
        self.settle()
    }

    pub(crate) fn fails(&mut self, operation: Operation, offset: u64) -> Option<FailingKind> {
        let answer = self.ask(operation, offset, SECTOR);
        answer.failing.map(|failing| failing.kind)
    }

    pub(crate) fn rest(&mut self, duration: Duration) {
        self.now += duration;
        self.drive.advance(self.now);
        self.collect();
    }

    /// What was noted of a fault after it was asked for.
    pub(crate) fn noted(&self, id: FaultId) -> Vec<&str> {
        let of = self.notes.iter().filter(|(fault, _)| *fault == id);
        of.skip(1).map(|(_, what)| what.as_str()).collect()
    }

    pub(crate) fn in_force(&self) -> usize {
        self.drive.standing().len()
    }
}
