//! Owns the translation of one drive: its state, what makes it durable, and the rules it follows.
//!
//! Always holds: the state is what the records so far say; a record is applied in the moment in
//! which it is planned. A barrier comes before anything old is overwritten whose successor may not
//! be durable yet: before a pass over a used band begins anew, and before the journal reuses a
//! sector.

use std::collections::BTreeSet;

use super::change::Change;
use super::cleaner::Cleaning;
use super::codec::record::{JournalHeader, PayloadSpan, encode_journal, journal_sectors};
use super::draft::Draft;
use super::journal::Journal;
use super::map_area::MapArea;
use super::state::{Source, State};
use crate::extent::LbaExtent;
use crate::medium::layout::Layout;
use crate::medium::movement::{Place, Purpose, Record, Seal};
use crate::profile::{Cleaning as CleaningRules, Profile, Staging};
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors};

/// A run of host addresses and where its bytes come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece {
    /// The run.
    pub extent: LbaExtent,
    /// A buffer, or zeroes.
    pub from: Place,
}

impl Piece {
    /// The first `sectors` and the rest.
    pub fn split(self, sectors: Sectors) -> (Piece, Piece) {
        let first = LbaExtent::new(self.extent.start, sectors);
        let rest = LbaExtent::new(first.end(), self.extent.sectors - sectors);
        let from = match self.from {
            Place::Buffer { id, offset } => Place::Buffer {
                id,
                offset: offset + sectors.bytes(),
            },
            other => other,
        };
        (
            Piece {
                extent: first,
                ..self
            },
            Piece { extent: rest, from },
        )
    }
}

/// Why nothing more can be staged now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoRoom {
    /// No staging band of the region is free, or the limit of slots or bytes is reached.
    Log {
        /// The region whose log is full.
        region: usize,
    },
    /// The limit of map extents is reached.
    Extents,
}

/// The translation of one drive.
#[derive(Clone, Debug)]
pub struct Translation {
    pub(super) layout: Layout,
    pub(super) state: State,
    pub(super) journal: Journal,
    pub(super) maps: MapArea,
    pub(super) staging: Staging,
    pub(super) rules: CleaningRules,
    pub(super) bypass_run: Sectors,
    /// Where the last direct write ended.
    pub(super) bypass_end: Option<Lba>,
    pub(super) entries_since_merge: u32,
    pub(super) cleaning: Option<Cleaning>,
    /// Where the round of ascending cleaning goes on.
    pub(super) clean_from: HomeBand,
    /// Bands that a pass may restart only after a barrier are those that hold something; this
    /// tells which do.
    pub(super) touched: Touched,
    /// Whether somebody carries the bytes: records are rendered.
    pub(super) render: bool,
    /// Records since the last barrier.
    pub(super) unflushed: bool,
    pub(super) counts: Counts,
    /// Changes not fetched yet; `None`: nobody wants to know.
    told: Option<Vec<Change>>,
}

/// What the translation counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Log entries.
    pub entries: u64,
    /// Map records.
    pub merges: u64,
    /// Bands cleaned.
    pub bands_cleaned: u64,
}

/// Which bands a pass was begun on.
#[derive(Clone, Debug)]
pub(super) enum Touched {
    /// These and no others.
    These(BTreeSet<BandId>),
    /// Any band may have been, or holds something all the same: the image was opened again, or the
    /// drive came formatted.
    Unknown,
}

impl Touched {
    /// Notes that a pass over `band` begins; tells whether one may have before.
    fn mark(&mut self, band: BandId) -> bool {
        match self {
            Touched::These(bands) => !bands.insert(band),
            Touched::Unknown => true,
        }
    }
}

impl Translation {
    /// Joins the parts. `render`: whether records are rendered for a mover.
    pub(super) fn assemble(
        profile: &Profile,
        staging: &Staging,
        layout: Layout,
        parts: Parts,
        render: bool,
    ) -> Translation {
        Translation {
            layout,
            state: parts.state,
            journal: parts.journal,
            maps: parts.maps,
            staging: staging.clone(),
            rules: profile.cleaning,
            bypass_run: Sectors::holding(profile.write_cache.bypass_run_bytes),
            bypass_end: None,
            entries_since_merge: 0,
            cleaning: None,
            clean_from: HomeBand(0),
            touched: parts.touched,
            render,
            unflushed: false,
            counts: Counts::default(),
            told: None,
        }
    }

    /// Whether changes of the state are kept from now on, for whoever fetches them.
    pub fn tell_changes(&mut self, wanted: bool) {
        self.told = wanted.then(Vec::new);
    }

