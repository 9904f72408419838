//! Owns the audit of a state: what holds between its parts, computed anew from the map alone.
//!
//! It does not look at bytes, and it cannot tell whether a map that is consistent is the right one:
//! a run of host addresses that points at another written place passes. A complaint is either damage
//! that no checksum shows, or a defect of imbrex.

use std::collections::{BTreeMap, BTreeSet};

use super::state::{State, split_by_band, split_by_place};
use crate::extent::LbaExtent;
use crate::medium::area::{Area, AreaKind, BandKind};
use crate::medium::layout::Layout;
use crate::units::{BandId, HomeBand, Pba, Sectors};

/// Most complaints of one kind: a thousand more say nothing new.
const COMPLAINTS_MAX: usize = 20;

/// Something that should hold and does not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// The rule that is broken.
    pub rule: &'static str,
    /// Where and how.
    pub what: String,
}

impl State {
    /// Everything that does not hold, by rule.
    pub fn audit(&self, layout: &Layout) -> Vec<Complaint> {
        let checks: [(&'static str, Vec<String>); 5] = [
            ("no two live places overlap", self.overlaps()),
            (
                "mapped sectors lie in written parts of bands",
                self.unwritten(layout),
            ),
            ("every data band has exactly one use", self.uses(layout)),
            ("slots are accounted for", self.slots(layout)),
            ("counters agree with the map", self.counters(layout)),
        ];
        let complaints = checks.into_iter().flat_map(|(rule, found)| {
            let more = found.len().saturating_sub(COMPLAINTS_MAX);
            let tail = (more > 0).then(|| format!("and {more} more"));
            let first = found.into_iter().take(COMPLAINTS_MAX);
            first.chain(tail).map(move |what| Complaint { rule, what })
        });
        complaints.collect()
    }

    /// Mapped runs and where they lie; holes left out.
    pub fn mapped(&self) -> impl Iterator<Item = (LbaExtent, Pba)> + '_ {
        self.map
            .iter()
            .filter_map(|(extent, target)| Some((extent, target.pba()?)))
    }

    fn overlaps(&self) -> Vec<String> {
        let mut places: Vec<(Pba, LbaExtent)> = self.mapped().map(|(e, pba)| (pba, e)).collect();
        places.sort_unstable_by_key(|(pba, extent)| (*pba, extent.start));
        let pairs = places
            .windows(2)
            .filter(|pair| pair[0].0 + pair[0].1.sectors > pair[1].0);
        pairs
            .map(|pair| {
                format!(
                    "LBA {} and LBA {} both live at sector {}",
                    pair[0].1.start, pair[1].1.start, pair[1].0
                )
            })
            .collect()
    }

    fn unwritten(&self, layout: &Layout) -> Vec<String> {
        let mut found = Vec::new();
        for (extent, pba) in self.mapped() {
            for piece in split_by_band(layout, extent) {
                let at = pba + (piece.start - extent.start);
                for (band, run) in runs(layout, at, piece.sectors) {
                    found.extend(self.unwritten_run(layout, piece, band, run));
                }
            }
        }
        found
    }

    /// What is wrong with a mapped run of `piece` that lies in `band` as far as `end`.
    fn unwritten_run(
        &self,
        layout: &Layout,
        piece: LbaExtent,
        band: BandId,
        end: Sectors,
    ) -> Option<String> {
        let lba = piece.start;
        let written = match layout.band(band).kind {
            BandKind::Staging { .. } | BandKind::Flash => {
                let region = layout.region_of(lba);
                if !layout.regions()[region].bands.contains(&band.0) {
                    return Some(format!(
                        "LBA {lba} is staged in band {band}, outside of its region {region}"
                    ));
                }
                let head = self.heads.iter().flatten().find(|head| head.band == band);
                match head {
                    Some(head) => head.next,
                    None if self.used.contains_key(&band) => layout.band(band).sectors,
                    None => Sectors(0),
                }
            }
            BandKind::Data => {
                let (home, _) = layout.home_of(lba);
                match self.passes.get(&home) {
                    Some(pass) if pass.spare == band => pass.upto,
                    _ => {
                        return Some(format!(
                            "LBA {lba} of home band {home} lives in data band {band}, where no pass of its own is"
                        ));
                    }
                }
            }
            BandKind::Map { half } => {
                return Some(format!("LBA {lba} lives in half {half} of the map area"));
            }
        };
        (end > written).then(|| {
            format!("LBA {lba} lives in band {band} up to its sector {end}, of which {written} are written")
        })
    }

