//! Owns how a drive takes faults on request, and what they do to the commands it works on.
//!
//! Always holds: a fault that cannot be imposed changes nothing; one that is lifted leaves no trace
//! but what it did. Nothing here changes what is durable.

use super::engine::Drive;
use super::fault::{
    Commands, DURATION_MAX, Failing, Fault, FaultError, FaultId, Lasts, MediaError, Note, PowerCut,
    PowerLoss, SLOW_PERCENT_MAX, STANDING_MAX, Stall, Standing, Switch,
};
use super::faults::{Hit, Stalled, sectors_of};
use super::meters::Busy;
use super::request::{Effect, Operation};
use super::waiting::Waiting;
use crate::extent::{Extent, LbaExtent};
use crate::medium::movement::{Movement, Place, Purpose, Step};
use crate::medium::timing::Timing;
use crate::time::{Duration, Instant};
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::{HomeBand, SECTOR_BYTES, Sectors};

impl Drive {
    /// Imposes a fault at `now`.
    ///
    /// # Errors
    /// See [`FaultError`]; then nothing has changed.
    pub fn impose(&mut self, now: Instant, fault: Fault) -> Result<FaultId, FaultError> {
        self.check_fault(&fault)?;
        self.advance(now);
        let id = match fault {
            Fault::Stall(stall) => self.stall(now, stall),
            Fault::PowerCut(cut) if cut.after_movements == 0 => self.cut_power(now, cut),
            Fault::Slow(_) => {
                self.replace(now, fault, |standing| matches!(standing, Fault::Slow(_)))
            }
            Fault::ReadOnly(switch) => self.set_read_only(now, switch),
            Fault::WriteCache(switch) => self.set_write_cache(now, switch),
            other => {
                let bands = self.counters.bands_cleaned_foreground;
                self.faults.add(now, other, bands)
            }
        };
        self.say_notes();
        self.advance(now);
        Ok(id)
    }

    /// Lifts a fault, or all of them; tells how many were in force.
    pub fn lift(&mut self, now: Instant, which: Option<FaultId>) -> usize {
        self.advance(now);
        let lifted = self
            .faults
            .take_out(|each| which.is_none_or(|id| id == each.id));
        for each in &lifted {
            self.faults.note(now, each.id, "lifted".to_owned());
            match each.fault {
                Fault::Stall(_) => self.resume(now),
                Fault::WriteCache(_) => self.switch_cache(now, self.profile.write_cache.enabled),
                _ => {}
            }
        }
        self.say_notes();
        self.advance(now);
        lifted.len()
    }

    /// The faults in force.
    pub fn standing(&self) -> Vec<Standing> {
        self.faults.standing()
    }

    /// Whether the power is gone: then nothing happens any more, and what was not durable is lost.
    pub fn power_lost(&self) -> Option<&PowerLoss> {
        self.faults.power_loss.as_ref()
    }

    /// Takes the place of a drive that was switched off: goes on at `now` with the faults that
    /// outlive it and with its counters.
    pub fn succeed(&mut self, former: &mut Drive, now: Instant) {
        self.base = former.status(now).counters;
        self.faults = former.faults.after_power_cut();
        self.plans = 0;
        (self.free_at, self.last_host) = (now, now);
        if let Some(on) = self.faults.write_cache() {
            self.switch_cache(now, on);
        }
        self.say_notes();
    }

    fn check_fault(&self, fault: &Fault) -> Result<(), FaultError> {
        if self.faults.imposed().len() >= STANDING_MAX {
            return Err(FaultError::TooMany);
        }
        let within = |name, given: u64, least: u64, most: u64| {
            if (least..=most).contains(&given) {
                Ok(())
            } else {
                Err(FaultError::Number {
                    name,
                    given,
                    least,
                    most,
                })
            }
        };
        match fault {
            Fault::MediaError(error) => {
                within("tries_ns", error.tries_ns, 0, DURATION_MAX.0)?;
                if let Lasts::Times(times) = error.lasts {
                    within("times", times, 1, u64::MAX)?;
                }
                self.check_range(error)
            }
            Fault::Stall(stall) => {
                if let Some(stalled) = self.faults.stall {
                    return Err(FaultError::Stalled(stalled.id));
                }
                within(
                    "duration_ns",
                    stall.duration_ns.unwrap_or(1),
                    1,
                    DURATION_MAX.0,
                )
            }
            Fault::Slow(slow) => within("percent", slow.percent, 100, SLOW_PERCENT_MAX),
            Fault::FailCommands(fail) => {
                within("commands", fail.commands, 1, u64::from(u32::MAX))?;
                let bands = fail.after_bands_cleaned;
                within("after_bands_cleaned", bands, 0, u64::from(u32::MAX))
            }
            Fault::PowerCut(_) => {
                let mut all = self.faults.imposed().iter();
                match all.find(|each| matches!(each.fault, Fault::PowerCut(_))) {
                    Some(ahead) => Err(FaultError::CutAhead(ahead.id)),
                    None => Ok(()),
                }
            }
            Fault::WriteCache(Switch { on: true }) if self.profile.write_cache.bytes == 0 => {
                Err(FaultError::NoCache)
            }
            Fault::WriteCache(_) | Fault::ReadOnly(_) => Ok(()),
        }
    }

