//! Owns writes, zeroing and trims: absorbed by the cache, or carried through to the medium.
//!
//! A sector written in part is read and merged first. Always holds: between that read and the
//! moment in which the merged sector counts as written, no other write of the sector gets through.

use std::collections::VecDeque;

use super::engine::Drive;
use super::meters::Busy;
use super::request::Operation;
use super::waiting::{Waiting, buffer_offset, left};
use crate::extent::{Extent, ExtentSet, LbaExtent};
use crate::medium::movement::{BufferId, Place, PlanId, Purpose};
use crate::time::Instant;
use crate::translation::Piece;
use crate::translation::draft::Draft;
use crate::translation::state::Source;
use crate::units::{Lba, SECTOR_BYTES, Sectors, index};

impl Drive {
    /// A write, zeroing or trim arrives: the cache takes it at once where it can.
    pub(super) fn take_write(&mut self, now: Instant, mut waiting: Waiting) {
        if matches!(waiting.request.operation(), Operation::Write { .. }) {
            waiting.buffers.push(waiting.request.buffer());
        }
        if let Some(covered) = waiting.covered()
            && waiting.is_whole()
            && self.absorbs(&waiting)
            && self.spoils(&waiting).is_none()
        {
            let from = Drive::source(&waiting, covered.start);
            let piece = Piece {
                extent: covered,
                from,
            };
            self.absorb_pieces([piece], &mut waiting, now);
            self.complete(&waiting, self.ready(now), None, now);
        } else {
            self.interrupt_read_ahead(now);
            self.queue.push_back(waiting);
        }
    }

    /// Whether the cache would take it now.
    fn absorbs(&self, waiting: &Waiting) -> bool {
        let touched = waiting.touched();
        self.is_for_cache(waiting) && self.cache.has_room(touched.sectors) && !self.is_held(touched)
    }

    /// Whether it goes through the cache, once there is room.
    fn is_for_cache(&self, waiting: &Waiting) -> bool {
        !matches!(waiting.request.operation(), Operation::Trim)
            && self.cache_enabled
            && !waiting.is_fua()
            && !self.deallocates(waiting)
            && self.cache.could_hold(waiting.touched().sectors)
    }

    /// Whether a zeroing request is treated as a trim.
    fn deallocates(&self, waiting: &Waiting) -> bool {
        let may = matches!(
            waiting.request.operation(),
            Operation::WriteZeroes {
                may_deallocate: true,
                ..
            }
        );
        may && self.profile.trim.zeroes_deallocate && waiting.is_whole()
    }

    fn absorb(&mut self, waiting: &mut Waiting, at: Instant) {
        let pieces = std::mem::take(&mut waiting.pieces);
        self.absorb_pieces(pieces, waiting, at);
        waiting.held.clear();
    }

    /// The cache takes the pieces of a request.
    fn absorb_pieces(
        &mut self,
        pieces: impl IntoIterator<Item = Piece>,
        waiting: &mut Waiting,
        at: Instant,
    ) {
        let mut released = Vec::new();
        for piece in pieces {
            self.cache.insert(piece, &mut released);
        }
        // The cache releases the buffers that it holds; what it does not hold is done with.
        waiting
            .buffers
            .retain(|buffer| !self.cache.holds(*buffer) && !released.contains(buffer));
        self.release(released);
        self.cached_since.get_or_insert(at);
    }

    /// Serves the queued write or zeroing `chosen`, together with others that can share its entry.
    pub(super) fn serve_write(&mut self, chosen: usize, at: Instant) {
        if self.deallocates(&self.queue[chosen]) {
            return self.serve_trim(chosen, at);
        }
        if !self.queue[chosen].prepared {
            if self.absorbs(&self.queue[chosen]) {
                return self.absorb_queued(chosen, at);
            }
            let waiting = &self.queue[chosen];
            let full = !self.cache.has_room(waiting.touched().sectors);
            if full && self.is_for_cache(waiting) && self.destage(at, None) {
                return;
            }
        }
        self.write_through(chosen, at);
    }

