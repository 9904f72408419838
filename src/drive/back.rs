//! Owns what lies behind the queue and the cache: a translation, or places as the host numbers them.
//!
//! The two personalities are matched here and nowhere else.

use std::collections::VecDeque;

use crate::extent::{Extent, LbaExtent};
use crate::medium::layout::Layout;
use crate::medium::movement::{Place, Purpose};
use crate::translation::change::Change;
use crate::translation::draft::Draft;
use crate::translation::state::{Source, split_by_band};
use crate::translation::{NoRoom, Piece, Translation};
use crate::units::{HomeBand, Lba, Pba, Sectors};

/// Most sectors that one direct or in-place write moves before other requests get their turn.
const RUN_SECTORS_MAX: u64 = 1024;

/// What lies behind the queue and the cache.
#[derive(Clone, Debug)]
pub enum Back {
    /// Drive-managed.
    Managed(Box<Translation>),
    /// Conventional: every sector has its place.
    InPlace(InPlace),
}

/// The back of a conventional drive.
#[derive(Clone, Debug)]
pub struct InPlace {
    /// Where everything lies.
    pub layout: Layout,
    /// Anything written since the last barrier.
    pub unflushed: bool,
}

impl Back {
    /// Where everything lies.
    pub fn layout(&self) -> &Layout {
        match self {
            Back::Managed(translation) => translation.layout(),
            Back::InPlace(in_place) => &in_place.layout,
        }
    }

    /// The translation, if there is one.
    pub fn translation(&self) -> Option<&Translation> {
        match self {
            Back::Managed(translation) => Some(translation),
            Back::InPlace(_) => None,
        }
    }

    /// Whether changes of the state are kept from now on.
    pub fn tell_changes(&mut self, wanted: bool) {
        if let Back::Managed(translation) = self {
            translation.tell_changes(wanted);
        }
    }

    /// The changes since they were fetched last; a conventional drive has none.
    pub fn take_changes(&mut self) -> Vec<Change> {
        match self {
            Back::Managed(translation) => translation.take_changes(),
            Back::InPlace(_) => Vec::new(),
        }
    }

    /// Where each part of `range` is to be read.
    pub fn locate(&self, range: LbaExtent) -> Vec<(LbaExtent, Source)> {
        match self {
            Back::Managed(translation) => translation.locate(range),
            Back::InPlace(in_place) => split_by_band(&in_place.layout, range)
                .map(|part| (part, Source::Home(in_place.place(part.start))))
                .collect(),
        }
    }

    /// Where a single sector is to be read.
    pub fn source_at(&self, lba: Lba) -> Source {
        match self {
            Back::Managed(translation) => translation.source_at(lba),
            Back::InPlace(in_place) => Source::Home(in_place.place(lba)),
        }
    }

    /// Plans one write job from the front of `waiting`. `cached`: the pieces were acknowledged
    /// already, so long runs may go straight to their bands.
    pub fn write(
        &mut self,
        draft: &mut Draft,
        waiting: &mut VecDeque<Piece>,
        cached: bool,
    ) -> Result<(), NoRoom> {
        match self {
            Back::Managed(translation) => {
                if cached && write_direct(translation, draft, waiting) {
                    return Ok(());
                }
                let rest = if cached {
                    split_off_direct(translation, waiting)
                } else {
                    VecDeque::new()
                };
                let result = translation.stage(draft, waiting);
                waiting.extend(rest);
                result
            }
            Back::InPlace(in_place) => {
                in_place.write(draft, waiting);
                Ok(())
            }
        }
    }

    /// Plans a discard.
    pub fn trim(&mut self, draft: &mut Draft, extent: LbaExtent) -> Result<(), NoRoom> {
        match self {
            Back::Managed(translation) => translation.trim(draft, extent),
            Back::InPlace(in_place) => {
                for part in split_by_band(&in_place.layout, extent) {
                    let to = Place::sector(in_place.place(part.start));
                    let from = Place::Zeroes;
                    draft.transfer_buffered(from, to, part.sectors.bytes(), Purpose::HostWrite);
                }
                in_place.unflushed = true;
                Ok(())
            }
        }
    }

    /// Plans a barrier, if anything is not durable yet.
    pub fn flush(&mut self, draft: &mut Draft) {
        match self {
            Back::Managed(translation) if translation.unflushed() => translation.barrier(draft),
            Back::InPlace(in_place) if in_place.unflushed => {
                draft.barrier();
                in_place.unflushed = false;
            }
            Back::Managed(_) | Back::InPlace(_) => {}
        }
    }

    /// Plans a barrier whatever is durable already.
    pub fn flush_always(&mut self, draft: &mut Draft) {
        match self {
            Back::Managed(translation) => translation.barrier(draft),
            Back::InPlace(in_place) => {
                draft.barrier();
                in_place.unflushed = false;
            }
        }
    }

