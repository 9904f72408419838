//! Owns direct writes: long sequential runs that go past the staging area.
//!
//! A direct write continues a pass: of the band's own place where nothing valid lies ahead, or of a
//! spare that takes the band's place when the pass is complete. What was durable before stays
//! readable until its successor is.

use super::change::Change;
use super::draft::Draft;
use super::keeper::{Payload, Piece, Translation};
use super::state::split_by_band;
use crate::extent::LbaExtent;
use crate::medium::movement::Purpose;
use crate::units::{BandId, HomeBand, Sectors};

/// Net extents that one direct write can add to the map.
const EXTENTS_PER_WRITE: u64 = 2;

/// How a direct write can be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// Continue the pass of the band's own place.
    Append(BandId),
    /// Begin or continue a pass over a spare.
    Divert(BandId),
}

impl Translation {
    /// Whether a sequential run of this length, in or around the write cache, goes straight to
    /// its bands: a long one, and whatever goes on where the last direct write ended. A short piece of
    /// a stream, staged because a flush came just then, would keep the rest of its band from being
    /// written directly.
    pub fn run_is_direct(&self, run: LbaExtent) -> bool {
        self.bypass_run.0 > 0
            && (run.sectors >= self.bypass_run || self.bypass_end == Some(run.start))
    }

    /// The leading part of `run` that lies in one band and can be written directly, if any.
    pub fn direct_part(&self, run: LbaExtent) -> Option<LbaExtent> {
        let part = split_by_band(&self.layout, run).next()?;
        self.way(part).map(|_| part)
    }

    /// Plans the direct write of pieces that follow one another, as [`Translation::direct_part`]
    /// allowed.
    pub fn write_direct(&mut self, draft: &mut Draft, pieces: &[Piece]) {
        let (Some(first), Some(last)) = (pieces.first(), pieces.last()) else {
            return;
        };
        let whole = LbaExtent::new(first.extent.start, last.extent.end() - first.extent.start);
        let way = self
            .way(whole)
            .expect("only parts that can be written directly are");
        let (band, from) = self.layout.home_of(whole.start);
        let upto = from + whole.sectors;
        let (Way::Append(place) | Way::Divert(place)) = way;
        if from == Sectors(0) {
            self.begin_pass(draft, place);
        }
        let at = self.layout.band(place).start + from;
        let first_step = draft.position();
        for piece in pieces {
            draft.write(
                piece.from,
                at + (piece.extent.start - whole.start),
                piece.extent.sectors,
                Purpose::Bypass,
            );
        }
        let payload = Payload {
            at,
            bytes: whole.sectors.bytes(),
            steps: draft.since(first_step),
        };
        let change = match way {
            Way::Append(_) => Change::Append { band, from, upto },
            Way::Divert(spare) => Change::Divert {
                band,
                spare,
                from,
                upto,
                keep: Vec::new(),
            },
        };
        self.log(draft, change, Some(payload), Purpose::Bypass);
        self.bypass_end = Some(whole.end());
        if let Way::Divert(spare) = way
            && upto == self.layout.home_extent(band).sectors
        {
            let keep = self.mapped_outside(band, spare);
            self.log(
                draft,
                Change::Cleaned {
                    band,
                    at: spare,
                    written: upto,
                    keep,
                },
                None,
                Purpose::Bypass,
            );
        }
    }

    fn way(&self, part: LbaExtent) -> Option<Way> {
        let (band, from) = self.layout.home_of(part.start);
        let busy = self
            .cleaning
            .as_ref()
            .is_some_and(|cleaning| cleaning.band() == band);
        if busy || self.state.map.len() + EXTENTS_PER_WRITE > self.staging.extents {
            return None;
        }
        if let Some(pass) = self.state.passes.get(&band) {
            return (pass.upto == from).then_some(Way::Divert(pass.spare));
        }
        let (place, written) = self.state.home(&self.layout, band);
        if written == from {
            return Some(Way::Append(place));
        }
        (from == Sectors(0))
            .then(|| self.free_spare(band))
            .flatten()
            .map(Way::Divert)
    }

    /// A data band near `band` that holds nothing.
    pub(super) fn free_spare(&self, band: HomeBand) -> Option<BandId> {
        let place = self.layout.factory_place(band);
        let area = &self.layout.areas()[self.layout.band(place).area];
        let bands = area.band_range();
        let mut free = self
            .state
            .free
            .range(BandId(bands.start)..BandId(bands.end));
        let taken = |band: BandId| {
            self.cleaning
                .as_ref()
                .is_some_and(|cleaning| cleaning.uses(band))
        };
        free.find(|&&band| !taken(band)).copied()
    }

    /// Mapped ranges of `band` that do not lie in `spare`.
    pub(super) fn mapped_outside(&self, band: HomeBand, spare: BandId) -> Vec<LbaExtent> {
        let inside = self.layout.band(spare).extent();
        let mapped = self.state.map.overlapping(self.layout.home_extent(band));
        mapped
            .filter(|(_, target)| target.pba().is_none_or(|pba| !inside.contains(pba)))
            .map(|(part, _)| part)
            .collect()
    }
}
