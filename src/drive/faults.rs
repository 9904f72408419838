//! Owns the faults on request that are in force, and what each of them strikes next.
//!
//! Always holds: an error that lasts until rewritten shrinks sector by sector and is gone with its
//! last one; what counts down is gone at nothing. It changes nothing of the drive: the drive asks
//! what a fault does to what it is about to do.

use super::fault::{
    Commands, Failing, FailingKind, Fault, FaultId, Lasts, MediaError, Note, PowerLoss, Standing,
    Switch, Whereabouts,
};
use crate::extent::{Extent, ExtentSet, LbaExtent};
use crate::medium::movement::{Movement, Plan, Purpose, Step};
use crate::time::{Duration, Instant};
use crate::translation::state::Source;
use crate::units::{Lba, SECTOR_BYTES, Sectors};

/// The faults of one drive.
#[derive(Clone, Debug, Default)]
pub(super) struct Faults {
    last: u64,
    standing: Vec<Imposed>,
    pub(super) stall: Option<Stalled>,
    pub(super) power_loss: Option<PowerLoss>,
    notes: Vec<Note>,
}

/// A fault in force.
#[derive(Clone, Debug)]
pub(super) struct Imposed {
    pub(super) id: FaultId,
    since: Instant,
    pub(super) fault: Fault,
    pub(super) left: Option<u64>,
    /// Of a media error: sectors that are unreadable where the error says.
    range: ExtentSet,
    /// Of a media error: sectors that cleaning could not read. Unreadable anywhere.
    stuck: ExtentSet,
    /// Foreground cleanings at which commands begin to fail.
    from_bands: u64,
}

/// A stall in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stalled {
    pub(super) id: FaultId,
    pub(super) until: Option<Instant>,
}

/// A media error that was met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Hit {
    pub(super) failing: Failing,
    pub(super) tries: Duration,
}

/// The sectors that a media error touches.
pub(super) fn sectors_of(error: &MediaError) -> Option<LbaExtent> {
    let end = error.offset.checked_add(error.bytes)?;
    let start = Lba(error.offset / SECTOR_BYTES);
    Extent::between(start, Lba(end.div_ceil(SECTOR_BYTES)))
}

impl Faults {
    /// Takes a checked fault in. `bands`: foreground cleanings so far.
    pub(super) fn add(&mut self, at: Instant, fault: Fault, bands: u64) -> FaultId {
        let id = self.name(at, &fault);
        let mut range = ExtentSet::default();
        let mut left = None;
        let mut from_bands = 0;
        match &fault {
            Fault::MediaError(error) => {
                if let Some(sectors) = sectors_of(error) {
                    range.insert(sectors, (), |_, ()| {});
                }
                left = match error.lasts {
                    Lasts::Once => Some(1),
                    Lasts::Times(times) => Some(times),
                    Lasts::UntilRewritten | Lasts::Permanent => None,
                };
            }
            Fault::FailCommands(fail) => {
                left = Some(fail.commands);
                from_bands = bands + fail.after_bands_cleaned;
            }
            Fault::PowerCut(cut) => left = Some(cut.after_movements),
            _ => {}
        }
        self.standing.push(Imposed {
            id,
            since: at,
            fault,
            left,
            range,
            stuck: ExtentSet::default(),
            from_bands,
        });
        id
    }

    /// Names a fault and notes that it was asked for, without keeping it.
    pub(super) fn name(&mut self, at: Instant, fault: &Fault) -> FaultId {
        self.last += 1;
        let id = FaultId(self.last);
        self.note(at, id, format!("asked for: {}", fault.words()));
        id
    }

    pub(super) fn note(&mut self, at: Instant, fault: FaultId, what: String) {
        self.notes.push(Note {
            at_ns: at.0,
            fault,
            what,
        });
    }