    /// A queued write that the cache can take now, after reading what it writes only in part.
    fn absorb_queued(&mut self, chosen: usize, at: Instant) {
        let Some(mut waiting) = self.queue.remove(chosen) else {
            return;
        };
        let mut draft = Draft::default();
        self.prepare(&mut waiting, &mut draft);
        let (plan, timing) = self.issue(draft, at);
        waiting.add(&timing);
        self.absorb(&mut waiting, timing.end);
        self.complete(&waiting, timing.end, plan, at);
        self.occupy(Busy::Host, at, timing.end);
    }

    fn write_through(&mut self, chosen: usize, at: Instant) {
        let mut draft = Draft::default();
        let owners = self.gather(chosen, &mut draft);
        let mut pieces: VecDeque<Piece> = VecDeque::new();
        for &owner in &owners {
            pieces.extend(self.queue[owner].pieces.iter().copied());
        }
        let all = left(&pieces);
        let cached = self.cache_enabled;
        let result = self.back.write(&mut draft, &mut pieces, cached);
        let written = all - left(&pieces);
        let mut released = Vec::new();
        let done = self.consume(&owners, written, &mut released, at);
        let durable = done
            .iter()
            .any(|&owner| !cached || self.queue[owner].is_fua());
        if durable {
            self.back.flush(&mut draft);
        }
        if let Err(need) = result {
            self.need = Some(need);
        }
        let (plan, timing) = self.issue(draft, at);
        self.release(released);
        for &owner in &owners {
            self.queue[owner].add(&timing);
        }
        let merges_from = timing.end;
        let end = self.merge_if_due(merges_from);
        for &owner in &done {
            // Whoever is not done yet learns of it from the meters.
            self.queue[owner].add_merge(end.since(merges_from));
        }
        self.complete_owners(done, end, plan, at);
        self.occupy(Busy::Host, at, end);
        self.meters.merges_from(merges_from);
    }

    /// Merges the map from `at` on, if it is due; tells when that is over.
    fn merge_if_due(&mut self, at: Instant) -> Instant {
        if !self.back.merge_due() {
            return at;
        }
        let mut merge = Draft::default();
        self.back.merge(&mut merge);
        let (_, timing) = self.issue(merge, at);
        timing.end
    }

    /// Answers the owners and takes them from the queue.
    fn complete_owners(
        &mut self,
        done: Vec<usize>,
        end: Instant,
        plan: Option<PlanId>,
        at: Instant,
    ) {
        for owner in done.into_iter().rev() {
            if self.queue[owner].request.operation() == Operation::Trim {
                self.queue[owner].edges_done = true;
                continue;
            }
            if let Some(waiting) = self.queue.remove(owner) {
                self.complete(&waiting, end, plan, at);
            }
        }
    }

    /// The queued writes that share a job with `chosen`, prepared; ascending.
    fn gather(&mut self, chosen: usize, draft: &mut Draft) -> Vec<usize> {
        let depth = index(u64::from(self.profile.drive.queue_depth));
        let mut owners: Vec<usize> = Vec::new();
        let mut sharing = Sharing::default();
        for waiting in self.queue.range(..chosen) {
            sharing.pass_over(waiting);
        }
        for candidate in chosen..self.queue.len().min(depth.max(chosen + 1)) {
            let waiting = &self.queue[candidate];
            if candidate != chosen && !(self.can_share(waiting) && sharing.allows(waiting)) {
                sharing.pass_over(waiting);
                continue;
            }
            if !waiting.prepared {
                let mut waiting = waiting.clone();
                self.prepare(&mut waiting, draft);
                self.held.extend(&waiting.held);
                self.queue[candidate] = waiting;
            }
            sharing.take(&self.queue[candidate]);
            owners.push(candidate);
        }
        owners
    }

    /// Whether a request is one of those that can share a job, as far as it goes by itself.
    fn can_share(&self, waiting: &Waiting) -> bool {
        let writes = matches!(
            waiting.request.operation(),
            Operation::Write { .. } | Operation::WriteZeroes { .. }
        );
        writes
            && !self.deallocates(waiting)
            && (waiting.prepared || !self.is_for_cache(waiting))
            && self.spoils(waiting).is_none()
    }

