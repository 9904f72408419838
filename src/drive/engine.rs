//! Owns one drive: its queue, its cache, its arm, and what it is busy with.
//!
//! Driven by [`Drive::submit`] and [`Drive::advance`]; speaks through effects. One job at a time
//! occupies the arm; jobs follow one another at exact moments, however late `advance` is called.
//! A violation of the guard rule stops the drive for good.

use std::collections::{BTreeSet, VecDeque};

use super::back::Back;
use super::cache::Cache;
use super::elevator::Elevator;
use super::faults::Faults;
use super::job_record::{ChangeRecord, Recorder};
use super::meters::{Busy, Meters};
use super::read_ahead::ReadAhead;
use super::request::{Completion, Counters, Deadline, Effect, Operation, Request};
use super::waiting::{Ending, Waiting};
use crate::extent::LbaExtent;
use crate::mechanics::rotation::Rotation;
use crate::medium::arm::Arm;
use crate::medium::guard::Guard;
use crate::medium::movement::{BufferId, PlanId, Purpose};
use crate::medium::timing::Timing;
use crate::profile::{CleaningStyle, Profile};
use crate::time::{Duration, Instant};
use crate::translation::draft::Draft;
use crate::translation::{NoRoom, Translation};
use crate::units::{BandId, Lba, Sectors};

/// One drive.
#[derive(Clone, Debug)]
#[allow(clippy::struct_excessive_bools)] // independent facts, not a state
pub struct Drive {
    pub(super) profile: Profile,
    pub(super) back: Back,
    guard: Guard,
    pub(super) arm: Arm,
    pub(super) cache: Cache,
    /// As the profile says, unless it was switched on request.
    pub(super) cache_enabled: bool,
    pub(super) faults: Faults,
    /// What was counted before the power was cut.
    pub(super) base: Counters,
    /// Reads, writes, trims and zeroing in order of arrival.
    pub(super) queue: VecDeque<Waiting>,
    /// Sectors that queued requests hold, of all of them.
    pub(super) held: BTreeSet<Lba>,
    pub(super) elevator: Elevator,
    /// Flushes, each with the generation of the cache that it waits for.
    pub(super) flushes: VecDeque<(Waiting, u64)>,
    /// What the waiting writes lack.
    pub(super) need: Option<NoRoom>,
    /// The last job was cleaning for a waiting write: others may have their turn.
    pub(super) yielded: bool,
    /// The last job was for a flush: others may have their turn.
    pub(super) flush_yields: bool,
    /// How often the oldest request has let a nearer one go first.
    pub(super) passed_over: u32,
    pub(super) job: Option<Job>,
    pub(super) ahead: ReadAhead,
    pub(super) meters: Meters,
    revolution: Duration,
    pub(super) counters: Counters,
    /// `None`: nobody wants to know about the jobs.
    pub(super) recorder: Option<Recorder>,
    /// `None`: nobody wants to know about changes of the state.
    pub(super) changes: Option<Vec<ChangeRecord>>,
    pub(super) effects: Vec<Effect>,
    plans: u64,
    buffers: u64,
    /// The newest plan with a barrier.
    pub(super) last_barrier: Option<PlanId>,
    /// When the arm was free last.
    pub(super) free_at: Instant,
    /// When the host asked for something or was answered last.
    pub(super) last_host: Instant,
    /// Since when the cache holds something that nobody destages.
    pub(super) cached_since: Option<Instant>,
    /// What is older than this mark of the cache has waited for as long as it may, and goes without a
    /// pause. That which came since then is what `cached_since` speaks of.
    pub(super) overdue: Option<u64>,
    /// Lazy cleaning is under way from the high to the low mark.
    pub(super) draining: bool,
    /// There was nothing that could be cleaned, and nothing has changed since.
    pub(super) clean_in_vain: bool,
    pub(super) closing: Closing,
    /// Nothing may be written.
    pub(super) still: bool,
    failure: Option<String>,
}

/// What the arm is busy with.
#[derive(Clone, Copy, Debug)]
pub struct Job {
    /// When it ends.
    pub ends: Instant,
    /// Reading ahead: the part of it under way.
    pub ahead: bool,
}