    /// Homes, passes and free spares share the data bands between them.
    fn uses(&self, layout: &Layout) -> Vec<String> {
        let mut found = Vec::new();
        let mut taken: BTreeMap<BandId, HomeBand> = BTreeMap::new();
        let passes = self
            .passes
            .iter()
            .map(|(home, pass)| (*home, pass.spare, pass.upto));
        for home in (0..layout.home_bands()).map(HomeBand) {
            let (place, written) = self.home(layout, home);
            let sectors = layout.home_extent(home).sectors;
            if written > sectors {
                found.push(format!(
                    "home band {home} has {sectors} sectors, of which {written} are written"
                ));
            }
            found.extend(take(layout, &mut taken, home, place));
        }
        for (home, spare, upto) in passes {
            let sectors = layout.home_extent(home).sectors;
            if upto > sectors {
                found.push(format!(
                    "the pass for home band {home} has written {upto} of {sectors} sectors"
                ));
            }
            found.extend(take(layout, &mut taken, home, spare));
        }
        for band in &self.free {
            if let Some(home) = taken.get(band) {
                found.push(format!(
                    "band {band} is a free spare and in use for home band {home}"
                ));
            }
        }
        let areas = layout
            .areas()
            .iter()
            .filter(|area| area.kind == AreaKind::Data);
        for band in areas.flat_map(Area::band_range).map(BandId) {
            if !taken.contains_key(&band) && !self.free.contains(&band) {
                found.push(format!("band {band} is neither in use nor a free spare"));
            }
        }
        found
    }

    fn slots(&self, layout: &Layout) -> Vec<String> {
        let mut found = Vec::new();
        let sum: u64 = self.used.values().map(|used| used.slots).sum();
        if sum != self.slots_used {
            found.push(format!(
                "{} slots are in use, those of the bands add up to {sum}",
                self.slots_used
            ));
        }
        for (band, used) in &self.used {
            let slots = layout.band(*band).sectors.0 / layout.slot_sectors(*band).0;
            if used.slots > slots {
                found.push(format!(
                    "{} slots of staging band {band} are in use, it has {slots}",
                    used.slots
                ));
            }
        }
        for (region, head) in self.heads.iter().enumerate() {
            let Some(head) = head else { continue };
            if !layout.regions()[region].bands.contains(&head.band.0) {
                found.push(format!(
                    "the log of region {region} goes on in band {}, outside of it",
                    head.band
                ));
            }
            if !self.used.contains_key(&head.band) {
                found.push(format!(
                    "the log of region {region} goes on in band {}, which is not in use",
                    head.band
                ));
            }
        }
        found
    }

    fn counters(&self, layout: &Layout) -> Vec<String> {
        let mut live: BTreeMap<BandId, u64> = BTreeMap::new();
        let mut dirty: BTreeSet<HomeBand> = BTreeSet::new();
        let mut staged = 0;
        for (extent, pba) in self.mapped() {
            dirty.extend(split_by_band(layout, extent).map(|piece| layout.home_of(piece.start).0));
            for (band, sectors) in split_by_place(layout, pba, extent.sectors) {
                *live.entry(band).or_insert(0) += sectors.0;
                if self.used.contains_key(&band) {
                    staged += sectors.0;
                }
            }
        }
        let mut found = Vec::new();
        for band in live.keys().chain(self.live.keys()).collect::<BTreeSet<_>>() {
            let (counted, mapped) = (self.live.get(band), live.get(band));
            if counted != mapped {
                found.push(format!(
                    "{} sectors of band {band} count as live, the map has {}",
                    counted.unwrap_or(&0),
                    mapped.unwrap_or(&0)
                ));
            }
        }
        if staged != self.staged_live {
            found.push(format!(
                "{} sectors count as staged, the map has {staged}",
                self.staged_live
            ));
        }
        let dirty = crate::units::count(dirty.len());
        if dirty != self.dirty.len() {
            found.push(format!(
                "{} bands count as dirty, by the map {dirty} are",
                self.dirty.len()
            ));
        }
        found
    }
}

/// Takes `band` for `home`; says what speaks against it.
fn take(
    layout: &Layout,
    taken: &mut BTreeMap<BandId, HomeBand>,
    home: HomeBand,
    band: BandId,
) -> Option<String> {
    if let Some(other) = taken.insert(band, home) {
        return Some(format!(
            "band {band} is in use for home bands {other} and {home}"
        ));
    }
    (!layout.same_area(band, layout.factory_place(home)))
        .then(|| format!("home band {home} lies in band {band}, which has another shape"))
}

