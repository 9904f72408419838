//! Owns the staging log: which pieces share an entry and where it goes.
//!
//! An entry lies in one staging band, continues its pass, and is followed by its out-of-band
//! record. It never takes a band that still holds something live.

use std::collections::VecDeque;

use super::change::Change;
use super::draft::Draft;
use super::keeper::{NoRoom, Payload, Piece, Translation};
use super::state::{Head, split_by_band};
use crate::extent::LbaExtent;
use crate::medium::movement::{Place, Purpose};
use crate::units::{BandId, Sectors, count};

/// Net extents that one staged piece can add to the map: itself, and a cut one's second half.
const EXTENTS_PER_PIECE: u64 = 2;

impl Translation {
    /// Plans one log entry from the front of `waiting`, as large as the rules allow. Pieces that do
    /// not fit stay.
    pub fn stage(
        &mut self,
        draft: &mut Draft,
        waiting: &mut VecDeque<Piece>,
    ) -> Result<(), NoRoom> {
        let Some(first) = waiting.front() else {
            return Ok(());
        };
        let region = self.layout.region_of(first.extent.start);
        let head = self.head_with_room(region)?;
        let pieces = self.take_pieces(region, head, waiting)?;
        if head.next == Sectors(0) {
            self.begin_pass(draft, head.band);
        }
        self.write_entry(draft, head, &pieces);
        self.counts.entries += 1;
        self.entries_since_merge += 1;
        Ok(())
    }

    /// Whether so many entries were written since the map was merged that it is due again.
    pub fn merge_due(&self) -> bool {
        self.entries_since_merge >= self.staging.merge_every_entries
    }

    /// After how many more entries the map is due to be merged.
    pub fn entries_to_merge(&self) -> u32 {
        let every = self.staging.merge_every_entries;
        every.saturating_sub(self.entries_since_merge)
    }

    /// The region's head, or the start of the next free band when the head's is full.
    fn head_with_room(&mut self, region: usize) -> Result<Head, NoRoom> {
        let no_room = NoRoom::Log { region };
        if self.state.slots_used >= self.staging.slots {
            for region in 0..self.layout.regions().len() {
                self.state.abandon_dead_head(region);
            }
        }
        if self.state.slots_used >= self.staging.slots
            || Sectors(self.state.staged_live).bytes() >= self.staging.bytes
        {
            return Err(no_room);
        }
        let bands = self.layout.regions()[region].bands.clone();
        let former = self.state.heads[region];
        if let Some(head) = former {
            let band = self.layout.band(head.band);
            if head.next + self.layout.slot_sectors(head.band) <= band.sectors {
                return Ok(head);
            }
            self.state.abandon_dead_head(region);
        }
        let after = former.map_or(bands.start, |head| head.band.0 + 1);
        let round = (after..bands.end).chain(bands.start..after);
        let mut free = round
            .map(BandId)
            .filter(|band| !self.state.used.contains_key(band));
        free.next()
            .map(|band| Head {
                band,
                next: Sectors(0),
            })
            .ok_or(no_room)
    }

    fn take_pieces(
        &self,
        region: usize,
        head: Head,
        waiting: &mut VecDeque<Piece>,
    ) -> Result<Vec<Piece>, NoRoom> {
        let slot = self.layout.slot_sectors(head.band);
        let band_left = (self.layout.band(head.band).sectors - head.next).0 / slot.0;
        let slots = band_left.min(self.staging.slots - self.state.slots_used);
        let most = Sectors::holding(self.staging.entry_bytes_max).0.max(1);
        let mut room = Sectors((slots * slot.0).min(most));
        let served = self.layout.regions()[region].lba;
        let mut pieces = Vec::new();
        while room.0 > 0
            && let Some(&piece) = waiting.front()
            && served.contains(piece.extent.start)
        {
            let extents = self.state.map.len() + EXTENTS_PER_PIECE * (count(pieces.len()) + 1);
            if extents > self.staging.extents {
                break;
            }
            waiting.pop_front();
            let most = room.0.min((served.end() - piece.extent.start).0);
            let piece = if piece.extent.sectors.0 > most {
                let (first, rest) = piece.split(Sectors(most));
                waiting.push_front(rest);
                first
            } else {
                piece
            };
            room = room - piece.extent.sectors;
            pieces.push(piece);
        }
        if pieces.is_empty() {
            Err(NoRoom::Extents)
        } else {
            Ok(pieces)
        }
    }

    fn write_entry(&mut self, draft: &mut Draft, head: Head, pieces: &[Piece]) {
        let start = self.layout.band(head.band).start + head.next;
        let first_step = draft.position();
        let mut pba = start;
        let mut extents: Vec<LbaExtent> = Vec::with_capacity(pieces.len());
        for piece in pieces {
            draft.write(piece.from, pba, piece.extent.sectors, Purpose::Stage);
            pba = pba + piece.extent.sectors;
            extents.extend(split_by_band(&self.layout, piece.extent));
            self.note_overwritten(piece.extent);
        }
        let payload = Payload {
            at: start,
            bytes: (pba - start).bytes(),
            steps: draft.since(first_step),
        };
        let slot = self.layout.slot_sectors(head.band);
        let slot_sectors = Sectors((pba - start).0.next_multiple_of(slot.0));
        if (pba - start) < slot_sectors {
            draft.write(
                Place::Padding,
                pba,
                slot_sectors - (pba - start),
                Purpose::Stage,
            );
        }
        let change = Change::Stage {
            extents,
            at: start,
            slot_sectors,
        };
        self.log(draft, change, Some(payload), Purpose::OutOfBand);
    }
}
