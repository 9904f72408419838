//! Owns how a cleaning begins: which band is next, and by which way it can be cleaned.
//!
//! Always holds: a cleaning that begins has the spare that its way needs. It plans no movement.

use super::{Cleaning, Phase, Way};
use crate::extent::{ExtentSet, LbaExtent};
use crate::profile::BandChoice;
use crate::translation::keeper::{NoRoom, Translation};
use crate::translation::state::{Source, band_range};
use crate::units::{HomeBand, Pba, Sectors};

impl Translation {
    pub(super) fn begin(&mut self, need: Option<NoRoom>) -> Option<Cleaning> {
        let chosen = self.choose(need)?;
        let band = self.with_spare(chosen);
        let whole = self.layout.home_extent(band);
        let (home, written) = self.state.home(&self.layout, band);
        let from = self
            .state
            .passes
            .get(&band)
            .map_or(Sectors(0), |pass| pass.upto);
        let content = band_range(&self.layout, band, from, whole.sectors)
            .map_or_else(Vec::new, |range| self.locate(range));
        let kept = content
            .iter()
            .rev()
            .find(|(_, source)| *source != Source::Nowhere);
        let upto = kept.map_or(from, |(part, _)| part.end() - whole.start);
        let way = match (self.state.passes.get(&band), self.rules.passes) {
            (Some(pass), _) => Way::Once { target: pass.spare },
            (None, _) if written == Sectors(0) || upto == Sectors(0) => Way::Once { target: home },
            (None, 2) => Way::Once {
                target: self.free_spare(band)?,
            },
            (None, passes) => Way::SafeCopy {
                spare: self.free_spare(band)?,
                home,
                verify: passes > 3,
            },
        };
        let mut staged: Vec<(Pba, LbaExtent)> = content
            .iter()
            .filter_map(|&(part, source)| match source {
                Source::Mapped(pba) => Some((pba, part)),
                _ => None,
            })
            .collect();
        staged.sort_unstable();
        Some(Cleaning {
            band,
            start: whole.start,
            content,
            staged,
            from,
            upto,
            way,
            phase: Phase::Gather { next: 0 },
            overwritten: ExtentSet::default(),
        })
    }

    /// The band itself, or, where it needs a spare and none is free, the band near it whose
    /// interrupted pass holds one.
    fn with_spare(&self, band: HomeBand) -> HomeBand {
        let (_, written) = self.state.home(&self.layout, band);
        if written == Sectors(0)
            || self.state.passes.contains_key(&band)
            || self.free_spare(band).is_some()
        {
            return band;
        }
        let place = self.layout.factory_place(band);
        let mut holders = self.state.passes.iter();
        holders
            .find(|(_, pass)| self.layout.same_area(pass.spare, place))
            .map_or(band, |(&holder, _)| holder)
    }

    fn choose(&mut self, need: Option<NoRoom>) -> Option<HomeBand> {
        match (need, self.rules.choice) {
            // The limits of slots and bytes hold for all regions together, so another region's
            // data may be what has to go.
            (Some(NoRoom::Log { region }), _) => {
                self.oldest_in(region).or_else(|| self.oldest_of(|_| true))
            }
            (Some(NoRoom::Extents), _) => self
                .state
                .dirty
                .fullest()
                .or_else(|| self.state.dirty.most_holes()),
            (None, BandChoice::Oldest) => self.oldest_of(|_| true),
            (None, BandChoice::Fullest) => self.state.dirty.fullest(),
            (None, BandChoice::Ascending) => self.state.dirty.ascending(self.clean_from),
        }
    }

    fn oldest_in(&mut self, region: usize) -> Option<HomeBand> {
        let served = self.layout.regions()[region].lba;
        let layout = self.layout.clone();
        self.oldest_of(move |band| served.contains(layout.home_extent(band).start))
    }

    /// The band with the oldest log entry; ages are lower bounds and corrected on the way.
    fn oldest_of(&mut self, wanted: impl Fn(HomeBand) -> bool) -> Option<HomeBand> {
        loop {
            let (age, band) = self.state.dirty.by_age().find(|&(_, band)| wanted(band))?;
            match self.state.oldest_entry(&self.layout, band) {
                Some(actual) if actual > age => self.state.dirty.correct_age(band, actual),
                _ => return Some(band),
            }
        }
    }
}
