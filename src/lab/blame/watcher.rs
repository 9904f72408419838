//! Owns what is seen of a run: cleanings with their cost and who has a share in them, what writing itself
//! cost, and who waited.
//!
//! Always holds: each job of the arm is counted once, as part of a cleaning, of what some host wrote, or of
//! what is not shared.

use std::collections::VecDeque;

use super::account::{Gathered, Used};
use super::ledger::{Ledger, Weigh};
use super::shares::{Shares, split};
use crate::drive::Drive;
use crate::drive::job_record::{ChangeRecord, JobRecord};
use crate::drive::request::{Completion, Operation};
use crate::host::recorder::Answered;
use crate::lab::ranges::{OwnerId, Ranges};
use crate::lab::summary::writes;
use crate::medium::movement::{PlanId, Purpose};
use crate::time::{Duration, Instant};
use crate::translation::change::Change;
use crate::units::HomeBand;

/// A cleaning of a band.
#[derive(Debug)]
struct Cleaning {
    shares: Shares,
    used: Used,
    waits: u64,
    waited_ns: u64,
}

/// When the arm was busy with a cleaning.
#[derive(Clone, Copy, Debug)]
struct Turn {
    from: Instant,
    upto: Instant,
    cleaning: usize,
}

/// Watches a run.
#[derive(Debug)]
pub(super) struct Watcher {
    ranges: Ranges,
    ledger: Option<Ledger>,
    cleanings: Vec<Cleaning>,
    /// The one under way: the last of `cleanings`.
    open: Option<HomeBand>,
    turns: Vec<Turn>,
    changes: VecDeque<ChangeRecord>,
    gathered: Gathered,
}

impl Watcher {
    pub(super) fn new(drive: &Drive, ranges: Ranges, weigh: Weigh) -> Watcher {
        let gathered = Gathered::new(&ranges);
        Watcher {
            ledger: Ledger::of(drive, weigh, gathered.before()),
            cleanings: Vec::new(),
            open: None,
            turns: Vec::new(),
            changes: VecDeque::new(),
            gathered,
            ranges,
        }
    }

    /// Takes changes; they are followed when the records of their jobs come.
    pub(super) fn take_changes(&mut self, changes: &mut Vec<ChangeRecord>) {
        self.changes.extend(changes.drain(..));
    }

    /// Takes the records of jobs.
    pub(super) fn take_jobs(&mut self, records: &mut Vec<JobRecord>) {
        for job in records.chunk_by(|a, b| a.job == b.job) {
            self.take_changes_before(job[0].job);
            self.take_job(job);
            #[cfg(test)]
            if let Some(ledger) = &self.ledger {
                // The drive tells how many bands are dirty after each job is planned.
                assert_eq!(ledger.dirty_bands(), job[0].dirty_bands, "{job:?}");
            }
        }
        records.clear();
    }

    /// Takes answers of jobs that were taken.
    pub(super) fn take_answers(&mut self, answers: &[Answered]) {
        for answered in answers {
            self.take_answer(&answered.completion);
        }
    }

    /// All that was gathered.
    pub(super) fn finish(mut self) -> (Ranges, Gathered) {
        self.take_changes_before(PlanId(u64::MAX));
        for cleaning in &self.cleanings {
            let nobody = [(self.gathered.nobody(), 1)];
            let shares: &[(OwnerId, u64)] = match cleaning.shares.as_slice() {
                [] => &nobody,
                shares => shares,
            };
            self.gathered.cleaning(shares, &cleaning.used);
            self.gathered
                .waits(shares, cleaning.waits, cleaning.waited_ns);
        }
        (self.ranges, self.gathered)
    }

    /// Follows changes of jobs that took no time.
    fn take_changes_before(&mut self, job: PlanId) {
        while let Some(first) = self.changes.front()
            && first.job < job
        {
            let first = self.changes.pop_front().expect("it is there");
            self.follow(&first.change, true, &mut Vec::new());
        }
    }

