//! Owns how a drive takes faults on request and lets go of them.
//!
//! Always holds: a fault that cannot be imposed changes nothing; one that is lifted leaves no trace
//! but what it did. Nothing here changes what is durable.

use super::engine::Drive;
use super::fault::{
    Commands, DURATION_MAX, Fault, FaultError, FaultId, Lasts, MediaError, PowerCut, PowerLoss,
    SLOW_PERCENT_MAX, STANDING_MAX, Slow, Stall, Standing, Switch,
};
use super::faults::{Stalled, sectors_of};
use super::meters::Busy;
use super::request::Effect;
use crate::time::{Duration, Instant};

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
            Fault::Slow(slow) => self.slow(now, slow),
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
        self.end_faults(now, which, "lifted")
    }

    /// Ends all faults, because nobody will use the drive any more.
    pub fn leave_faults(&mut self, now: Instant) {
        self.end_faults(now, None, "the session has ended");
    }

    fn end_faults(&mut self, now: Instant, which: Option<FaultId>, how: &str) -> usize {
        self.advance(now);
        let lifted = self
            .faults
            .take_out(|each| which.is_none_or(|id| id == each.id));
        for each in &lifted {
            let words = each.fault.last_words(each.left, how);
            self.faults.note(now, each.id, words);
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

    fn slow(&mut self, now: Instant, slow: Slow) -> FaultId {
        let same: fn(&Fault) -> bool = |standing| matches!(standing, Fault::Slow(_));
        if slow.is_none() {
            self.faults.take_out(|each| same(&each.fault));
            return self.faults.name(now, &Fault::Slow(slow));
        }
        self.replace(now, Fault::Slow(slow), same)
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
        let notes = self.faults.drain_notes().map(Effect::Note);
        self.effects.extend(notes);
    }
}