    fn check_range(&self, error: &MediaError) -> Result<(), FaultError> {
        if error.on == Commands::Writes && error.lasts == Lasts::UntilRewritten {
            return Err(FaultError::NeverRewritten);
        }
        let capacity = self.profile.drive.capacity_bytes;
        let end = error.offset.checked_add(error.bytes);
        if end.is_some_and(|end| end <= capacity) && sectors_of(error).is_some() && error.bytes > 0
        {
            return Ok(());
        }
        Err(FaultError::Range {
            offset: error.offset,
            bytes: error.bytes,
            capacity,
        })
    }

    /// A setting of which there is only one.
    fn replace(&mut self, now: Instant, fault: Fault, same: fn(&Fault) -> bool) -> FaultId {
        self.faults.take_out(|each| same(&each.fault));
        self.faults.add(now, fault, 0)
    }

    fn set_read_only(&mut self, now: Instant, switch: Switch) -> FaultId {
        let same: fn(&Fault) -> bool = |standing| matches!(standing, Fault::ReadOnly(_));
        if switch.on {
            return self.replace(now, Fault::ReadOnly(switch), same);
        }
        self.faults.take_out(|each| same(&each.fault));
        self.faults.name(now, &Fault::ReadOnly(switch))
    }

    fn set_write_cache(&mut self, now: Instant, switch: Switch) -> FaultId {
        let same: fn(&Fault) -> bool = |standing| matches!(standing, Fault::WriteCache(_));
        self.switch_cache(now, switch.on);
        if switch.on == self.profile.write_cache.enabled {
            self.faults.take_out(|each| same(&each.fault));
            return self.faults.name(now, &Fault::WriteCache(switch));
        }
        self.replace(now, Fault::WriteCache(switch), same)
    }

    /// What the cache holds when it is switched off goes to the medium as soon as the arm is free.
    fn switch_cache(&mut self, now: Instant, on: bool) {
        self.cache_enabled = on;
        if on {
            self.cache.set_capacity(self.profile.write_cache.bytes);
        } else if let Some(since) = &mut self.cached_since {
            *since = (*since).min(now);
        }
    }

    fn stall(&mut self, now: Instant, stall: Stall) -> FaultId {
        let id = self.faults.add(now, Fault::Stall(stall), 0);
        let until = stall.duration_ns.map(|ns| now + Duration(ns));
        self.faults.stall = Some(Stalled { id, until });
        self.interrupt_read_ahead(now);
        if self.job.is_none() {
            self.meters.begin(Busy::Stalled, now);
        }
        self.effects.push(Effect::Hold { until });
        id
    }

    /// The stall is over at `at`.
    fn resume(&mut self, at: Instant) {
        if self.faults.stall.take().is_none() {
            return;
        }
        if self.job.is_none() {
            self.meters.end(at);
            self.free_at = self.free_at.max(at);
        }
        self.effects.push(Effect::Resume { at });
    }

    /// Ends a stall whose end has come by `now`; tells whether there was one.
    pub(super) fn end_stall(&mut self, now: Instant) -> bool {
        let over = |stalled: Stalled| stalled.until.filter(|until| *until <= now);
        let Some(until) = self.faults.stall.and_then(over) else {
            return false;
        };
        self.faults
            .take_out(|each| matches!(each.fault, Fault::Stall(_)))
            .iter()
            .for_each(|each| self.faults.note(until, each.id, "over".to_owned()));
        self.resume(until);
        self.say_notes();
        true
    }

    /// Whether the drive is stalled at `at`, when the arm has just become free.
    pub(super) fn stalls(&mut self, at: Instant) -> bool {
        let stalled = |stalled: Stalled| stalled.until.is_none_or(|until| until > at);
        let stalls = self.faults.stall.is_some_and(stalled);
        if stalls {
            self.meters.begin(Busy::Stalled, at);
        }
        stalls
    }

    fn cut_power(&mut self, now: Instant, cut: PowerCut) -> FaultId {
        let fault = self.faults.name(now, &Fault::PowerCut(cut));
        self.faults.lose_power(PowerLoss {
            fault,
            at: now,
            stay_off: cut.stay_off,
        });
        fault
    }

    pub(super) fn say_notes(&mut self) {
        let notes = self
            .faults
            .drain_notes()
            .map(|note: Note| Effect::Note(note));
        self.effects.extend(notes);
    }