    fn take_job(&mut self, records: &[JobRecord]) {
        let job = records[0].job;
        let cleaning = records[0].cleaning;
        if let Some(band) = cleaning {
            self.clean(band, records);
        }
        let mut written: Shares = Vec::new();
        while let Some(first) = self.changes.front()
            && first.job == job
        {
            let first = self.changes.pop_front().expect("it is there");
            self.follow(&first.change, cleaning.is_none(), &mut written);
            if let Change::Cleaned { band, .. } = &first.change
                && self.open == Some(*band)
            {
                self.open = None;
                self.gathered.cleaned += 1;
            }
        }
        if cleaning.is_some() {
            return;
        }
        for record in records {
            // A merge of the map is for everyone; what is read for it is the host's.
            let own = writes(record.purpose) && record.purpose != Purpose::MapMerge;
            let shares: &[(OwnerId, u64)] = if own { &written } else { &[] };
            self.gathered.own(shares, record);
        }
    }

    fn follow(&mut self, change: &Change, by_host: bool, written: &mut Shares) {
        if let Some(ledger) = &mut self.ledger {
            let gathered = &mut self.gathered;
            ledger.apply(change, by_host, &self.ranges, |owner, bytes| {
                gathered.outside(owner, bytes, change);
                written.push((owner, bytes));
            });
        }
    }

    /// A job is a step of the cleaning of `band`.
    fn clean(&mut self, band: HomeBand, records: &[JobRecord]) {
        if self.open != Some(band) {
            self.gathered.given_up += u64::from(self.open.is_some());
            self.open = Some(band);
            self.cleanings.push(Cleaning {
                shares: self
                    .ledger
                    .as_mut()
                    .map_or_else(Vec::new, |ledger| ledger.begin(band)),
                used: Used::default(),
                waits: 0,
                waited_ns: 0,
            });
        }
        let cleaning = self.cleanings.len() - 1;
        for record in records {
            self.cleanings[cleaning].used.add(record);
        }
        let took = records.iter().map(|record| record.duration.0).sum();
        let from = records[0].start;
        let upto = from + Duration(took);
        match self.turns.last_mut() {
            Some(last) if last.cleaning == cleaning && last.upto == from => last.upto = upto,
            _ => self.turns.push(Turn {
                from,
                upto,
                cleaning,
            }),
        }
    }

    fn take_answer(&mut self, completion: &Completion) {
        if completion.failing.is_some() {
            return;
        }
        let writes = matches!(
            completion.operation,
            Operation::Write { .. } | Operation::WriteZeroes { .. }
        );
        if writes {
            let gathered = &mut self.gathered;
            let (offset, bytes) = (completion.offset, completion.bytes);
            self.ranges
                .split(offset, bytes, |owner, bytes| gathered.host(owner, bytes));
        }
        let waited = (completion.breakdown.cleaning + completion.breakdown.room).0;
        if waited > 0 {
            self.waited(completion, waited);
        }
    }

    /// A request waited for cleanings: each bears as much of that as it was under way meanwhile.
    fn waited(&mut self, completion: &Completion, waited: u64) {
        let first = self
            .turns
            .partition_point(|turn| turn.upto <= completion.arrived);
        let during = self.turns[first..].iter();
        let mut overlaps: Vec<(usize, u64)> = Vec::new();
        for turn in during.take_while(|turn| turn.from < completion.due) {
            let from = turn.from.max(completion.arrived);
            let overlap = turn.upto.min(completion.due).since(from).0;
            match overlaps.last_mut() {
                Some((cleaning, sum)) if *cleaning == turn.cleaning => *sum += overlap,
                _ => overlaps.push((turn.cleaning, overlap)),
            }
        }
        self.gathered.requests_waited += 1;
        let cleanings = &mut self.cleanings;
        let known = split(waited, &overlaps, |cleaning, part| {
            cleanings[cleaning].waits += 1;
            cleanings[cleaning].waited_ns += part;
        });
        if !known {
            let nobody = [(self.gathered.nobody(), 1)];
            self.gathered.waits(&nobody, 1, waited);
        }
    }
}