/// Stages of an orderly end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closing {
    /// Not asked for.
    No,
    /// Destaging what the cache held by then.
    Destaging(u64),
    /// Everything is on the medium and the map is merged.
    Done,
}

impl Drive {
    /// A drive that stands still. `written`: how much of each band is written.
    pub fn new(profile: &Profile, back: Back, written: &[(BandId, Sectors)]) -> Drive {
        let mut guard = Guard::new(back.layout());
        for &(band, sectors) in written {
            guard.set_written(band, sectors);
        }
        let cache_bytes = if profile.write_cache.enabled {
            profile.write_cache.bytes
        } else {
            0
        };
        Drive {
            arm: Arm::new(profile, back.layout()),
            ahead: ReadAhead::new(profile.read_ahead_bytes),
            cache: Cache::new(cache_bytes),
            cache_enabled: profile.write_cache.enabled,
            faults: Faults::default(),
            base: Counters::default(),
            profile: profile.clone(),
            guard,
            back,
            queue: VecDeque::new(),
            held: BTreeSet::new(),
            elevator: Elevator::default(),
            flushes: VecDeque::new(),
            need: None,
            yielded: false,
            flush_yields: false,
            passed_over: 0,
            job: None,
            meters: Meters::default(),
            revolution: Rotation::new(profile.platters.rpm_milli).revolution(),
            counters: Counters::default(),
            recorder: None,
            changes: None,
            effects: Vec::new(),
            plans: 0,
            buffers: 0,
            last_barrier: None,
            free_at: Instant::default(),
            last_host: Instant::default(),
            cached_since: None,
            overdue: None,
            draining: false,
            clean_in_vain: false,
            closing: Closing::No,
            still: false,
            failure: None,
        }
    }

    /// Takes a request that arrives at `now`.
    pub fn submit(&mut self, now: Instant, request: Request) {
        self.advance(now);
        if self.stands_still() {
            return;
        }
        self.last_host = self.last_host.max(now);
        self.clean_in_vain = false;
        let waiting = Waiting::new(request, now, self.meters.read(now));
        if let Some(failing) = self.turned_away(now, request.operation()) {
            return self.complete_failing(waiting, failing, (now, self.ready(now)));
        }
        match request.operation() {
            Operation::Flush => {
                let mark = self.cache.mark();
                self.flushes.push_back((waiting, mark));
            }
            Operation::Read => self.take_read(now, waiting),
            _ => self.take_write(now, waiting),
        }
        self.advance(now);
    }

    /// Lets the drive work up to `now`.
    pub fn advance(&mut self, now: Instant) {
        while !self.stands_still() {
            if let Some(job) = self.job {
                if job.ends > now {
                    return;
                }
                self.end_job(job.ends);
                if !self.stalls(job.ends) {
                    self.pick(job.ends);
                }
            } else if !self.end_stall(now) {
                match self.next_wake() {
                    Some(wake) if wake <= now => {
                        if !self.pick(wake) {
                            return;
                        }
                    }
                    _ => return,
                }
            }
        }
    }

    /// When the drive wants to be called again.
    pub fn next_deadline(&self) -> Option<Deadline> {
        if self.stands_still() {
            return None;
        }
        let host_waits = self.host_waits();
        match self.job {
            Some(job) => Some(Deadline {
                at: job.ends,
                host_waits,
            }),
            None => self.next_wake().map(|at| Deadline { at, host_waits }),
        }
    }

    /// Moves what is to be done to `into`, in order.
    pub fn drain_effects(&mut self, into: &mut Vec<Effect>) {
        into.append(&mut self.effects);
    }

    /// Why the drive stopped for good, if it did: a defect of imbrex.
    pub fn failure(&self) -> Option<&str> {
        self.failure.as_deref()
    }

    /// Whether nothing will happen any more: it has failed, or has no power.
    pub(super) fn stands_still(&self) -> bool {
        self.failure.is_some() || self.power_lost().is_some()
    }

    /// Whether nothing is queued, cached, or under way on the host's behalf.
    pub fn idle(&self) -> bool {
        !self.host_waits() && self.cache.is_empty()
    }

