//! One set of tests for both movers.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use proptest::prelude::*;

use super::*;
use crate::medium::memory_store::MemoryStore;
use crate::medium::movement::{Movement, Purpose, Record, RequestId, Seal};
use crate::units::{Sectors, count, index};

/// Strikes once, at the n-th operation.
#[derive(Clone)]
pub(crate) struct Countdown(Arc<AtomicU64>);

impl Countdown {
    fn at(n: u64) -> Countdown {
        Countdown(Arc::new(AtomicU64::new(n)))
    }

    pub(crate) fn strikes(&self) -> bool {
        self.0.fetch_sub(1, Ordering::Relaxed) == 1
    }
}

/// Passes everything on, but for the operation that the countdown strikes.
struct Faulty(FileStore, Countdown);

impl Faulty {
    fn begin(&self) -> io::Result<()> {
        if self.1.strikes() {
            return Err(io::Error::from_raw_os_error(libc::EIO));
        }
        Ok(())
    }
}

impl Store for Faulty {
    fn bytes(&self) -> io::Result<u64> {
        self.0.bytes()
    }
    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        self.begin()?;
        self.0.read_at(into, at)
    }
    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        self.begin()?;
        self.0.write_at(from, at)
    }
    fn zero_at(&self, at: u64, bytes: u64) -> io::Result<()> {
        self.begin()?;
        self.0.zero_at(at, bytes)
    }
    fn sync(&self) -> io::Result<()> {
        self.begin()?;
        self.0.sync()
    }
}

const MEDIUM_SECTORS: u64 = 32;
const MEDIUM_BYTES: u64 = MEDIUM_SECTORS * SECTOR_BYTES;
/// Around the edge of two chunks of the scratch.
const SCRATCH_FROM: u64 = (1 << 20) - 4 * SECTOR_BYTES;
const SCRATCH_BYTES: u64 = 8 * SECTOR_BYTES;
const BUFFER_BYTES: u64 = 8 * SECTOR_BYTES;

/// A mover over a fresh file of zeroes, and the file.
fn mover(kind: usize, faults: Option<Countdown>) -> Option<(Mover, FileStore)> {
    let file = tempfile::tempfile().expect("a temporary file");
    file.set_len(MEDIUM_BYTES).expect("set its length");
    let copy = FileStore::new(file.try_clone().expect("duplicate")).expect("wrap");
    let second = FileStore::new(file.try_clone().expect("duplicate")).expect("wrap");
    let never = Countdown::at(u64::MAX);
    let store = Box::new(Faulty(copy, faults.clone().unwrap_or(never)));
    if kind == 0 {
        return Some((Mover::plain(store), second));
    }
    let Ok(mut ring) = RingMover::new(store, file) else {
        eprintln!("no io_uring here: the ring is not tested");
        return None;
    };
    ring.inline_bytes = [0, SECTOR_BYTES][kind - 1];
    ring.write_at_once_bytes = 0;
    if let Some(faults) = faults {
        ring.inject(faults);
    }
    Some((Mover::Ring(Box::new(ring)), second))
}

/// Plain; a ring that does nothing at once; a ring that does small things at once.
fn each_mover(faults: Option<u64>, mut body: impl FnMut(Mover, FileStore)) {
    for kind in 0..3 {
        if let Some((mover, file)) = mover(kind, faults.map(Countdown::at)) {
            body(mover, file);
        }
    }
}

fn finish(mover: &mut Mover, buffers: &mut Buffers) -> BTreeMap<PlanId, Result<(), MoverError>> {
    let mut finished = Vec::new();
    while mover.in_flight() > 0 {
        mover.wait(buffers, &mut finished);
    }
    finished.into_iter().collect()
}

fn internal(n: u64) -> BufferId {
    BufferId::Internal(n)
}

fn buffer(n: u64, offset: u64) -> Place {
    Place::Buffer {
        id: internal(n),
        offset,
    }
}

fn scratch(offset: u64) -> Place {
    Place::Scratch {
        offset: SCRATCH_FROM + offset,
    }
}

fn sector(pba: u64) -> Place {
    Place::sector(Pba(pba))
}

fn step(from: Place, to: Place, bytes: u64) -> Step {
    Step::Move(Movement {
        from,
        to,
        bytes,
        purpose: Purpose::HostWrite,
        buffered: false,
    })
}

fn record(at: u64, bytes: Vec<u8>, seals: Vec<Seal>) -> Step {
    Step::Record(Record {
        sectors: Sectors::holding(count(bytes.len())),
        bytes,
        at: Pba(at),
        seals,
        purpose: Purpose::OutOfBand,
    })
}