    /// Whether the map is due to be merged.
    pub fn merge_due(&self) -> bool {
        self.translation().is_some_and(Translation::merge_due)
    }

    /// Plans a merge of the map.
    pub fn merge(&mut self, draft: &mut Draft) {
        if let Back::Managed(translation) = self {
            translation.merge(draft);
        }
    }

    /// Plans a step of cleaning; tells which band, or `None` when there is nothing to clean.
    pub fn clean_step(&mut self, draft: &mut Draft, need: Option<NoRoom>) -> Option<HomeBand> {
        match self {
            Back::Managed(translation) => translation.clean_step(draft, need),
            Back::InPlace(_) => None,
        }
    }
}

impl InPlace {
    fn place(&self, lba: Lba) -> Pba {
        let (band, offset) = self.layout.home_of(lba);
        self.layout.band(self.layout.factory_place(band)).start + offset
    }

    /// Writes the unbroken run at the front of `waiting`.
    fn write(&mut self, draft: &mut Draft, waiting: &mut VecDeque<Piece>) {
        for piece in take_run(waiting, Sectors(RUN_SECTORS_MAX)) {
            for part in split_by_band(&self.layout, piece.extent) {
                let skipped = part.start - piece.extent.start;
                let from = if skipped.0 > 0 {
                    piece.split(skipped).1.from
                } else {
                    piece.from
                };
                draft.write(
                    from,
                    self.place(part.start),
                    part.sectors,
                    Purpose::HostWrite,
                );
            }
        }
        self.unflushed = true;
    }
}

/// Writes the run at the front straight to its band if it may; tells whether it did.
fn write_direct(
    translation: &mut Translation,
    draft: &mut Draft,
    waiting: &mut VecDeque<Piece>,
) -> bool {
    let Some(run) = first_run(waiting) else {
        return false;
    };
    if !translation.run_is_direct(run) {
        return false;
    }
    let Some(part) = translation.direct_part(run) else {
        return false;
    };
    let pieces = take_run(waiting, part.sectors.min(Sectors(RUN_SECTORS_MAX)));
    translation.write_direct(draft, &pieces);
    true
}

/// Splits off what begins with a run that could go straight to its band, when it was found that the
/// first piece cannot. A long run that begins inside a band is such a run from the next band on.
fn split_off_direct(translation: &Translation, waiting: &mut VecDeque<Piece>) -> VecDeque<Piece> {
    let mut at = 0;
    while at < waiting.len() {
        let mut end = at + 1;
        while end < waiting.len() && waiting[end - 1].extent.end() == waiting[end].extent.start {
            end += 1;
        }
        let start = waiting[at].extent.start;
        let run = Extent::new(start, waiting[end - 1].extent.end() - start);
        if translation.run_is_direct(run) {
            let mut parts = split_by_band(translation.layout(), run);
            let direct = parts.find(|part| {
                (at > 0 || part.start > start) && translation.direct_part(*part).is_some()
            });
            if let Some(part) = direct {
                return split_off_at(waiting, at, part.start);
            }
        }
        at = end;
    }
    VecDeque::new()
}

/// Splits off the pieces from `lba` on, which lies in the run that begins with piece `at`.
fn split_off_at(waiting: &mut VecDeque<Piece>, mut at: usize, lba: Lba) -> VecDeque<Piece> {
    while waiting[at].extent.end() <= lba {
        at += 1;
    }
    let mut rest = waiting.split_off(at);
    if let Some(piece) = rest.front_mut()
        && piece.extent.start < lba
    {
        let (first, second) = piece.split(lba - piece.extent.start);
        *piece = second;
        waiting.push_back(first);
    }
    rest
}

fn first_run(waiting: &VecDeque<Piece>) -> Option<LbaExtent> {
    let first = waiting.front()?.extent;
    let mut end = first.end();
    for piece in waiting.iter().skip(1) {
        if piece.extent.start != end {
            break;
        }
        end = piece.extent.end();
    }
    Extent::between(first.start, end)
}

/// Takes at most `sectors` of the unbroken run at the front.
fn take_run(waiting: &mut VecDeque<Piece>, sectors: Sectors) -> Vec<Piece> {
    let mut left = sectors;
    let mut taken: Vec<Piece> = Vec::new();
    while left.0 > 0
        && let Some(&piece) = waiting.front()
        && taken
            .last()
            .is_none_or(|last| last.extent.end() == piece.extent.start)
    {
        waiting.pop_front();
        let piece = if piece.extent.sectors > left {
            let (first, rest) = piece.split(left);
            waiting.push_front(rest);
            first
        } else {
            piece
        };
        left = left - piece.extent.sectors;
        taken.push(piece);
    }
    taken
}