    /// Begins an orderly end: everything goes to the medium and the map is merged, so that the next
    /// opening is short. Done when [`Drive::idle`].
    pub fn shut_down(&mut self, now: Instant) {
        self.advance(now);
        self.closing = Closing::Destaging(self.cache.mark());
        self.advance(now);
    }

    /// The first thing after opening an image: what recovery found becomes the newest map. It takes
    /// no model time and counts nothing: it happened before the drive was switched on.
    pub fn settle_open(&mut self) {
        if let Back::Managed(translation) = &mut self.back {
            let mut draft = Draft::default();
            translation.settle_open(&mut draft);
            let parked = self.arm.clone();
            self.issue(draft, Instant::default());
            self.arm = parked;
            self.counters = Counters::default();
        }
    }

    /// The drive does nothing on its own account: the image is opened for reading only.
    pub fn stand_still(&mut self) {
        self.still = true;
    }

    /// What was opened for reading only goes on in virtual time, where nobody carries its bytes.
    pub fn go_on_without_bytes(&mut self) {
        self.still = false;
        if let Back::Managed(translation) = &mut self.back {
            translation.stop_rendering();
        }
        self.settle_open();
    }

    /// The translation, for inspection.
    pub fn translation(&self) -> Option<&Translation> {
        self.back.translation()
    }

    /// The profile it was made from.
    pub fn profile(&self) -> &Profile {
        &self.profile
    }

    pub(super) fn host_waits(&self) -> bool {
        !self.queue.is_empty()
            || !self.flushes.is_empty()
            || matches!(self.closing, Closing::Destaging(_))
    }

    /// When the electronics are through with a request that arrived at `arrived`.
    pub(super) fn ready(&self, arrived: Instant) -> Instant {
        arrived + self.profile.drive.command_overhead
    }

    /// When the mechanism can begin with what the host waits for.
    fn next_ready(&self) -> Option<Instant> {
        let queued = self
            .queue
            .front()
            .map(|waiting| self.ready(waiting.arrived));
        let flush = self
            .flushes
            .front()
            .map(|(waiting, _)| self.ready(waiting.arrived));
        let closing = matches!(self.closing, Closing::Destaging(_)).then_some(self.free_at);
        [queued, flush, closing].into_iter().flatten().min()
    }

    /// When the drive begins something next, if nothing happens until then.
    fn next_wake(&self) -> Option<Instant> {
        // While a host request is in the electronics the mechanism begins nothing else.
        let wake = self.next_ready().or_else(|| self.next_own_work())?;
        let free = match self.faults.stall {
            Some(stalled) => stalled.until?.max(self.free_at),
            None => self.free_at,
        };
        Some(wake.max(free))
    }

    fn next_own_work(&self) -> Option<Instant> {
        let destage = self.cached_since.map(|since| {
            let half_full = self.cache.is_half_full();
            let delay = self.profile.write_cache.destage_delay;
            let at_once = half_full || !self.cache_enabled;
            if at_once { since } else { since + delay }
        });
        let destage = self.overdue.map(|_| self.free_at).or(destage);
        let idle_delay = self.profile.cleaning.idle_delay;
        let clean = self.wants_cleaning().then(|| self.last_host + idle_delay);
        let ahead = self.ahead.wanted().then_some(self.free_at);
        [destage, clean, ahead].into_iter().flatten().min()
    }

    pub(super) fn wants_cleaning(&self) -> bool {
        let Some(translation) = self.back.translation() else {
            return false;
        };
        let dirty = translation.has_cleaning_to_do()
            && !self.clean_in_vain
            && !self.still
            && self.closing == Closing::No;
        match self.profile.cleaning.style {
            CleaningStyle::Aggressive => dirty,
            CleaningStyle::Lazy => {
                let high = u64::from(self.profile.cleaning.high_mark_percent);
                dirty && (self.draining || translation.fill_percent() >= high)
            }
        }
    }