    /// The changes since they were fetched last, in order.
    pub fn take_changes(&mut self) -> Vec<Change> {
        self.told.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// From now on nobody carries the bytes.
    pub fn stop_rendering(&mut self) {
        self.render = false;
    }

    /// Where everything lies.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The durable state.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Counters.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Whether there is something to clean: a band with staged sectors, or one whose cleaning is
    /// under way though the host has taken its staged sectors away meanwhile.
    pub fn has_cleaning_to_do(&self) -> bool {
        !self.state.dirty.is_empty() || self.cleaning.is_some()
    }

    /// Bands with staged sectors.
    pub fn dirty_bands(&self) -> u64 {
        self.state.dirty.len()
    }

    /// Log slots in use.
    pub fn slots_used(&self) -> u64 {
        self.state.slots_used
    }

    /// Map extents in use.
    pub fn extents_used(&self) -> u64 {
        self.state.map.len()
    }

    /// Newest record, and the newest that a map covers.
    pub fn sequences(&self) -> (u64, u64) {
        (self.journal.sequence, self.maps.sequence)
    }

    /// Where each part of `range` is to be read.
    pub fn locate(&self, range: LbaExtent) -> Vec<(LbaExtent, Source)> {
        self.state.locate(&self.layout, range)
    }

    /// Where a single sector is to be read.
    pub fn source_at(&self, lba: Lba) -> Source {
        self.state.source_at(&self.layout, lba)
    }

    /// Share of the staging area in use, in percent: whichever limit is nearest.
    pub fn fill_percent(&self) -> u64 {
        let slots = self.state.slots_used * 100 / self.staging.slots.max(1);
        let extents = self.state.map.len() * 100 / self.staging.extents.max(1);
        slots.max(extents)
    }

    /// Adds a barrier: everything planned so far is durable after it.
    pub fn barrier(&mut self, draft: &mut Draft) {
        draft.barrier();
        self.journal.settle();
        self.unflushed = false;
    }

    /// Whether anything was planned that no barrier has made durable.
    pub fn unflushed(&self) -> bool {
        self.unflushed
    }

    /// The first steps after recovery: a new map, durable, so that what follows belongs to this
    /// opening alone. It counts nothing, and the next merge that the profile asks for is due when it
    /// would have been.
    pub fn settle_open(&mut self, draft: &mut Draft) {
        let entries = self.entries_since_merge;
        self.merge(draft);
        self.barrier(draft);
        self.entries_since_merge = entries;
        self.counts = Counts::default();
    }

    /// Forgets a discarded range.
    pub fn trim(&mut self, draft: &mut Draft, extent: LbaExtent) -> Result<(), NoRoom> {
        // A hole in a run, or one at either end of whole bands in the middle of it.
        let added = if self.state.map.is_empty() { 2 } else { 3 };
        if self.state.map.len() + added > self.staging.extents {
            return Err(NoRoom::Extents);
        }
        self.note_overwritten(extent);
        self.log(draft, Change::Trim { extent }, None, Purpose::Bypass);
        Ok(())
    }

    /// Writes the map, which makes the next recovery short. A map vouches for payload without a
    /// checksum of it, so everything that it covers is made durable first.
    pub fn merge(&mut self, draft: &mut Draft) {
        self.barrier(draft);
        let due = self
            .maps
            .merge(&self.layout, &self.state, &self.journal, self.render);
        draft.record(Record {
            bytes: due.bytes,
            at: due.at,
            sectors: due.sectors,
            seals: Vec::new(),
            purpose: Purpose::MapMerge,
        });
        self.journal.map_written();
        self.entries_since_merge = 0;
        self.counts.merges += 1;
    }

    /// Plans a pass that begins anew over `band`: nothing that it held may still be needed by what
    /// is durable.
    pub(super) fn begin_pass(&mut self, draft: &mut Draft, band: BandId) {
        if self.touched.mark(band) {
            self.barrier(draft);
        }
    }

    /// Plans the record of a change, applies the change. `payload`: where the bytes that the
    /// record vouches for went, and the steps of the draft that write them.
    pub(super) fn log(
        &mut self,
        draft: &mut Draft,
        change: Change,
        payload: Option<Payload>,
        purpose: Purpose,
    ) {
        let changes = [change];
        let spans = usize::from(payload.is_some());
        let sectors = journal_sectors(spans, &changes);
        if self.journal.place(sectors).is_none() {
            self.merge(draft);
            self.barrier(draft);
        }
        let at = self
            .journal
            .place(sectors)
            .expect("the ring holds several of the largest records");
        self.journal.take(sectors);
        self.journal.sequence += 1;
        let record = self.record(at, sectors, payload, &changes, purpose);
        draft.record(record);
        self.state
            .apply(&self.layout, self.journal.sequence, &changes[0]);
        self.maps.note(&changes);
        if let Some(told) = &mut self.told {
            told.extend(changes);
        }
        self.unflushed = true;
    }

    fn record(
        &self,
        at: Pba,
        sectors: Sectors,
        payload: Option<Payload>,
        changes: &[Change],
        purpose: Purpose,
    ) -> Record {
        if !self.render {
            return Record {
                bytes: Vec::new(),
                at,
                sectors,
                seals: Vec::new(),
                purpose,
            };
        }
        let header = JournalHeader {
            epoch: self.journal.epoch,
            sequence: self.journal.sequence,
            durable: self.journal.durable,
            at,
            sectors,
        };
        let spans: Vec<PayloadSpan> = payload
            .iter()
            .map(|p| PayloadSpan {
                at: p.at,
                bytes: p.bytes,
                crc: 0,
            })
            .collect();
        let (bytes, offsets) = encode_journal(&header, &spans, changes);
        let seals = offsets
            .into_iter()
            .zip(payload)
            .map(|(at, p)| Seal { at, over: p.steps })
            .collect();
        Record {
            bytes,
            at,
            sectors,
            seals,
            purpose,
        }
    }
}

/// Bytes that a record vouches for.
#[derive(Clone, Debug)]
pub(super) struct Payload {
    pub(super) at: Pba,
    pub(super) bytes: u64,
    pub(super) steps: std::ops::Range<usize>,
}

/// What recovery found.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    pub(super) state: State,
    pub(super) journal: Journal,
    pub(super) maps: MapArea,
    pub(super) touched: Touched,
}
