//! What is found after a power cut, beside what the reference allows; and what another start of the
//! machine would find.

use std::collections::BTreeSet;

use imbrex::drive::request::{Operation, Request};
use imbrex::image::check;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::movement::{BufferId, RequestId};

use super::Rig;
use super::reference::{CHUNK, PIECE};
use super::tally::Tally;

/// Of a drive with more chunks only what was touched is compared: this is 64 MiB.
const CHUNKS_READ_MAX: u64 = 256;

/// Whatever the power left, the checker finds no damage in it, nor writes.
pub(super) fn is_clean(store: &MemoryStore, with_data: bool) {
    let mut progress = |_, _| {};
    let report = check::check(store, with_data.then_some(&mut progress));
    let report = report.unwrap_or_else(|error| panic!("check: {error}"));
    assert!(report.is_clean(), "after a power cut: {report:?}");
    assert_eq!(store.sectors_at_stake(), 0, "checking writes nothing");
}

impl Rig {
    /// Settles what recovery found and compares every piece.
    pub(crate) fn compare(&mut self) {
        self.carry_out();
        self.audit();
        self.learn();
    }

    /// What must hold of the drive's state whatever the host does.
    pub(crate) fn audit(&self) {
        if let Some(translation) = self.opened.drive.translation() {
            let complaints = translation.state().audit(translation.layout());
            assert!(complaints.is_empty(), "{complaints:?}");
        }
    }

    /// What another start of the machine would find now; this rig stays as it is.
    pub(crate) fn what_if(&self, fate: &mut dyn FnMut(u64) -> Fate) -> Rig {
        let mut rig = self.what_if_only(fate);
        rig.compare();
        rig
    }

    /// Like [`Rig::what_if`], but nothing is carried out or compared afterwards.
    pub(crate) fn what_if_only(&self, fate: &mut dyn FnMut(u64) -> Fate) -> Rig {
        let store = self.store.power_cut(fate);
        is_clean(&store, self.requests.is_multiple_of(4));
        self.with_store(store)
    }

    /// The same drive, opened from these bytes.
    pub(super) fn with_store(&self, store: MemoryStore) -> Rig {
        let (reference, tally) = (self.reference.clone(), Tally::default());
        Rig::start(&self.profile, store, reference, self.requests, tally)
    }

    /// Reads everything (of a large drive: whatever was touched, and its ends) and checks that each
    /// piece has a value that it may have; from then on it has that one.
    fn learn(&mut self) {
        let all = self.pieces();
        let chunks = all.div_ceil(CHUNK);
        let read: BTreeSet<u64> = if chunks <= CHUNKS_READ_MAX {
            (0..chunks).collect()
        } else {
            self.reference.touched().chain([0, chunks - 1]).collect()
        };
        for at in read.into_iter().map(|chunk| chunk * CHUNK) {
            let pieces = CHUNK.min(all - at);
            self.requests += 1;
            let id = RequestId(self.requests);
            let capacity = self.profile.drive.capacity_bytes;
            let request =
                Request::new(id, Operation::Read, at * PIECE, pieces * PIECE, capacity).unwrap();
            self.buffers
                .allocate_reply(BufferId::Request(id), pieces * PIECE);
            self.opened.drive.submit(self.now, request);
            let data = self.wait_for(id);
            self.reference.learn(at, &data);
        }
    }

    fn wait_for(&mut self, id: RequestId) -> Vec<u8> {
        loop {
            self.collect();
            let answers = std::mem::take(&mut self.answers);
            self.carry_out();
            if let Some(answer) = answers.first() {
                assert_eq!(answer.request, id);
                self.now = self.now.max(answer.due);
                return self.buffers.take_reply(BufferId::Request(id));
            }
            let next = self.opened.drive.next_deadline();
            self.now = self.now.max(next.expect("a read is under way").at);
            self.opened.drive.advance(self.now);
        }
    }
}
