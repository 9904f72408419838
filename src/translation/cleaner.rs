//! Owns the cleaning of bands: read, merge, safe copy, rewrite, commit, in steps of about a track.
//!
//! States of one cleaning, what leaves each, and what a power cut in it leaves:
//! - `Gather`, `Read`: staged and home sectors go to memory. A cut leaves the band as it was.
//! - `Write`: the merged band goes to its target (a spare, or its own place when that holds nothing
//!   valid or a safe copy exists). A cut leaves what the map says: staged sectors and home, or the
//!   safe copy.
//! - `Verify`: the safe copy is read back.
//! - the commit is one record. A host write to the band meanwhile stays mapped (`keep`), because it
//!   is newer than what the pass wrote.

use super::change::Change;
use super::draft::Draft;
use super::keeper::{NoRoom, Translation};
use super::state::Source;
use crate::extent::{Extent, ExtentSet, LbaExtent};
use crate::medium::movement::{Place, Purpose};
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors};

mod choice;

/// Staged runs read in one step: each may cost a seek.
const GATHERED_PER_STEP: usize = 4;
/// More newer ranges than this and the cleaning is given up, so that its record stays small.
const OVERWRITTEN_MAX: u64 = 1000;

/// A cleaning under way.
#[derive(Clone, Debug)]
pub struct Cleaning {
    band: HomeBand,
    start: Lba,
    /// What the merged band consists of, as found at the beginning.
    content: Vec<(LbaExtent, Source)>,
    /// Staged runs, in the order in which the head meets them.
    staged: Vec<(Pba, LbaExtent)>,
    /// Where in the band the pass begins (0 unless it completes an interrupted one) and ends.
    from: Sectors,
    upto: Sectors,
    way: Way,
    phase: Phase,
    /// What the host wrote or discarded meanwhile.
    overwritten: ExtentSet,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// One write pass over `target`, which is the band's place from then on.
    Once { target: BandId },
    /// A safe copy in `spare`, then a second pass over `home`.
    SafeCopy {
        spare: BandId,
        home: BandId,
        verify: bool,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    Gather {
        next: usize,
    },
    Read {
        at: Sectors,
    },
    Write {
        target: BandId,
        at: Sectors,
        purpose: Purpose,
    },
    Verify {
        at: Sectors,
    },
}

impl Cleaning {
    /// The band being cleaned.
    pub fn band(&self) -> HomeBand {
        self.band
    }

    /// Whether its passes go over `band`.
    pub fn uses(&self, band: BandId) -> bool {
        match self.way {
            Way::Once { target } => target == band,
            Way::SafeCopy { spare, home, .. } => spare == band || home == band,
        }
    }
}

impl Translation {
    /// The band being cleaned.
    pub fn cleaning_band(&self) -> Option<HomeBand> {
        self.cleaning.as_ref().map(Cleaning::band)
    }

    /// Plans the next step of cleaning, choosing a band when none is under way. `need`: what a
    /// waiting host request lacks. Returns the band, or `None` when there is nothing to do.
    pub fn clean_step(&mut self, draft: &mut Draft, need: Option<NoRoom>) -> Option<HomeBand> {
        let mut cleaning = self.cleaning.take().or_else(|| self.begin(need))?;
        let band = cleaning.band;
        let track = self.track_of(cleaning.band);
        match cleaning.phase {
            Phase::Gather { next } => self.gather(draft, &mut cleaning, next),
            Phase::Read { at } => Translation::read_home(draft, &mut cleaning, at, track),
            Phase::Write {
                target,
                at,
                purpose,
            } => {
                if self.write_track(
                    draft,
                    &mut cleaning,
                    WriteStep {
                        target,
                        at,
                        purpose,
                        track,
                    },
                ) {
                    self.clean_from = HomeBand(cleaning.band.0 + 1);
                    self.counts.bands_cleaned += 1;
                    return Some(band);
                }
            }
            Phase::Verify { at } => self.verify(draft, &mut cleaning, at, track),
        }
        self.cleaning = Some(cleaning);
        Some(band)
    }