fn plan(id: u64, steps: Vec<Step>) -> Plan {
    Plan {
        id: PlanId(id),
        allocate: Vec::new(),
        steps,
    }
}

fn read(file: &FileStore, at: u64, bytes: u64) -> Vec<u8> {
    let mut into = vec![0; index(bytes)];
    file.read_at(&mut into, at).expect("read the file");
    into
}

/// The plain reference: three arrays, one step after another.
struct Model {
    medium: Vec<u8>,
    scratch: Vec<u8>,
    buffers: Vec<Vec<u8>>,
}

impl Model {
    fn bytes_of(&self, place: Place, bytes: u64) -> Vec<u8> {
        let (of, at) = match place {
            Place::Buffer { id, offset } => {
                let BufferId::Internal(n) = id else {
                    panic!("not used here")
                };
                (&self.buffers[index(n)], offset)
            }
            Place::Scratch { offset } => (&self.scratch, offset - SCRATCH_FROM),
            Place::Medium { pba, skip } => (&self.medium, pba.0 * SECTOR_BYTES + skip),
            _ => return vec![0; index(bytes)],
        };
        of[index(at)..index(at + bytes)].to_vec()
    }

    fn put(&mut self, place: Place, bytes: &[u8]) {
        let (of, at) = match place {
            Place::Buffer { id, offset } => {
                let BufferId::Internal(n) = id else {
                    panic!("not used here")
                };
                (&mut self.buffers[index(n)], offset)
            }
            Place::Scratch { offset } => (&mut self.scratch, offset - SCRATCH_FROM),
            Place::Medium { pba, skip } => (&mut self.medium, pba.0 * SECTOR_BYTES + skip),
            _ => return,
        };
        of[index(at)..index(at) + bytes.len()].copy_from_slice(bytes);
    }

    fn apply(&mut self, plan: &Plan) {
        for step in &plan.steps {
            match step {
                Step::Move(m) if m.from != Place::Padding => {
                    let bytes = self.bytes_of(m.from, m.bytes);
                    self.put(m.to, &bytes);
                }
                Step::Record(record) => {
                    let mut bytes = record.bytes.clone();
                    for seal in &record.seals {
                        let mut covered = Vec::new();
                        for step in &plan.steps[seal.over.clone()] {
                            let Step::Move(m) = step else {
                                panic!("a seal over {step:?}")
                            };
                            if m.from != Place::Padding {
                                covered.extend(self.bytes_of(m.from, m.bytes));
                            }
                        }
                        let at = index(seal.at);
                        bytes[at..at + 4].copy_from_slice(&crc32c::crc32c(&covered).to_le_bytes());
                    }
                    let crc = crc32c::crc32c(&bytes[12..]);
                    bytes[8..12].copy_from_slice(&crc.to_le_bytes());
                    self.put(Place::sector(record.at), &bytes);
                }
                _ => {}
            }
        }
    }
}

/// Memory of up to 8 sectors: one of three buffers or the scratch, at any byte.
fn memory() -> impl Strategy<Value = Place> {
    (0..4_u64, 0..BUFFER_BYTES - SECTOR_BYTES).prop_map(|(which, offset)| match which {
        3 => scratch(offset),
        n => buffer(n, offset),
    })
}

fn room(place: Place) -> u64 {
    match place {
        Place::Buffer { offset, .. } => BUFFER_BYTES - offset,
        Place::Scratch { offset } => SCRATCH_FROM + SCRATCH_BYTES - offset,
        _ => BUFFER_BYTES,
    }
}

fn a_step() -> impl Strategy<Value = Vec<Step>> {
    let at = 0..MEDIUM_SECTORS - 8;
    prop_oneof![
        4 => (memory(), at.clone(), 1..8_u64).prop_map(|(from, pba, sectors)| {
            let bytes = (sectors * SECTOR_BYTES).min(room(from) / SECTOR_BYTES * SECTOR_BYTES);
            vec![step(from, sector(pba), bytes)]
        }),
        4 => (memory(), at.clone(), 0..SECTOR_BYTES, 1..BUFFER_BYTES - SECTOR_BYTES).prop_map(
            |(to, pba, skip, bytes)| {
                let from = Place::Medium { pba: Pba(pba), skip };
                vec![step(from, to, bytes.min(room(to)))]
            }
        ),
        2 => (memory(), memory(), 1..BUFFER_BYTES).prop_map(|(from, to, bytes)| {
            vec![step(from, to, bytes.min(room(from)).min(room(to)))]
        }),
        1 => (memory(), 1..BUFFER_BYTES)
            .prop_map(|(to, bytes)| vec![step(Place::Zeroes, to, bytes.min(room(to)))]),
        1 => (at.clone(), 1..8_u64).prop_map(|(pba, sectors)| {
            vec![step(Place::Zeroes, sector(pba), sectors * SECTOR_BYTES)]
        }),
        1 => (at.clone(), 1..8_u64).prop_map(|(pba, sectors)| {
            vec![step(Place::Padding, sector(pba), sectors * SECTOR_BYTES)]
        }),
        1 => (at, 1..8_u64).prop_map(|(pba, sectors)| {
            vec![step(sector(pba), Place::Discard, sectors * SECTOR_BYTES)]
        }),
        2 => Just(vec![Step::Order]),
        1 => Just(vec![Step::Barrier]),
    ]
}

