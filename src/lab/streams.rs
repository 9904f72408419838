//! Owns the course of a workload: which stream makes the next request and when, and how phases follow
//! one another.
//!
//! A phase begins when all requests of the one before were answered, and not before its time is over
//! where it has one that was not cut short. It does not know what drive answers.

use std::collections::BTreeMap;

use super::dice::Dice;
use super::generator::{Generator, Wanted};
use super::pacing::Pacing;
use super::workload::{Limits, Phase, Workload};
use crate::time::Instant;
use crate::units::{count, index};

/// See the module's description.
pub(super) struct Streams {
    phases: Vec<Phase>,
    running: Vec<Running>,
    limits: Limits,
    /// Phases there are, all rounds counted.
    phases_count: u64,
    /// The one that is on, counted likewise.
    on: u64,
    began: Instant,
    /// Whose request is under way.
    owners: BTreeMap<u64, usize>,
    submitted: u64,
    last_answer: Instant,
}

struct Running {
    generator: Generator,
    pacing: Pacing,
}

/// A stream that cannot be run on this drive: its index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Misfit(pub(super) usize);

impl Streams {
    /// The course of `workload` on a drive of `capacity` bytes.
    pub(super) fn new(workload: &Workload, capacity: u64) -> Result<Streams, Misfit> {
        let mut running = Vec::new();
        for (at, stream) in workload.streams.iter().enumerate() {
            let dice = |which| Dice::of_stream(workload.seed, 2 * count(at) + which);
            let generator = Generator::new(stream, capacity, dice(0)).ok_or(Misfit(at))?;
            running.push(Running {
                generator,
                pacing: Pacing::new(stream, dice(1)),
            });
        }
        let mut streams = Streams {
            phases: workload.phases.clone(),
            running,
            limits: workload.limits,
            phases_count: workload.rounds * count(workload.phases.len()),
            on: 0,
            began: Instant::default(),
            owners: BTreeMap::new(),
            submitted: 0,
            last_answer: Instant::default(),
        };
        streams.begin(Instant::default());
        streams.go_on();
        Ok(streams)
    }

    /// When the next request comes, if nothing is answered until then; `None`: not before something
    /// is, or never.
    pub(super) fn next(&self) -> Option<Instant> {
        self.first().map(|(at, _)| at)
    }

    /// Takes the next request: it is submitted now.
    ///
    /// # Panics
    /// If there is none.
    pub(super) fn take(&mut self) -> Wanted {
        let (_, stream) = self.first().expect("there is a next request");
        self.submitted += 1;
        self.owners.insert(self.submitted, stream);
        let running = &mut self.running[stream];
        running.pacing.note_submitted();
        running.generator.draw()
    }

    /// The request with this number was answered at `at`. Hands back whose it was.
    pub(super) fn note_answered(&mut self, request: u64, at: Instant) -> usize {
        let stream = self.owners.remove(&request);
        let stream = stream.expect("what is answered was under way");
        self.last_answer = self.last_answer.max(at);
        self.running[stream].pacing.note_answered(at);
        self.go_on();
        stream
    }

    pub(super) fn under_way(&self) -> u64 {
        count(self.owners.len())
    }

    pub(super) fn submitted(&self) -> u64 {
        self.submitted
    }

    /// The next request of the phase that is on: when, and whose. Of several at one moment that of
    /// the first stream.
    fn first(&self) -> Option<(Instant, usize)> {
        let phase = self.phase();
        let over = |limit: Option<u64>| limit.is_some_and(|count| self.submitted >= count);
        if over(self.limits.count) || self.is_through(phase) {
            return None;
        }
        let end = phase.duration.map(|duration| self.began + duration);
        let last = self.limits.duration.map(|d| Instant::default() + d);
        let streams = phase.streams.iter();
        let nexts = streams.filter_map(|at| Some((self.running[*at].pacing.next()?, *at)));
        let (at, stream) = nexts.min()?;
        let before = |limit: Option<Instant>| limit.is_none_or(|limit| at < limit);
        (before(end) && before(last)).then_some((at, stream))
    }

    fn phase(&self) -> &Phase {
        &self.phases[index(self.on % count(self.phases.len()))]
    }

    /// Whether all streams with a count have made as many.
    fn is_through(&self, phase: &Phase) -> bool {
        let mut counted = phase
            .streams
            .iter()
            .map(|at| &self.running[*at].pacing)
            .filter(|pacing| pacing.is_counted())
            .peekable();
        counted.peek().is_some() && counted.all(Pacing::is_through)
    }