    /// Notes that the host wrote or discarded `range`. A cleaning that this makes useless is given
    /// up at once, so that it holds no spare and keeps no direct write waiting.
    pub(super) fn note_overwritten(&mut self, range: LbaExtent) {
        let Some(cleaning) = &mut self.cleaning else {
            return;
        };
        let whole = self.layout.home_extent(cleaning.band);
        if let Some(part) = range.intersect(&whole) {
            cleaning.overwritten.insert(part, (), |_, ()| {});
            if part == whole || cleaning.overwritten.len() > OVERWRITTEN_MAX {
                self.cleaning = None;
            }
        }
    }

    fn track_of(&self, band: HomeBand) -> Sectors {
        let (place, _) = self.state.home(&self.layout, band);
        Sectors(u64::from(self.layout.band(place).sectors_per_track))
    }

    fn gather(&mut self, draft: &mut Draft, cleaning: &mut Cleaning, next: usize) {
        let upto = cleaning.staged.len().min(next + GATHERED_PER_STEP);
        for &(pba, part) in &cleaning.staged[next..upto] {
            for (still, target) in self.state.map.overlapping(part) {
                let there = pba + (still.start - part.start);
                // What the host wrote meanwhile is kept mapped; its old place may be gone.
                if target.pba() == Some(there) {
                    let to = Place::Scratch {
                        offset: (still.start - cleaning.start).bytes(),
                    };
                    draft.transfer(
                        Place::sector(there),
                        to,
                        still.sectors.bytes(),
                        Purpose::CleanGather,
                    );
                }
            }
        }
        cleaning.phase = if upto < cleaning.staged.len() {
            Phase::Gather { next: upto }
        } else {
            Phase::Read { at: cleaning.from }
        };
    }

    fn read_home(draft: &mut Draft, cleaning: &mut Cleaning, at: Sectors, track: Sectors) {
        let upto = cleaning.upto.min(at + track);
        for (part, source) in content_of(cleaning, at, upto) {
            if let Source::Home(pba) = source {
                let to = Place::Scratch {
                    offset: (part.start - cleaning.start).bytes(),
                };
                draft.transfer(
                    Place::sector(pba),
                    to,
                    part.sectors.bytes(),
                    Purpose::CleanRead,
                );
            }
        }
        let holds_home = |(part, source): &(LbaExtent, Source)| {
            matches!(source, Source::Home(_)) && part.end() - cleaning.start > upto
        };
        cleaning.phase = if cleaning.content.iter().any(holds_home) {
            Phase::Read { at: upto }
        } else {
            let (target, purpose) = match cleaning.way {
                Way::Once { target } => (target, Purpose::CleanWrite),
                Way::SafeCopy { spare, .. } => (spare, Purpose::CleanCopy),
            };
            draft.order();
            Phase::Write {
                target,
                at: cleaning.from,
                purpose,
            }
        };
    }

    /// Writes about a track of the merged band; at the end of the pass commits it. Returns whether
    /// the band is clean.
    fn write_track(&mut self, draft: &mut Draft, cleaning: &mut Cleaning, step: WriteStep) -> bool {
        let WriteStep {
            target,
            at,
            purpose,
            track,
        } = step;
        if at == Sectors(0) && cleaning.upto > Sectors(0) {
            self.begin_pass(draft, target);
        }
        let upto = cleaning.upto.min(at + track);
        let base = self.layout.band(target).start;
        for (part, source) in content_of(cleaning, at, upto) {
            let offset = part.start - cleaning.start;
            let from = match source {
                Source::Nowhere => Place::Zeroes,
                _ => Place::Scratch {
                    offset: offset.bytes(),
                },
            };
            draft.write(from, base + offset, part.sectors, purpose);
        }
        if upto < cleaning.upto {
            cleaning.phase = Phase::Write {
                target,
                at: upto,
                purpose,
            };
            return false;
        }
        self.barrier(draft);
        self.end_pass(draft, cleaning, target, purpose)
    }

