//! A drive without bytes in virtual time, driven by black-box requests only, and how long each took.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use imbrex::drive::Drive;
use imbrex::drive::request::{Completion, Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::movement::RequestId;
use imbrex::profile::Profile;
use imbrex::time::Instant;

/// A request: what, first byte, how many bytes.
pub(crate) type Wanted = (Operation, u64, u64);

pub(crate) const WRITE: Operation = Operation::Write { fua: false };
pub(crate) const READ: Operation = Operation::Read;

/// A drive and the moment.
#[derive(Clone)]
pub(crate) struct Stopwatch {
    pub(crate) drive: Drive,
    pub(crate) now: Instant,
    capacity: u64,
    requests: u64,
    answers: Vec<Completion>,
}

impl Stopwatch {
    pub(crate) fn new(profile: &Profile) -> Stopwatch {
        let drive = open::imagined(profile).expect("the profile's parts fit");
        Stopwatch {
            drive,
            now: Instant::default(),
            capacity: profile.drive.capacity_bytes,
            requests: 0,
            answers: Vec::new(),
        }
    }

    /// A shipped profile, changed by `change`.
    pub(crate) fn of(name: &str, change: impl FnOnce(&mut Profile)) -> Stopwatch {
        let text = Profile::built_in(name).expect("a shipped profile");
        let mut profile = Profile::from_toml(name, text).expect("it is valid");
        change(&mut profile);
        Stopwatch::new(&profile)
    }

    fn submit(&mut self, (operation, offset, bytes): Wanted) {
        self.requests += 1;
        let id = RequestId(self.requests);
        let request = Request::new(id, operation, offset, bytes, self.capacity).expect("in bounds");
        self.drive.submit(self.now, request);
        self.collect();
    }

    fn collect(&mut self) {
        assert_eq!(self.drive.failure(), None);
        let mut effects = Vec::new();
        self.drive.drain_effects(&mut effects);
        self.answers
            .extend(effects.into_iter().filter_map(|effect| match effect {
                Effect::Complete(completion) => Some(completion),
                _ => None,
            }));
    }

    /// Keeps `depth` of the requests under way until all are answered; the answers in the order in
    /// which they were due.
    pub(crate) fn closed_loop(
        &mut self,
        depth: usize,
        wanted: impl IntoIterator<Item = Wanted>,
    ) -> Vec<Completion> {
        let mut wanted = wanted.into_iter();
        let mut under_way = 0;
        let mut done = Vec::new();
        loop {
            while under_way < depth {
                let Some(next) = wanted.next() else { break };
                self.submit(next);
                under_way += 1;
            }
            if under_way == 0 {
                return done;
            }
            let due = self.answers.iter().map(|answer| answer.due).min();
            let deadline = self.drive.next_deadline().map(|deadline| deadline.at);
            let next = [due, deadline]
                .into_iter()
                .flatten()
                .min()
                .expect("something is under way");
            self.now = self.now.max(next);
            self.drive.advance(self.now);
            self.collect();
            let now = self.now;
            let mut answered: Vec<Completion> = self
                .answers
                .extract_if(.., |answer| answer.due <= now)
                .collect();
            answered.sort_by_key(|answer| answer.due);
            under_way -= answered.len();
            done.extend(answered);
        }
    }

    /// Submits each request at its moment, in order, and goes on until all are answered; the answers
    /// in the order in which they were due.
    pub(crate) fn open_loop(
        &mut self,
        wanted: impl IntoIterator<Item = (Instant, Wanted)>,
    ) -> Vec<Completion> {
        let mut asked = 0;
        for (moment, wanted) in wanted {
            self.now = self.now.max(moment);
            self.submit(wanted);
            asked += 1;
        }
        while self.answers.len() < asked {
            let deadline = self.drive.next_deadline().expect("something is under way");
            self.now = self.now.max(deadline.at);
            self.drive.advance(self.now);
            self.collect();
        }
        let mut done: Vec<Completion> = self.answers.drain(..).collect();
        done.sort_by_key(|answer| answer.due);
        if let Some(last) = done.last() {
            self.now = self.now.max(last.due);
        }
        done
    }

    /// Nothing is asked for a while.
    pub(crate) fn pause(&mut self, ns: u64) {
        let until = Instant(self.now.0 + ns);
        while let Some(deadline) = self
            .drive
            .next_deadline()
            .filter(|deadline| deadline.at <= until)
        {
            self.now = self.now.max(deadline.at);
            self.drive.advance(self.now);
            self.collect();
        }
        self.now = until;
        self.drive.advance(until);
        self.collect();
    }
}

/// Milliseconds that a request took.
pub(crate) fn ms(completion: &Completion) -> f64 {
    let ns = completion.due.since(completion.arrived).0;
    u32::try_from(ns / 1000).map_or(f64::MAX, |us| f64::from(us) / 1000.0)
}