/// A plan, perhaps with a record that covers all movements out of memory that stand side by side
/// from `first` on.
fn a_plan() -> impl Strategy<Value = Vec<Step>> {
    let steps = prop::collection::vec(a_step(), 1..8).prop_map(|steps| steps.concat());
    (
        steps,
        prop::option::of((0..8_usize, 0..MEDIUM_SECTORS - 2, 1..3_u64)),
    )
        .prop_map(|(mut steps, sealed)| {
            if let Some((first, at, sectors)) = sealed {
                let first = first.min(steps.len());
                let run = steps[first..].iter().take_while(|step| {
                    matches!(step, Step::Move(m)
                        if !matches!(m.from, Place::Medium { .. }))
                });
                let over = first..first + run.count();
                // The seal speaks of what the sources hold when the record is reached; with an
                // order before it that is the same for whoever carries out the steps.
                let seals = vec![Seal { at: 16, over }, Seal { at: 20, over: 0..0 }];
                steps.push(Step::Order);
                steps.push(record(at, vec![0x5a; index(sectors * SECTOR_BYTES)], seals));
            }
            steps
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn bytes_end_up_where_a_reader_of_one_step_after_another_puts_them(
        plans in prop::collection::vec(a_plan(), 1..6),
        polls in any::<u8>(),
    ) {
        let fill = |n: u64| -> Vec<u8> {
            (0..BUFFER_BYTES).map(|at| u8::try_from((at * 7 + n * 31) % 251).expect("small")).collect()
        };
        each_mover(None, |mut mover, file| {
            let mut buffers = Buffers::new();
            let mut model = Model {
                medium: vec![0; index(MEDIUM_BYTES)],
                scratch: vec![0; index(SCRATCH_BYTES)],
                buffers: (0..3).map(fill).collect(),
            };
            (0..3).for_each(|n| buffers.insert(internal(n), fill(n)));
            let mut early = Vec::new();
            for (n, steps) in plans.iter().enumerate() {
                let plan = plan(count(n), steps.clone());
                model.apply(&plan);
                mover.submit(plan, &mut buffers);
                if polls & (1 << (n % 8)) != 0 {
                    mover.poll(&mut buffers, &mut early);
                }
            }
            let mut finished = finish(&mut mover, &mut buffers);
            finished.extend(early);
            assert_eq!(finished.len(), plans.len());
            assert!(finished.values().all(Result::is_ok), "{finished:?}");
            assert!(read(&file, 0, MEDIUM_BYTES) == model.medium, "{}: medium", mover.name());
            for n in 0..3 {
                let held = buffers.piece(buffer(n, 0), BUFFER_BYTES);
                assert!(held == model.buffers[index(n)], "{}: buffer {n}", mover.name());
            }
            let half = SCRATCH_BYTES / 2;
            assert!(buffers.piece(scratch(0), half) == &model.scratch[..index(half)]);
            assert!(buffers.piece(scratch(half), half) == &model.scratch[index(half)..]);
        });
    }
}

#[test]
fn a_barrier_syncs_what_was_written_and_a_second_one_has_nothing_to_do() {
    each_mover(None, |mut mover, _file| {
        let mut buffers = Buffers::new();
        buffers.insert(internal(0), vec![1; 8192]);
        let write = || step(buffer(0, 0), sector(3), 8192);
        mover.submit(plan(1, vec![Step::Barrier, Step::Barrier]), &mut buffers);
        finish(&mut mover, &mut buffers);
        assert_eq!(
            mover.tally().syncs,
            1,
            "whoever was here before may not have synced"
        );
        mover.submit(plan(2, vec![write(), Step::Barrier, write()]), &mut buffers);
        mover.submit(plan(3, vec![Step::Barrier, Step::Barrier]), &mut buffers);
        mover.submit(plan(4, vec![Step::Barrier]), &mut buffers);
        finish(&mut mover, &mut buffers);
        assert_eq!(mover.tally().syncs, 3, "{}", mover.name());
    });
}

#[test]
fn what_a_barrier_covers_survives_a_power_cut_and_what_follows_it_has_not_begun() {
    use crate::medium::memory_store::Fate;
    let store = MemoryStore::new(MEDIUM_BYTES);
    let mut mover = Mover::plain(Box::new(store.clone()));
    let mut buffers = Buffers::new();
    buffers.insert(internal(0), vec![1; 4096]);
    // Operations: write, sync, write. The third fails, so the cut is at that point.
    store.fail_nth(3);
    let steps = vec![
        step(buffer(0, 0), sector(0), 4096),
        Step::Barrier,
        step(buffer(0, 0), sector(1), 4096),
    ];
    mover.submit(plan(1, steps), &mut buffers);
    let after = store.power_cut(&mut |_| Fate::Lost);
    let mut bytes = vec![9; 8192];
    after.read_at(&mut bytes, 0).expect("read");
    assert!(bytes[..4096].iter().all(|byte| *byte == 1));
    assert!(bytes[4096..].iter().all(|byte| *byte == 0));
}

#[test]
fn the_first_failed_write_or_sync_latches_the_mover() {
    let steps = || {
        vec![
            step(buffer(0, 0), sector(0), 4096),
            step(buffer(0, 0), sector(4), 8192),
            step(Place::Zeroes, sector(8), 8192),
            Step::Barrier,
            step(buffer(0, 0), sector(12), 4096),
            Step::Barrier,
        ]
    };
    // A zeroing that the ring fails is tried once more by the store: one operation more.
    for n in 1..=6 {
        each_mover(Some(n), |mut mover, _file| {
            let mut buffers = Buffers::new();
            buffers.insert(internal(0), vec![1; 8192]);
            mover.submit(plan(1, steps()), &mut buffers);
            let first = finish(&mut mover, &mut buffers);
            let Err(error) = &first[&PlanId(1)] else {
                assert!(mover.failure().is_none());
                assert!(mover.tally().zeroes == 1 && mover.name() == "ring", "{n}");
                return;
            };
            assert_eq!(error.errno, Some(libc::EIO));
            assert_ne!(error.operation, StoreOperation::Read);
            let before = mover.tally();
            mover.submit(plan(2, steps()), &mut buffers);
            mover.submit(plan(3, vec![]), &mut buffers);
            let later = finish(&mut mover, &mut buffers);
            assert_eq!(
                later[&PlanId(2)],
                Err(error.clone()),
                "{} {n}",
                mover.name()
            );
            assert_eq!(
                later[&PlanId(3)],
                Err(error.clone()),
                "{} {n}",
                mover.name()
            );
            assert_eq!(mover.failure(), Some(error));
            assert_eq!(mover.tally(), before, "nothing is tried after the failure");
        });
    }
}

#[test]
fn a_failed_read_for_a_reply_concerns_only_that_reply() {
    let reply = BufferId::Request(RequestId(7));
    let to = Place::Buffer {
        id: reply,
        offset: 0,
    };
    each_mover(None, |mut mover, _file| {
        let mut buffers = Buffers::new();
        buffers.insert_reply(reply, vec![0; 8192]);
        buffers.insert(internal(0), vec![1; 4096]);
        // Past the end of the image.
        mover.submit(
            plan(1, vec![step(sector(MEDIUM_SECTORS - 1), to, 8192)]),
            &mut buffers,
        );
        mover.submit(
            plan(2, vec![step(buffer(0, 0), sector(0), 4096)]),
            &mut buffers,
        );
        let finished = finish(&mut mover, &mut buffers);
        let error = finished[&PlanId(1)].clone().expect_err("past the end");
        assert_eq!(error.operation, StoreOperation::Read);
        let words = error.to_string();
        assert!(
            words.starts_with("reading 8192 bytes at byte 126976 of the image failed: "),
            "{words}"
        );
        assert_eq!(finished[&PlanId(2)], Ok(()));
        assert_eq!(mover.failure(), None);
    });
}

#[test]
fn a_failed_read_that_later_writes_may_depend_on_latches_the_mover() {
    each_mover(None, |mut mover, file| {
        let mut buffers = Buffers::new();
        buffers.insert(internal(0), vec![1; 8192]);
        let bad = step(sector(MEDIUM_SECTORS - 1), scratch(0), 8192);
        let steps = vec![bad, Step::Order, step(scratch(0), sector(0), 8192)];
        mover.submit(plan(1, steps), &mut buffers);
        mover.submit(
            plan(2, vec![step(buffer(0, 0), sector(0), 4096)]),
            &mut buffers,
        );
        let finished = finish(&mut mover, &mut buffers);
        assert!(finished.values().all(Result::is_err));
        assert_eq!(read(&file, 0, 4096), [0; 4096]);
    });
}

#[test]
fn no_write_reaches_past_the_end() {
    each_mover(None, |mut mover, file| {
        let mut buffers = Buffers::new();
        buffers.insert(internal(0), vec![1; 8192]);
        mover.submit(
            plan(
                1,
                vec![step(buffer(0, 0), sector(MEDIUM_SECTORS - 1), 8192)],
            ),
            &mut buffers,
        );
        assert!(finish(&mut mover, &mut buffers)[&PlanId(1)].is_err());
        assert_eq!(
            file.file().metadata().expect("metadata").len(),
            MEDIUM_BYTES
        );
    });
}

#[test]
fn buffers_that_the_drive_has_released_go_when_their_plans_are_over() {
    each_mover(None, |mut mover, file| {
        let mut buffers = Buffers::new();
        let mut made = plan(1, vec![step(Place::Zeroes, buffer(1, 0), 100)]);
        made.allocate.push((internal(1), 4096));
        mover.submit(made, &mut buffers);
        buffers.insert(internal(0), vec![1; 8192]);
        mover.submit(
            plan(2, vec![step(buffer(0, 0), sector(0), 8192)]),
            &mut buffers,
        );
        buffers.release(internal(0));
        assert_eq!(buffers.len(), if mover.name() == "plain" { 1 } else { 2 });
        finish(&mut mover, &mut buffers);
        assert_eq!(buffers.len(), 1);
        assert_eq!(read(&file, 0, 8192), [1; 8192]);
    });
}

#[test]
fn more_operations_than_the_ring_has_places_are_all_carried_out() {
    each_mover(None, |mut mover, _file| {
        let mut buffers = Buffers::new();
        buffers.insert(internal(0), vec![1; 4096]);
        mover.submit(
            plan(0, vec![step(buffer(0, 0), sector(5), 4096)]),
            &mut buffers,
        );
        for n in 1..=1000 {
            let mut plan = plan(n, vec![step(sector(5), buffer(n, 0), 4096)]);
            plan.allocate.push((internal(n), 4096));
            mover.submit(plan, &mut buffers);
        }
        assert!(finish(&mut mover, &mut buffers).values().all(Result::is_ok));
        for n in 1..=1000 {
            assert!(buffers.piece(buffer(n, 0), 4096) == [1; 4096], "buffer {n}");
        }
    });
}

#[test]
fn a_mover_is_chosen_by_its_word_and_a_wrong_word_is_told_the_right_ones() {
    for (word, choice, name) in [
        ("plain", MoverChoice::Plain, Some("plain")),
        ("ring", MoverChoice::Ring, Some("ring")),
        ("auto", MoverChoice::Auto, None),
    ] {
        assert_eq!(word.parse(), Ok(choice));
        let file = tempfile::tempfile().expect("a temporary file");
        match (Mover::open(file, choice), name) {
            (Ok(mover), Some(name)) => assert_eq!(mover.name(), name),
            (Ok(mover), None) => assert!(["plain", "ring"].contains(&mover.name())),
            (Err(error), _) => assert!(word == "ring" && error.to_string().contains("`plain`")),
        }
    }
    let error = "fast".parse::<MoverChoice>().expect_err("no such mover");
    let words = "unknown mover \"fast\": give `auto`, `ring` or `plain`";
    assert_eq!(error.to_string(), words);
}

#[test]
fn bytes_copied_over_themselves_across_the_edge_of_two_chunks_are_not_smeared() {
    for (from, to) in [(0, 1545), (1545, 0)] {
        each_mover(None, |mut mover, _file| {
            let mut buffers = Buffers::new();
            let bytes: Vec<u8> = (0..28_672_u32)
                .map(|n| (n % 251).to_le_bytes()[0])
                .collect();
            buffers.insert(internal(0), bytes.clone());
            let fill = step(buffer(0, 0), scratch(from), 28_672);
            let shift = step(scratch(from), scratch(to), 28_672);
            mover.submit(plan(1, vec![fill, shift]), &mut buffers);
            finish(&mut mover, &mut buffers);
            let held = Buffers::pieces(scratch(to), 28_672)
                .flat_map(|(piece, now)| buffers.piece(piece, now).to_vec());
            assert!(held.eq(bytes), "{} from {from} to {to}", mover.name());
        });
    }
}
