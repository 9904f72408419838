//! Owns the way from a decoded map to a [`State`], and the check of changes that come from bytes.
//!
//! Nothing that a map or a record says is believed before it was found to fit the layout.

use super::change::Change;
use super::codec::map_state::{MapState, Target as Coded};
use super::homes::Homes;
use super::state::{Head, Pass, StagingUse, State};
use super::target::Target;
use crate::extent::LbaExtent;
use crate::medium::area::BandKind;
use crate::medium::layout::Layout;
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors};

impl State {
    /// The state that a full map describes; otherwise what of it does not fit the layout.
    pub fn restore(layout: &Layout, formatted: bool, map: &MapState) -> Result<State, String> {
        let mut state = State::new(layout, formatted);
        state.lifetime = map.lifetime;
        for place in &map.band_places {
            check_band(layout, place.band, place.written)?;
            check_data_band(layout, place.at, place.band)?;
            state.set_home(layout, place.band, place.at, place.written);
        }
        for pass in &map.passes {
            check_band(layout, pass.band, pass.upto)?;
            check_data_band(layout, pass.spare, pass.band)?;
            state.passes.insert(
                pass.band,
                Pass {
                    spare: pass.spare,
                    upto: pass.upto,
                },
            );
        }
        state.restore_free(layout)?;
        for age in &map.ages {
            let slots = layout_slots(layout, age.band)?;
            state.used.insert(
                age.band,
                StagingUse {
                    age: age.age,
                    slots,
                },
            );
        }
        for head in &map.heads {
            let region = staging_region(layout, head.band)?;
            let band = layout.band(head.band);
            if head.next > band.sectors {
                return Err(format!(
                    "the log goes on at sector {} of band {}, which has {}",
                    head.next, head.band, band.sectors
                ));
            }
            let slots = head.next.0.div_ceil(layout.slot_sectors(head.band).0);
            state
                .used
                .entry(head.band)
                .and_modify(|used| used.slots = slots);
            state.heads[region] = Some(Head {
                band: head.band,
                next: head.next,
            });
        }
        state.slots_used = state.used.values().map(|used| used.slots).sum();
        for &(extent, target) in &map.extents {
            check_extent(layout, extent)?;
            let target = match target {
                Coded::Hole => Target::HOLE,
                Coded::At(pba) => {
                    check_place(layout, pba, extent.sectors)?;
                    Target::at(pba)
                }
            };
            let band = target.pba().and_then(|pba| layout.band_at(pba));
            let age = band
                .and_then(|band| state.used.get(&band))
                .map_or(0, |used| used.age);
            state.map_to(layout, age, extent, target);
        }
        state.check_live(layout)?;
        Ok(state)
    }

    /// Whether every staging band with mapped sectors is in use: otherwise they count as staged only when
    /// they leave.
    fn check_live(&self, layout: &Layout) -> Result<(), String> {
        let mut live = self.live.iter();
        let lost = live.find(|(band, _)| {
            staging_region(layout, **band).is_ok() && !self.used.contains_key(band)
        });
        lost.map_or(Ok(()), |(band, sectors)| {
            Err(format!(
                "{sectors} sectors mapped to staging band {band}, which is not in use"
            ))
        })
    }

    fn restore_free(&mut self, layout: &Layout) -> Result<(), String> {
        let changed: Vec<_> = self.homes.changed().collect();
        let moved = |homes: &Homes, band: HomeBand| homes.get(band, Sectors(0)).moved_to;
        for (band, home) in &changed {
            if home.moved_to.is_some() {
                self.free.insert(layout.factory_place(*band));
            }
        }
        let mut taken: Vec<BandId> = changed
            .iter()
            .filter_map(|(band, _)| moved(&self.homes, *band))
            .collect();
        taken.extend(self.passes.values().map(|pass| pass.spare));
        for band in taken {
            if !self.free.remove(&band) {
                return Err(format!("band {band} is the place of two bands"));
            }
        }
        Ok(())
    }

    /// How much of each band is written, as far as it may be read.
    pub fn written_bands(&self, layout: &Layout) -> Vec<(BandId, Sectors)> {
        let homes = self
            .homes
            .changed()
            .map(|(band, _)| self.home(layout, band));
        let passes = self.passes.values().map(|pass| (pass.spare, pass.upto));
        let used = self
            .used
            .keys()
            .map(|&band| (band, layout.band(band).sectors));
        let heads = self
            .heads
            .iter()
            .flatten()
            .map(|head| (head.band, head.next));
        homes.chain(passes).chain(used).chain(heads).collect()
    }