    /// Marks `written` sectors of the owners' pieces, in order, as done; tells which owners are.
    /// Buffers that the cache no longer needs, though the draft may still read them, go to `released`.
    fn consume(
        &mut self,
        owners: &[usize],
        written: Sectors,
        released: &mut Vec<BufferId>,
        at: Instant,
    ) -> Vec<usize> {
        let mut rest = written;
        let mut done = Vec::new();
        for &owner in owners {
            while rest.0 > 0
                && let Some(piece) = self.queue[owner].pieces.pop_front()
            {
                let waiting = &mut self.queue[owner];
                let piece = if piece.extent.sectors > rest {
                    let (first, second) = piece.split(rest);
                    waiting.pieces.push_front(second);
                    first
                } else {
                    piece
                };
                rest = rest - piece.extent.sectors;
                for lba in waiting
                    .held
                    .extract_if(.., |lba| piece.extent.contains(*lba))
                {
                    self.held.remove(&lba);
                }
                self.cache.remove(piece.extent, released);
                self.note_rewritten(at, piece.extent);
            }
            if self.queue[owner].pieces.is_empty() {
                done.push(owner);
            }
        }
        self.note_cache();
        done
    }

    /// Fills `pieces`: whole sectors from the request's buffer, those written in part from a buffer
    /// that holds them merged. Of a discard only the latter.
    pub(super) fn prepare(&mut self, waiting: &mut Waiting, draft: &mut Draft) {
        waiting.prepared = true;
        let touched = waiting.touched();
        let mut at = touched.start;
        if let Some(covered) = waiting.covered() {
            for lba in partial_sectors(touched.start, covered.start) {
                self.merge_sector(waiting, lba, draft);
            }
            if waiting.request.operation() != Operation::Trim {
                let from = Drive::source(waiting, covered.start);
                waiting.pieces.push_back(Piece {
                    extent: covered,
                    from,
                });
            }
            at = covered.end();
        }
        for lba in partial_sectors(at, touched.end()) {
            self.merge_sector(waiting, lba, draft);
        }
    }

    fn source(waiting: &Waiting, lba: Lba) -> Place {
        match waiting.request.operation() {
            Operation::Write { .. } => Place::Buffer {
                id: waiting.request.buffer(),
                offset: buffer_offset(&waiting.request, lba),
            },
            _ => Place::Zeroes,
        }
    }

    /// Reads sector `lba`, lays the request's part over it.
    fn merge_sector(&mut self, waiting: &mut Waiting, lba: Lba, draft: &mut Draft) {
        let id = self.new_buffer();
        draft.allocate(id, SECTOR_BYTES);
        let extent = LbaExtent::new(lba, Sectors(1));
        let whole = Place::Buffer { id, offset: 0 };
        let from = self.current(extent);
        draft.transfer(from, whole, SECTOR_BYTES, Purpose::PartialRead);
        draft.order();
        let sector = lba.0 * SECTOR_BYTES;
        let begin = waiting.request.offset().max(sector);
        let end = (waiting.request.offset() + waiting.request.bytes()).min(sector + SECTOR_BYTES);
        let source = Drive::source(waiting, lba);
        draft.transfer(
            source,
            Place::Buffer {
                id,
                offset: begin - sector,
            },
            end - begin,
            Purpose::PartialRead,
        );
        draft.order();
        waiting.pieces.push_back(Piece {
            extent,
            from: whole,
        });
        waiting.buffers.push(id);
        waiting.held.push(lba);
    }

    /// Where the newest bytes of a single sector are.
    fn current(&self, sector: LbaExtent) -> Place {
        if let Some((_, Some(cached))) = self.cache.pieces(sector).first() {
            return cached.place();
        }
        match self.back.source_at(sector.start) {
            Source::Home(pba) | Source::Mapped(pba) => Place::sector(pba),
            Source::Nowhere => Place::Zeroes,
        }
    }