    pub(super) fn drain_notes(&mut self) -> std::vec::Drain<'_, Note> {
        self.notes.drain(..)
    }

    pub(super) fn imposed(&self) -> &[Imposed] {
        &self.standing
    }

    /// Takes out those that `which` says.
    pub(super) fn take_out(&mut self, which: impl Fn(&Imposed) -> bool) -> Vec<Imposed> {
        self.standing.extract_if(.., |each| which(each)).collect()
    }

    pub(super) fn standing(&self) -> Vec<Standing> {
        let listed = self.standing.iter().map(|each| Standing {
            id: each.id,
            since_ns: each.since.0,
            fault: each.fault.clone(),
            left: each.left,
        });
        listed.collect()
    }

    /// What of this outlives a power cut: errors of the medium and settings, but no stall, no commands
    /// that fail, no cut to come.
    pub(super) fn after_power_cut(&mut self) -> Faults {
        let mut kept = std::mem::take(self);
        kept.standing.retain(|each| {
            !matches!(
                each.fault,
                Fault::Stall(_) | Fault::FailCommands(_) | Fault::PowerCut(_)
            )
        });
        kept.stall = None;
        kept.power_loss = None;
        kept
    }

    /// Whether the write cache was switched, and to what.
    pub(super) fn write_cache(&self) -> Option<bool> {
        self.standing.iter().find_map(|each| match each.fault {
            Fault::WriteCache(Switch { on }) => Some(on),
            _ => None,
        })
    }

    /// Whether a command that arrives is turned away, whatever it is about.
    pub(super) fn turns_away(
        &mut self,
        at: Instant,
        changes: bool,
        bands: u64,
        words: &str,
    ) -> Option<Failing> {
        let place = self.standing.iter().position(|each| match each.fault {
            Fault::ReadOnly(_) => changes,
            Fault::FailCommands(_) => bands >= each.from_bands,
            _ => false,
        })?;
        let kind = match self.standing[place].fault {
            Fault::ReadOnly(_) => FailingKind::ReadOnly,
            _ => FailingKind::Aborted,
        };
        let failing = Failing {
            fault: self.standing[place].id,
            kind,
        };
        self.struck(at, failing, words);
        Some(failing)
    }

    /// The first of these sectors that cannot be read where it lies.
    pub(super) fn unreadable(&self, part: LbaExtent, source: Source) -> Option<Hit> {
        self.media(Commands::Reads).find_map(|(each, error)| {
            let here = match (error.place, source) {
                (Whereabouts::Anywhere, _)
                | (Whereabouts::Home, Source::Home(_))
                | (Whereabouts::Staged, Source::Mapped(_)) => each.range.overlapping(part).next(),
                _ => None,
            };
            let (first, ()) = here.or_else(|| each.stuck.overlapping(part).next())?;
            Some(hit(each, error, FailingKind::Unreadable(first.start)))
        })
    }

    /// The first of these sectors that cannot be written.
    pub(super) fn unwritable(&self, part: LbaExtent) -> Option<Hit> {
        self.media(Commands::Writes).find_map(|(each, error)| {
            let (first, ()) = each.range.overlapping(part).next()?;
            Some(hit(each, error, FailingKind::Unwritable(first.start)))
        })
    }

    fn media(&self, on: Commands) -> impl Iterator<Item = (&Imposed, &MediaError)> {
        self.standing
            .iter()
            .filter_map(move |each| match &each.fault {
                Fault::MediaError(error) if error.on == on => Some((each, error)),
                _ => None,
            })
    }

    /// A command failed by a fault: counts it down.
    pub(super) fn struck(&mut self, at: Instant, failing: Failing, words: &str) {
        self.note(at, failing.fault, format!("{words} failed: {failing}"));
        let found = self
            .standing
            .iter()
            .position(|each| each.id == failing.fault);
        let Some(place) = found else { return };
        if let Some(left) = &mut self.standing[place].left {
            *left -= 1;
            if *left == 0 {
                self.standing.remove(place);
                self.note(at, failing.fault, "used up".to_owned());
            }
        }
    }

    /// The host's bytes of these sectors have come to the medium anew, or are forgotten.
    pub(super) fn rewritten(&mut self, at: Instant, sectors: LbaExtent) {
        let mut healed = Vec::new();
        self.standing.retain_mut(|each| {
            let Fault::MediaError(error) = &each.fault else {
                return true;
            };
            each.stuck.remove(sectors, |_, ()| {});
            if error.lasts == Lasts::UntilRewritten {
                each.range.remove(sectors, |_, ()| {});
            }
            let whole = each.range.is_empty() && each.stuck.is_empty();
            if whole {
                healed.push(each.id);
            }
            !whole
        });
        for id in healed {
            self.note(
                at,
                id,
                "ended: all of its sectors were rewritten".to_owned(),
            );
        }
    }

    /// Cleaning reads these sectors: what it cannot read stays unreadable wherever they go. Tells how
    /// long it tried.
    pub(super) fn cleaning_reads(
        &mut self,
        at: Instant,
        band: impl std::fmt::Display,
        parts: &[(LbaExtent, Purpose)],
    ) -> Duration {
        let mut tries = Duration::ZERO;
        let mut met = Vec::new();
        for each in &mut self.standing {
            let Fault::MediaError(error) = &each.fault else {
                continue;
            };
            if error.on != Commands::Reads || each.left.is_some() {
                continue;
            }
            let mut sectors = Sectors(0);
            for (part, purpose) in parts {
                let here = match (error.place, purpose) {
                    (Whereabouts::Anywhere, _)
                    | (Whereabouts::Home, Purpose::CleanRead)
                    | (Whereabouts::Staged, Purpose::CleanGather) => &each.range,
                    _ => &each.stuck,
                };
                let lost: Vec<LbaExtent> =
                    here.overlapping(*part).map(|(extent, ())| extent).collect();
                for extent in lost {
                    sectors += extent.sectors;
                    each.stuck.insert(extent, (), |_, ()| {});
                }
            }
            if sectors > Sectors(0) {
                tries += Duration(error.tries_ns);
                met.push((each.id, sectors));
            }
        }
        for (id, sectors) in met {
            let what = format!(
                "cleaning band {band} could not read {sectors} sectors: everything else of the band \
                 is carried over, these stay unreadable until they are rewritten"
            );
            self.note(at, id, what);
        }
        tries
    }

    /// What a slow mechanism takes longer.
    pub(super) fn slowed(&self, own: Duration) -> Duration {
        let more = self.percent().saturating_sub(100);
        share(own, more, 100)
    }

    /// How much of a time that a slow mechanism took is due to its slowness.
    pub(super) fn slowed_in(&self, taken: Duration) -> Duration {
        let percent = self.percent();
        share(taken, percent.saturating_sub(100), percent)
    }

    fn percent(&self) -> u64 {
        let mut slow = self.standing.iter().filter_map(|each| match each.fault {
            Fault::Slow(slow) => Some(slow.percent),
            _ => None,
        });
        slow.next().unwrap_or(100)
    }

    /// Counts the movements of a plan towards a power cut. Where the power goes in it, the plan ends
    /// there.
    pub(super) fn cut_short(&mut self, at: Instant, plan: &mut Plan) {
        let found = self
            .standing
            .iter_mut()
            .find(|each| matches!(each.fault, Fault::PowerCut(_)));
        let Some(each) = found else { return };
        let (Fault::PowerCut(cut), Some(left)) = (&each.fault, &mut each.left) else {
            return;
        };
        let counted = plan.steps.iter().enumerate().filter(|(_, step)| {
            let of = purpose_of(step);
            of.is_some() && cut.purpose.is_none_or(|wanted| of == Some(wanted))
        });
        let mut last = None;
        for (step, _) in counted {
            *left = left.saturating_sub(1);
            if *left == 0 {
                last = Some(step);
                break;
            }
        }
        let Some(last) = last else { return };
        let loss = PowerLoss {
            fault: each.id,
            at,
            stay_off: cut.stay_off,
        };
        plan.steps.truncate(last + 1);
        self.lose_power(loss);
    }

    pub(super) fn lose_power(&mut self, loss: PowerLoss) {
        self.note(loss.at, loss.fault, "the power is gone".to_owned());
        self.power_loss = Some(loss);
    }
}

fn purpose_of(step: &Step) -> Option<Purpose> {
    match step {
        Step::Move(Movement {
            buffered, purpose, ..
        }) => (!buffered).then_some(*purpose),
        Step::Record(record) => Some(record.purpose),
        Step::Order | Step::Barrier => None,
    }
}

fn hit(each: &Imposed, error: &MediaError, kind: FailingKind) -> Hit {
    Hit {
        failing: Failing {
            fault: each.id,
            kind,
        },
        tries: Duration(error.tries_ns),
    }
}

fn share(time: Duration, part: u64, whole: u64) -> Duration {
    let part = u128::from(time.0) * u128::from(part) / u128::from(whole.max(1));
    Duration(u64::try_from(part).unwrap_or(u64::MAX / 4))
}