    /// Whether a change read from a record fits the layout and the state; otherwise what does not.
    pub fn check(&self, layout: &Layout, change: &Change) -> Result<(), String> {
        match change {
            Change::Stage {
                extents,
                at,
                slot_sectors,
            } => {
                let sectors = extents.iter().try_fold(0u64, |sum, extent| {
                    check_extent(layout, *extent)?;
                    sum.checked_add(extent.sectors.0)
                        .ok_or_else(|| "an entry without end".to_owned())
                })?;
                check_place(layout, *at, Sectors(sectors.max(slot_sectors.0).max(1)))?;
                let band = layout.band_at(*at).ok_or("an entry outside every band")?;
                staging_region(layout, band)?;
                let end = layout.band(band).extent().end();
                if *at + Sectors(sectors.max(slot_sectors.0)) > end {
                    return Err(format!(
                        "an entry at sector {at} runs out of its band {band}"
                    ));
                }
                Ok(())
            }
            Change::Append { band, from, upto } => {
                check_band(layout, *band, *upto)?;
                check_order(*from, *upto)
            }
            Change::Divert {
                band,
                spare,
                from,
                upto,
                keep,
            } => {
                check_band(layout, *band, *upto)?;
                check_order(*from, *upto)?;
                check_data_band(layout, *spare, *band)?;
                let expected = self.passes.get(band).map(|pass| pass.spare);
                let fits =
                    expected == Some(*spare) || (expected.is_none() && self.free.contains(spare));
                if !fits {
                    return Err(format!(
                        "a pass for band {band} over band {spare}, which is in use"
                    ));
                }
                keep.iter()
                    .try_for_each(|extent| check_extent(layout, *extent))
            }
            Change::Trim { extent } => check_extent(layout, *extent),
            Change::Cleaned {
                band,
                at,
                written,
                keep,
            } => {
                check_band(layout, *band, *written)?;
                check_data_band(layout, *at, *band)?;
                let home = self.home(layout, *band).0;
                let spare = self.passes.get(band).map(|pass| pass.spare);
                if *at != home && spare != Some(*at) && !self.free.contains(at) {
                    return Err(format!("band {band} moved to band {at}, which is in use"));
                }
                keep.iter()
                    .try_for_each(|extent| check_extent(layout, *extent))
            }
        }
    }
}

fn check_order(from: Sectors, upto: Sectors) -> Result<(), String> {
    if from > upto {
        Err(format!("a pass from sector {from} to {upto} of a band"))
    } else {
        Ok(())
    }
}

fn check_extent(layout: &Layout, extent: LbaExtent) -> Result<(), String> {
    let capacity = layout.capacity();
    let end = extent.start.0.checked_add(extent.sectors.0);
    match end {
        Some(end) if extent.sectors.0 > 0 && Lba(end) <= Lba(capacity.0) => Ok(()),
        _ => Err(format!(
            "{} sectors from LBA {} on a drive of {capacity}",
            extent.sectors, extent.start
        )),
    }
}

fn check_place(layout: &Layout, at: Pba, sectors: Sectors) -> Result<(), String> {
    let outside = || format!("data at sectors {at} and {sectors} on, outside every band");
    let end = at.0.checked_add(sectors.0).ok_or_else(outside)?;
    if end > layout.total().0 {
        return Err(outside());
    }
    let mut next = at;
    while next < Pba(end) {
        let band = layout.band_at(next).ok_or_else(outside)?;
        next = layout.band(band).end();
    }
    Ok(())
}

fn check_band(layout: &Layout, band: HomeBand, upto: Sectors) -> Result<(), String> {
    if band.0 >= layout.home_bands() {
        return Err(format!("band {band} of {}", layout.home_bands()));
    }
    let sectors = layout.home_extent(band).sectors;
    if upto > sectors {
        return Err(format!("sector {upto} of band {band}, which has {sectors}"));
    }
    Ok(())
}

/// Whether `place` can be the place of `band`.
fn check_data_band(layout: &Layout, place: BandId, band: HomeBand) -> Result<(), String> {
    let fits = place.0 < layout.bands()
        && layout.band(place).kind == BandKind::Data
        && layout.band(place).sectors >= layout.home_extent(band).sectors;
    if fits {
        Ok(())
    } else {
        Err(format!("band {place} as the place of band {band}"))
    }
}

fn staging_region(layout: &Layout, band: BandId) -> Result<usize, String> {
    let regions = layout.regions().iter();
    let found = regions
        .enumerate()
        .find(|(_, region)| region.bands.contains(&band.0));
    found
        .map(|(i, _)| i)
        .ok_or_else(|| format!("band {band} as part of the staging area"))
}

fn layout_slots(layout: &Layout, band: BandId) -> Result<u64, String> {
    staging_region(layout, band)?;
    Ok(layout.band(band).sectors.0 / layout.slot_sectors(band).0)
}