    /// Serves a discard (or a zeroing request that is treated as one).
    pub(super) fn serve_trim(&mut self, chosen: usize, at: Instant) {
        let first = &self.queue[chosen];
        if !first.is_whole() && !first.edges_done {
            return self.write_through(chosen, at);
        }
        let Some(mut waiting) = self.queue.remove(chosen) else {
            return;
        };
        let mut draft = Draft::default();
        if let Some(covered) = waiting.covered() {
            if let Err(need) = self.back.trim(&mut draft, covered) {
                self.need = Some(need);
                self.queue.insert(chosen, waiting);
                self.occupy(Busy::Host, at, at);
                return;
            }
            let mut released = Vec::new();
            self.cache.remove(covered, &mut released);
            self.note_rewritten(at, covered);
            self.release(released);
            self.note_cache();
        }
        if !self.cache_enabled || waiting.is_fua() {
            self.back.flush(&mut draft);
        }
        let (plan, timing) = self.issue(draft, at);
        waiting.add(&timing);
        // Where only the edges were left to do, what made them durable is an earlier plan.
        let needs = plan.or(self.last_barrier);
        self.complete(&waiting, timing.end, needs, at);
        self.occupy(Busy::Host, at, timing.end);
    }

    /// Moves some of the cache to the medium (`before`: of what is older than this mark); tells
    /// whether there was anything.
    pub(super) fn destage(&mut self, at: Instant, before: Option<u64>) -> bool {
        let most = self
            .profile
            .staging
            .as_ref()
            .map_or(1 << 22, |staging| staging.entry_bytes_max);
        // A run that goes straight to its band is told by its length, so look further than an entry.
        let look = Sectors::holding(most.max(self.profile.write_cache.bypass_run_bytes))
            .max(Sectors(1024));
        let one_run = self.profile.staging.is_none();
        let found = self.cache.next_pieces(look, one_run, before);
        if found.is_empty() {
            return false;
        }
        let mut pieces: VecDeque<Piece> = found.iter().copied().collect();
        let mut draft = Draft::default();
        if let Err(need) = self.back.write(&mut draft, &mut pieces, true) {
            self.need = Some(need);
            self.occupy(Busy::Host, at, at);
            return true;
        }
        let mut released = Vec::new();
        let all = Sectors(found.iter().map(|piece| piece.extent.sectors.0).sum());
        let mut written = all - left(&pieces);
        for piece in found {
            let sectors = piece.extent.sectors.min(written);
            if sectors.0 == 0 {
                break;
            }
            written = written - sectors;
            let destaged = Extent::new(piece.extent.start, sectors);
            self.cache.destaged(destaged, &mut released);
            self.note_rewritten(at, destaged);
        }
        let (_, timing) = self.issue(draft, at);
        self.release(released);
        let merges_from = timing.end;
        let end = self.merge_if_due(merges_from);
        self.note_cache();
        self.occupy(Busy::Destage, at, end);
        self.meters.merges_from(merges_from);
        true
    }

    fn note_cache(&mut self) {
        if self.cache.is_empty() {
            self.cached_since = None;
        }
    }
}

/// Which queued requests may share a job, by what those before them write.
#[derive(Default)]
struct Sharing {
    /// What requests write that are not in the job.
    others: ExtentSet,
    /// What the job writes.
    taken: ExtentSet,
    /// What those of the job write that cover some sector only in part.
    taken_in_part: ExtentSet,
}

impl Sharing {
    /// A request that comes before those that follow, and is not in the job.
    fn pass_over(&mut self, waiting: &Waiting) {
        if waiting.request.operation() != Operation::Read {
            self.others.insert(waiting.touched(), (), |_, ()| {});
        }
    }

    /// A request that is in the job.
    fn take(&mut self, waiting: &Waiting) {
        self.taken.insert(waiting.touched(), (), |_, ()| {});
        if !waiting.is_whole() {
            self.taken_in_part.insert(waiting.touched(), (), |_, ()| {});
        }
    }

    /// Whether the next one may be in the job, too.
    fn allows(&self, waiting: &Waiting) -> bool {
        let touched = waiting.touched();
        // Reading what a sector held must not overtake a write of it that is only gathered.
        let clashing = if waiting.is_whole() {
            &self.taken_in_part
        } else {
            &self.taken
        };
        // Once a sector is read and merged, no other write of it may get through: neither one that
        // did so before, nor one that is due before this one.
        !self.others.overlaps(touched) && !clashing.overlaps(touched)
    }
}

fn partial_sectors(from: Lba, upto: Lba) -> impl Iterator<Item = Lba> {
    (from.0..upto.0).map(Lba)
}