    fn end_pass(
        &mut self,
        draft: &mut Draft,
        cleaning: &mut Cleaning,
        target: BandId,
        purpose: Purpose,
    ) -> bool {
        let keep: Vec<LbaExtent> = cleaning.overwritten.iter().map(|(part, ())| part).collect();
        let (band, upto) = (cleaning.band, cleaning.upto);
        match cleaning.way {
            Way::SafeCopy {
                spare,
                home,
                verify,
            } if target == spare => {
                let change = Change::Divert {
                    band,
                    spare,
                    from: Sectors(0),
                    upto,
                    keep,
                };
                self.log(draft, change, None, purpose);
                // The rewrite destroys what the band's place holds: from now on the safe copy
                // must be what recovery finds.
                self.barrier(draft);
                cleaning.phase = if verify {
                    Phase::Verify { at: Sectors(0) }
                } else {
                    Phase::Write {
                        target: home,
                        at: Sectors(0),
                        purpose: Purpose::CleanWrite,
                    }
                };
                false
            }
            _ => {
                let keep = self.keep_newer(cleaning, keep);
                self.log(
                    draft,
                    Change::Cleaned {
                        band,
                        at: target,
                        written: upto,
                        keep,
                    },
                    None,
                    purpose,
                );
                true
            }
        }
    }

    /// What must stay mapped: what the host wrote meanwhile and, when an interrupted pass was
    /// completed, what is newer than its earlier part.
    fn keep_newer(&self, cleaning: &Cleaning, mut keep: Vec<LbaExtent>) -> Vec<LbaExtent> {
        if cleaning.from > Sectors(0)
            && let Some(pass) = self.state.passes.get(&cleaning.band)
        {
            let earlier = Extent::between(cleaning.start, cleaning.start + cleaning.from);
            let newer = self.mapped_outside(cleaning.band, pass.spare);
            keep.extend(newer.iter().filter_map(|part| part.intersect(&earlier?)));
        }
        keep
    }

    fn verify(&mut self, draft: &mut Draft, cleaning: &mut Cleaning, at: Sectors, track: Sectors) {
        let Way::SafeCopy { spare, home, .. } = cleaning.way else {
            unreachable!("only a safe copy is read back");
        };
        let upto = cleaning.upto.min(at + track);
        let start = self.layout.band(spare).start + at;
        draft.transfer(
            Place::sector(start),
            Place::Discard,
            (upto - at).bytes(),
            Purpose::CleanVerify,
        );
        cleaning.phase = if upto < cleaning.upto {
            Phase::Verify { at: upto }
        } else {
            Phase::Write {
                target: home,
                at: Sectors(0),
                purpose: Purpose::CleanWrite,
            }
        };
    }
}

#[derive(Clone, Copy, Debug)]
struct WriteStep {
    target: BandId,
    at: Sectors,
    purpose: Purpose,
    track: Sectors,
}

/// The parts of the merged band between two of its sectors.
fn content_of(cleaning: &Cleaning, at: Sectors, upto: Sectors) -> Vec<(LbaExtent, Source)> {
    let Some(range) = Extent::between(cleaning.start + at, cleaning.start + upto) else {
        return Vec::new();
    };
    let first = cleaning
        .content
        .partition_point(|(part, _)| part.end() <= range.start);
    let parts = cleaning.content[first..].iter();
    parts
        .map_while(|(part, source)| {
            let cut = part.intersect(&range)?;
            let source = match source {
                Source::Home(pba) => Source::Home(*pba + (cut.start - part.start)),
                Source::Mapped(pba) => Source::Mapped(*pba + (cut.start - part.start)),
                Source::Nowhere => Source::Nowhere,
            };
            Some((cut, source))
        })
        .collect()
}