    /// Begins the next phase, and the next, as long as nothing is under way and nothing comes.
    fn go_on(&mut self) {
        while self.owners.is_empty() && self.first().is_none() && self.on + 1 < self.phases_count {
            let phase = self.phase();
            let ended = match phase.duration {
                Some(duration) if !self.is_through(phase) => self.began + duration,
                _ => self.began,
            };
            self.on += 1;
            self.begin(ended.max(self.last_answer));
        }
    }

    fn begin(&mut self, at: Instant) {
        self.began = at;
        let streams = self.phase().streams.clone();
        for stream in streams {
            self.running[stream].pacing.begin(at);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::request::Operation;
    use crate::time::Duration;
    use std::collections::BTreeSet;

    /// Runs a workload on a drive that answers each request after `took`: when requests came and of
    /// what size.
    fn course(text: &str, took: Duration) -> Vec<(u64, u64)> {
        let workload = Workload::from_toml("x", text).expect("valid");
        let mut streams = Streams::new(&workload, 1 << 30).expect("it fits");
        let mut pending: BTreeSet<(Instant, u64)> = BTreeSet::new();
        let mut seen = Vec::new();
        loop {
            let due = pending.first().copied();
            match (streams.next(), due) {
                (Some(at), due) if due.is_none_or(|(due, _)| at < due) => {
                    let wanted = streams.take();
                    assert_ne!(wanted.operation, Operation::Flush);
                    pending.insert((at + took, streams.submitted()));
                    seen.push((at.0 / 1_000_000, wanted.bytes / 1024));
                }
                (_, Some(due)) => {
                    pending.remove(&due);
                    streams.note_answered(due.1, due.0);
                }
                (_, None) => return seen,
            }
        }
    }

    const TWO: &str = "
        [[stream]]
        name = \"a\"
        order = \"sequential\"
        request = \"4 KiB\"
        read = \"100%\"
        under_way = 1
        [[stream]]
        name = \"b\"
        order = \"sequential\"
        request = \"8 KiB\"
        read = \"100%\"
        per_second = 10
        spacing = \"even\"\n";

    #[test]
    fn streams_run_side_by_side_until_the_phase_is_over() {
        let text = format!("[workload]\nname = \"x\"\nduration = \"200 ms\"\n{TWO}");
        let seen = course(&text, Duration::from_ms(60));
        assert_eq!(seen, [(0, 4), (60, 4), (100, 8), (120, 4), (180, 4)]);
    }

    #[test]
    fn phases_follow_one_another_and_pauses_are_kept() {
        let phases = "[[phase]]\nname = \"one\"\nduration = \"100 ms\"\nstreams = [\"a\"]\n\
                      [[phase]]\nname = \"none\"\nduration = \"1 s\"\nstreams = []\n\
                      [[phase]]\nname = \"both\"\nduration = \"150 ms\"\n";
        let text = format!("[workload]\nname = \"x\"\nrounds = 2\n{phases}{TWO}");
        let seen = course(&text, Duration::from_ms(60));
        // The first phase ends at 100 ms, and its last request is answered at 120 ms.
        let first = [(0, 4), (60, 4), (1120, 4), (1180, 4), (1220, 8), (1240, 4)];
        // Over at 1270 ms, answered at 1300 ms.
        let second: Vec<(u64, u64)> = first.iter().map(|(at, kib)| (at + 1300, *kib)).collect();
        assert_eq!(seen, [&first[..], &second].concat());
    }

    #[test]
    fn a_phase_is_over_when_its_counted_streams_are_through() {
        let text = format!(
            "[workload]\nname = \"x\"\n[[phase]]\nname = \"one\"\n[[phase]]\nname = \"two\"\n{TWO}"
        );
        let counted = text.replace("under_way = 1", "under_way = 1\ncount = 3");
        let seen = course(&counted, Duration::from_ms(60));
        let first = [(0, 4), (60, 4), (100, 8), (120, 4)];
        let second = [(180, 4), (240, 4), (280, 8), (300, 4)];
        assert_eq!(seen, [first, second].concat());
    }

    #[test]
    fn the_limits_of_the_whole_end_any_phase() {
        for (limit, left) in [("count = 3", 3), ("duration = \"61 ms\"", 2)] {
            let text = format!(
                "[workload]\nname = \"x\"\n{limit}\n[[phase]]\nname = \"one\"\nduration = \"1 h\"\n{TWO}"
            );
            assert_eq!(course(&text, Duration::from_ms(60)).len(), left, "{limit}");
        }
    }
}