    /// Why a command that arrives is turned away, if it is.
    pub(super) fn turned_away(&mut self, now: Instant, operation: Operation) -> Option<Failing> {
        if self.faults.imposed().is_empty() {
            return None;
        }
        let changes = !matches!(operation, Operation::Read | Operation::Flush);
        let bands = self.counters.bands_cleaned_foreground;
        self.faults.turns_away(now, changes, bands, word(operation))
    }

    /// Answers that a command fails. It has changed nothing.
    pub(super) fn complete_failing(
        &mut self,
        mut waiting: Waiting,
        failing: Failing,
        (at, done): (Instant, Instant),
    ) {
        waiting.failing = Some(failing);
        if matches!(
            waiting.request.operation(),
            Operation::Read | Operation::Write { .. }
        ) && waiting.buffers.is_empty()
        {
            waiting.buffers.push(waiting.request.buffer());
        }
        self.complete(&waiting, done, None, at);
        self.say_notes();
    }

    /// The media error that reading `range` meets.
    pub(super) fn unreadable(&self, range: LbaExtent) -> Option<Hit> {
        if self.faults.imposed().is_empty() {
            return None;
        }
        let located = |part| self.back.locate(part).into_iter();
        self.cache
            .pieces(range)
            .into_iter()
            .filter(|(_, held)| held.is_none())
            .flat_map(|(part, _)| located(part))
            .find_map(|(part, source): (LbaExtent, Source)| self.faults.unreadable(part, source))
    }

    /// The media error that a write, zeroing or discard meets, unless it has begun already.
    pub(super) fn spoils(&self, waiting: &Waiting) -> Option<Hit> {
        if self.faults.imposed().is_empty() || waiting.prepared {
            return None;
        }
        let touched = waiting.touched();
        let discards = waiting.request.operation() == Operation::Trim;
        if !discards && let Some(hit) = self.faults.unwritable(touched) {
            return Some(hit);
        }
        let covered = waiting.covered();
        let (head, tail) = covered.map_or((touched.end(), touched.end()), |covered| {
            (covered.start, covered.end())
        });
        let edges = [(touched.start, head), (tail, touched.end())];
        edges
            .into_iter()
            .filter_map(|(from, upto)| Extent::between(from, upto))
            .find_map(|edge| self.unreadable(edge))
    }

    /// A queued command that is no read fails.
    pub(super) fn fail_queued(&mut self, chosen: usize, hit: Hit, at: Instant) {
        let Some(mut waiting) = self.queue.remove(chosen) else {
            return;
        };
        self.faults
            .struck(at, hit.failing, word(waiting.request.operation()));
        waiting.add(&Timing {
            held_up: hit.tries,
            ..Timing::at(at)
        });
        let done = at + hit.tries;
        self.complete_failing(waiting, hit.failing, (at, done));
        self.occupy(Busy::Host, at, done);
    }

    /// A read that was served meets an error: the drive tries for a while longer and gives up.
    pub(super) fn fail_read(&mut self, waiting: &mut Waiting, at: Instant, timing: &mut Timing) {
        let Some(hit) = self.unreadable(waiting.touched()) else {
            return;
        };
        self.faults.struck(at, hit.failing, "read");
        waiting.failing = Some(hit.failing);
        timing.held_up += hit.tries;
        timing.end += hit.tries;
        self.say_notes();
    }

    /// The host's bytes of these sectors come to the medium, or are forgotten.
    pub(super) fn note_rewritten(&mut self, at: Instant, sectors: LbaExtent) {
        if !self.faults.imposed().is_empty() {
            self.faults.rewritten(at, sectors);
            self.say_notes();
        }
    }

    /// How long a step of cleaning tries to read what it cannot.
    pub(super) fn cleaning_tries(
        &mut self,
        at: Instant,
        band: HomeBand,
        draft: &Draft,
    ) -> Duration {
        if self.faults.imposed().is_empty() {
            return Duration::ZERO;
        }
        let start = self.back.layout().home_extent(band).start;
        let reads = draft.steps().iter().filter_map(|step| match step {
            Step::Move(Movement {
                to: Place::Scratch { offset },
                bytes,
                purpose: purpose @ (Purpose::CleanRead | Purpose::CleanGather),
                ..
            }) => {
                let first = start + Sectors(offset / SECTOR_BYTES);
                let part = LbaExtent::new(first, Sectors::holding(*bytes));
                Some((part, *purpose))
            }
            _ => None,
        });
        let parts: Vec<(LbaExtent, Purpose)> = reads.collect();
        let tries = self.faults.cleaning_reads(at, band, &parts);
        self.say_notes();
        tries
    }
}

fn word(operation: Operation) -> &'static str {
    match operation {
        Operation::Read => "read",
        Operation::Write { .. } => "write",
        Operation::Flush => "flush",
        Operation::Trim => "trim",
        Operation::WriteZeroes { .. } => "write-zeroes",
    }
}
