//! Owns the guard rule: what overlapping tracks allow.
//!
//! Of each band it knows one number: `written`, the sectors that the current pass has written. A
//! write begins exactly there, or at the band's first sector as a new pass, which makes everything
//! behind it unreadable. A read lies below it. Where tracks do not overlap everything is allowed.
//! The guard does not know what the sectors mean, nor whether a write is complete on the store. It
//! looks at buffered movements too: the mover carries them all the same.

use std::fmt;

use crate::extent::PbaExtent;
use crate::medium::area::{Area, Band, BandKind};
use crate::medium::layout::Layout;
use crate::medium::movement::{Movement, Place, Plan, Step};
use crate::units::{BandId, Pba, Sectors, index};

/// Bands whose counts are kept together.
const PAGE_BANDS: u32 = 4096;
/// Movements that an account of a violation shows.
const RECENT: usize = 8;

/// What each band's current pass has written.
#[derive(Clone, Debug)]
pub struct Guard {
    /// What a new drive holds, by area; ascending in its first band.
    made: Vec<Made>,
    bands: u32,
    /// `None`: as the bands were made.
    pages: Vec<Option<Box<[u32]>>>,
    recent: [Option<Movement>; RECENT],
    /// Movements seen so far; where the next one goes in `recent`, modulo its length.
    seen: usize,
}

/// What the bands of an area hold on a new drive.
#[derive(Clone, Copy, Debug)]
struct Made {
    first_band: u32,
    /// First band from which on nothing is written.
    first_empty: u32,
    /// Sectors of each band.
    sectors: u32,
    /// Whether tracks overlap.
    guarded: bool,
}

/// What a movement did that shingling does not allow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Offence {
    /// A write that neither continues the pass nor begins a new one.
    WriteOffThePass {
        /// The sector of the band at which it began.
        at: Sectors,
    },
    /// A read of sectors that the current pass has not written.
    ReadBeyondThePass {
        /// The sector of the band at which it began.
        at: Sectors,
        /// The sector of the band at which it ended.
        end: Sectors,
    },
}

/// A movement that shingling does not allow: a defect of imbrex, with an account.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Violation {
    /// The movement. A record is shown as padding to its place.
    pub movement: Movement,
    /// The band.
    pub band: Band,
    /// Sectors that the band's current pass had written.
    pub next: Sectors,
    /// What was wrong.
    pub what: Offence,
    /// The last movements before it, oldest first.
    pub recent: Vec<Movement>,
}

impl Guard {
    /// Every band as it is on a new drive: home bands written if the drive comes formatted,
    /// everything else not.
    pub fn new(layout: &Layout) -> Guard {
        let pages = index(u64::from(layout.bands().div_ceil(PAGE_BANDS)));
        let areas = layout.areas().iter().filter(|area| area.bands > 0);
        Guard {
            made: areas.map(|area| Made::of(layout, area)).collect(),
            bands: layout.bands(),
            pages: vec![None; pages],
            recent: [None; RECENT],
            seen: 0,
        }
    }

    /// Sectors that the band's current pass has written; all of them where tracks do not overlap.
    pub fn written(&self, band: BandId) -> Sectors {
        let made = self.made(band);
        if made.guarded {
            self.next(band)
        } else {
            Sectors(u64::from(made.sectors))
        }
    }

    /// States what a band's pass has written: in recovery, or when making a drive.
    ///
    /// # Panics
    /// If the band is not that long.
    pub fn set_written(&mut self, band: BandId, written: Sectors) {
        self.set(band, written);
    }

    /// Follows a plan. On a violation the drive must stop: the movements before it have been
    /// followed, it and those after it have not.
    pub fn check(&mut self, layout: &Layout, plan: &Plan) -> Result<(), Box<Violation>> {
        for step in &plan.steps {
            let movement = match step {
                Step::Order | Step::Barrier => continue,
                Step::Move(movement) => *movement,
                Step::Record(record) => Movement {
                    from: Place::Padding,
                    to: Place::sector(record.at),
                    bytes: record.sectors.bytes(),
                    purpose: record.purpose,
                    buffered: false,
                },
            };
            self.follow(layout, &movement)?;
            self.recent[self.seen % RECENT] = Some(movement);
            self.seen += 1;
        }
        Ok(())
    }

    fn follow(&mut self, layout: &Layout, movement: &Movement) -> Result<(), Box<Violation>> {
        if let Some((pba, sectors)) = movement.reads() {
            self.each_band(layout, movement, pba, sectors, |next, at, end| {
                if end <= next {
                    Ok(next)
                } else {
                    Err(Offence::ReadBeyondThePass { at, end })
                }
            })?;
        }
        if let Some((pba, sectors)) = movement.writes() {
            self.each_band(layout, movement, pba, sectors, |next, at, end| {
                if at == next || at == Sectors(0) {
                    Ok(end)
                } else {
                    Err(Offence::WriteOffThePass { at })
                }
            })?;
        }
        Ok(())
    }

    /// Applies a rule to each overlapping band of a run: from what the pass has written and the
    /// band's sectors that the run covers, to what the pass has written then.
    fn each_band(
        &mut self,
        layout: &Layout,
        movement: &Movement,
        pba: Pba,
        sectors: Sectors,
        rule: impl Fn(Sectors, Sectors, Sectors) -> Result<Sectors, Offence>,
    ) -> Result<(), Box<Violation>> {
        let end = pba + sectors;
        let mut at = pba;
        while at < end {
            let Some(id) = layout.band_at(at) else {
                let area = layout.area_at(at);
                at = area.start + area.sectors;
                continue;
            };
            let band = layout.band(id);
            let upto = end.min(band.end());
            if band.guarded {
                let next = self.next(id);
                match rule(next, at - band.start, upto - band.start) {
                    Ok(now) if now == next => {}
                    Ok(now) => self.set(id, now),
                    Err(what) => {
                        return Err(Box::new(Violation {
                            movement: *movement,
                            band,
                            next,
                            what,
                            recent: self.recent(),
                        }));
                    }
                }
            }
            at = upto;
        }
        Ok(())
    }