/// The bands that a run on the medium lies in, each with how far it reaches in it.
fn runs(layout: &Layout, at: Pba, sectors: Sectors) -> Vec<(BandId, Sectors)> {
    let mut at = at;
    let mut found = Vec::new();
    for (band, part) in split_by_place(layout, at, sectors) {
        at = at + part;
        found.push((band, at - layout.band(band).start));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;
    use crate::translation::change::Change;
    use crate::translation::state::Pass;
    use crate::translation::target::Target;
    use crate::units::Lba;

    fn layout() -> Layout {
        let text = Profile::built_in("tiny").expect("built in");
        Layout::new(&Profile::from_toml("tiny", text).expect("valid")).expect("it fits")
    }

    fn extent(start: u64, sectors: u64) -> LbaExtent {
        LbaExtent::new(Lba(start), Sectors(sectors))
    }

    /// Two entries, staged one after the other.
    fn staged(layout: &Layout) -> State {
        let band = BandId(layout.regions()[0].bands.start);
        let (start, slot) = (layout.band(band).start, layout.slot_sectors(band));
        let mut state = State::new(layout, false);
        for (turn, lba) in [(0, 10), (1, 200)] {
            let change = Change::Stage {
                extents: vec![extent(lba, 3)],
                at: start + Sectors(turn * slot.0),
                slot_sectors: slot,
            };
            state.apply(layout, turn + 1, &change);
        }
        state
    }

    #[test]
    fn a_state_made_by_changes_is_sound() {
        let layout = layout();
        assert_eq!(State::new(&layout, true).audit(&layout), []);
        let mut state = staged(&layout);
        assert_eq!(state.audit(&layout), []);
        state.apply(
            &layout,
            3,
            &Change::Trim {
                extent: extent(11, 300),
            },
        );
        assert_eq!(state.audit(&layout), []);
    }

    #[test]
    fn each_rule_is_found_broken() {
        let layout = layout();
        let first = layout.band(BandId(layout.regions()[0].bands.start)).start;
        let spare = *staged(&layout).free.first().expect("it has spares");
        let check = |rule: &str, damage: &dyn Fn(&mut State)| {
            let mut state = staged(&layout);
            damage(&mut state);
            let complaints = state.audit(&layout);
            assert!(
                complaints.iter().any(|c| c.rule == rule),
                "{rule}: {complaints:?}"
            );
        };
        check("no two live places overlap", &|state| {
            state.map_to(&layout, 3, extent(500, 1), Target::at(first + Sectors(2)));
        });
        let unwritten = "mapped sectors lie in written parts of bands";
        check(unwritten, &|state| {
            let after = state.heads[0].expect("it was written to").next;
            state.map_to(&layout, 3, extent(500, 1), Target::at(first + after));
        });
        check(unwritten, &|state| {
            let place = layout.band(spare).start;
            state.map_to(&layout, 3, extent(500, 1), Target::at(place));
        });
        let uses = "every data band has exactly one use";
        check(uses, &|state| {
            state.free.remove(&spare);
        });
        check(uses, &|state| {
            let pass = Pass {
                spare,
                upto: Sectors(1),
            };
            state.passes.insert(HomeBand(0), pass);
        });
        check(uses, &|state| {
            let place = layout.factory_place(HomeBand(1));
            state.set_home(&layout, HomeBand(0), place, Sectors(1));
        });
        let slots = "slots are accounted for";
        check(slots, &|state| state.slots_used += 1);
        check(slots, &|state| state.used.clear());
        let counters = "counters agree with the map";
        check(counters, &|state| state.staged_live += 1);
        check(counters, &|state| {
            state.live.clear();
        });
    }

    #[test]
    fn many_complaints_of_a_kind_are_cut_short() {
        let layout = layout();
        let mut state = State::new(&layout, false);
        for lba in 0..2 * u64::try_from(COMPLAINTS_MAX).expect("small") {
            let place = layout.band(layout.factory_place(HomeBand(30))).start;
            state.map_to(
                &layout,
                1,
                extent(2 * lba, 1),
                Target::at(place + Sectors(lba)),
            );
        }
        let complaints = state.audit(&layout);
        let last = complaints.iter().rfind(|c| c.rule.starts_with("mapped"));
        assert_eq!(last.expect("some").what, "and 20 more");
    }
}