    /// Starts a job of the arm at `at`: hands out the plan, moves the arm.
    pub(super) fn issue(&mut self, draft: Draft, at: Instant) -> (Option<PlanId>, Timing) {
        let has_barrier = draft.has_barrier();
        if draft.is_empty() {
            return (None, Timing::at(at));
        }
        self.plans += 1;
        let mut plan = draft.finish(PlanId(self.plans));
        if let Err(violation) = self.guard.check(self.back.layout(), &plan) {
            self.fail(violation.to_string());
            return (None, Timing::at(at));
        }
        let mut timing = self.arm.run(self.back.layout(), &plan, at);
        self.faults.cut_short(at, &mut plan);
        let held_up = self.faults.slowed(timing.end.since(at));
        timing.held_up += held_up;
        timing.end += held_up;
        self.record_job(&plan, at, &timing);
        self.record_plan(plan.id);
        for (i, purpose) in Purpose::ALL.into_iter().enumerate() {
            let used = timing.by_purpose[purpose];
            self.counters.medium_bytes[i] += used.bytes;
            self.counters.medium_ns[i] += used.time.0;
        }
        if has_barrier {
            self.last_barrier = Some(plan.id);
        }
        let id = plan.id;
        self.effects.push(Effect::Move(plan));
        (Some(id), timing)
    }

    /// The arm is busy from `at` until `ends`.
    pub(super) fn occupy(&mut self, busy: Busy, at: Instant, ends: Instant) {
        self.meters.begin(busy, at);
        self.attribute_jobs(busy, at);
        self.job = Some(Job { ends, ahead: false });
    }

    pub(super) fn end_job(&mut self, at: Instant) {
        if self.job.is_some_and(|job| job.ahead) {
            self.end_read_ahead();
        }
        self.meters.end(at);
        self.job = None;
        self.free_at = at;
    }

    /// Answers a request whose mechanical part is done at `done`.
    pub(super) fn complete(
        &mut self,
        waiting: &Waiting,
        done: Instant,
        needs: Option<PlanId>,
        started: Instant,
    ) {
        let carries = matches!(
            waiting.request.operation(),
            Operation::Read | Operation::Write { .. }
        );
        let bytes = if carries { waiting.request.bytes() } else { 0 };
        let rate = self.profile.drive.interface_bytes_per_s.max(1);
        let interface = u128::from(bytes) * 1_000_000_000 / u128::from(rate);
        let ending = Ending {
            done,
            overhead: self.profile.drive.command_overhead,
            interface: Duration(u64::try_from(interface).unwrap_or(u64::MAX / 4)),
            needs,
            started,
            revolution: self.revolution,
        };
        let completion = waiting.complete(&ending, &self.meters);
        self.count(&completion);
        self.last_host = self.last_host.max(completion.due);
        self.effects.push(Effect::Complete(completion));
        for &buffer in &waiting.buffers {
            self.effects.push(Effect::Release(buffer));
        }
    }

    fn count(&mut self, completion: &Completion) {
        let counters = &mut self.counters;
        if completion.failing.is_some() {
            counters.host_failed += 1;
            return;
        }
        match completion.operation {
            Operation::Read => {
                counters.host_reads += 1;
                counters.host_read_bytes += completion.bytes;
            }
            Operation::Write { .. } => {
                counters.host_writes += 1;
                counters.host_written_bytes += completion.bytes;
            }
            Operation::Flush => counters.host_flushes += 1,
            Operation::Trim => counters.host_trims += 1,
            Operation::WriteZeroes { .. } => {
                counters.host_zeroes += 1;
                counters.host_written_bytes += completion.bytes;
            }
        }
    }

    pub(super) fn release(&mut self, buffers: Vec<BufferId>) {
        self.effects
            .extend(buffers.into_iter().map(Effect::Release));
    }

    pub(super) fn new_buffer(&mut self) -> BufferId {
        self.buffers += 1;
        BufferId::Internal(self.buffers)
    }

    pub(super) fn fail(&mut self, why: String) {
        self.failure.get_or_insert(why);
        self.job = None;
    }

    /// Whether some queued request is merging one of these sectors with what they held before.
    pub(super) fn is_held(&self, range: LbaExtent) -> bool {
        self.held.range(range.start..range.end()).next().is_some()
    }
}