    fn recent(&self) -> Vec<Movement> {
        let oldest = self.seen % RECENT;
        let (newer, older) = self.recent.split_at(oldest);
        older.iter().chain(newer).flatten().copied().collect()
    }

    fn next(&self, band: BandId) -> Sectors {
        let page = self.pages[index(u64::from(band.0 / PAGE_BANDS))].as_deref();
        let written = match page {
            Some(page) => page[in_page(band)],
            None => self.made(band).written(band),
        };
        Sectors(u64::from(written))
    }

    fn set(&mut self, band: BandId, written: Sectors) {
        let length = self.made(band).sectors;
        let written = u32::try_from(written.0).ok().filter(|&w| w <= length);
        let written = written.expect("no pass is longer than its band");
        let page = band.0 / PAGE_BANDS;
        if self.pages[index(u64::from(page))].is_none() {
            let first = page * PAGE_BANDS;
            let bands = first..first.saturating_add(PAGE_BANDS).min(self.bands);
            let counts = bands.map(BandId).map(|band| self.made(band).written(band));
            self.pages[index(u64::from(page))] = Some(counts.collect());
        }
        if let Some(counts) = &mut self.pages[index(u64::from(page))] {
            counts[in_page(band)] = written;
        }
    }

    fn made(&self, band: BandId) -> &Made {
        assert!(band.0 < self.bands, "there is no band {band}");
        &self.made[self.made.partition_point(|made| made.first_band <= band.0) - 1]
    }

    /// What writing a run makes unreadable: the overlapped tracks behind it in its band, and what
    /// of its last track an earlier track of the run overlaps. Nothing where tracks do not overlap
    /// or the band ends.
    ///
    /// # Panics
    /// If the run does not lie in one band.
    pub fn destroyed_by(layout: &Layout, run: PbaExtent) -> Option<PbaExtent> {
        let band = layout.band(layout.band_at(run.start)?);
        assert!(run.end() <= band.end(), "a run over two bands");
        if !band.guarded {
            return None;
        }
        let per_track = u64::from(band.sectors_per_track);
        let track_of = |pba: Pba| (pba - band.start).0 / per_track;
        let last = track_of(Pba(run.end().0 - 1));
        let behind_last = band.start + Sectors((last + 1) * per_track);
        let first = if track_of(run.start) < last {
            run.end()
        } else {
            behind_last
        };
        let overlap = u64::from(layout.overlap_tracks()) * per_track;
        PbaExtent::between(first, (behind_last + Sectors(overlap)).min(band.end()))
    }
}

impl Made {
    fn of(layout: &Layout, area: &Area) -> Made {
        let homes = if layout.formatted() { area.homes } else { 0 };
        Made {
            first_band: area.first_band,
            first_empty: area.first_band + homes,
            sectors: u32::try_from(area.shape.sectors.0).expect("a band has fewer sectors"),
            guarded: layout.band(BandId(area.first_band)).guarded,
        }
    }

    fn written(&self, band: BandId) -> u32 {
        if band.0 < self.first_empty {
            self.sectors
        } else {
            0
        }
    }
}

fn in_page(band: BandId) -> usize {
    index(u64::from(band.0 % PAGE_BANDS))
}

impl fmt::Display for Offence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Offence::WriteOffThePass { at } => write!(
                f,
                "a write at sector {at} of the band neither continues the pass nor begins a new one"
            ),
            Offence::ReadBeyondThePass { at, end } => write!(
                f,
                "a read of sectors {at}..{end} of the band goes beyond what the pass has written"
            ),
        }
    }
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Band {
            id,
            start,
            sectors,
            kind,
            cylinder,
            surface,
            ..
        } = self.band;
        let kind = match kind {
            BandKind::Data => "data".to_owned(),
            BandKind::Staging { region } => format!("staging region {region}"),
            BandKind::Map { half } => format!("map half {half}"),
            BandKind::Flash => "flash".to_owned(),
        };
        writeln!(
            f,
            "the guard rule was violated (a defect of imbrex): {}",
            self.what
        )?;
        writeln!(f, "  movement: {}", account(&self.movement))?;
        writeln!(
            f,
            "  band {id} ({kind}): sectors {start}..{} of the image, cylinder {cylinder}, surface {surface}",
            self.band.end()
        )?;
        write!(
            f,
            "  its pass has written {} of {sectors} sectors",
            self.next
        )?;
        for movement in &self.recent {
            write!(f, "\n  before: {}", account(movement))?;
        }
        Ok(())
    }
}

/// A movement in one line.
fn account(movement: &Movement) -> String {
    let place = |place: &Place| match place {
        Place::Buffer { id, offset } => format!("{id:?}+{offset}"),
        Place::Scratch { offset } => format!("scratch+{offset}"),
        Place::Medium { pba, skip: 0 } => format!("sector {pba}"),
        Place::Medium { pba, skip } => format!("sector {pba}+{skip}"),
        Place::Zeroes => "zeroes".to_owned(),
        Place::Padding => "padding".to_owned(),
        Place::Discard => "nowhere".to_owned(),
    };
    format!(
        "{} of {} bytes from {} to {}{}",
        movement.purpose.word(),
        movement.bytes,
        place(&movement.from),
        place(&movement.to),
        if movement.buffered { " (buffered)" } else { "" }
    )
}

#[cfg(test)]
mod tests;
