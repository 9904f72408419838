//! An image of a small drive whose metadata is spoiled. Checking it writes nothing; opening it is
//! refused without a byte written, or gives a drive, which can be opened again once the opening is
//! settled and which serves or says why it stopped.
#![no_main]

use imbrex::drive::Drive;
use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::{check, open};
use imbrex::medium::buffers::Buffers;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::movement::RequestId;
use imbrex::medium::mover::Mover;
use imbrex::time::Instant;
use imbrex_fuzz::old_image::spoiled;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let store = spoiled(input);
    let mut progress = |_, _| {};
    let with_data = input.first().is_some_and(|first| *first >= 0x80);
    let checked = check::check(&store, with_data.then_some(&mut progress));
    let opened = open::open(&store, false);
    assert_eq!(store.sectors_at_stake(), 0, "looking writes nothing");
    assert_eq!(opened.is_ok(), checked.is_ok());
    match opened {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(mut opened) => {
            settle(&mut opened.drive, &store);
            open::open(&store, false).expect("a settled opening can be done again");
            serve(&mut opened.drive);
        }
    }
});

/// Carries out what the drive wants first.
fn settle(drive: &mut Drive, store: &MemoryStore) {
    let (mut mover, mut buffers) = (Mover::plain(Box::new(store.clone())), Buffers::new());
    let (mut effects, mut finished) = (Vec::new(), Vec::new());
    drive.drain_effects(&mut effects);
    for effect in effects {
        if let Effect::Move(plan) = effect {
            mover.submit(plan, &mut buffers);
            mover.poll(&mut buffers, &mut finished);
        }
    }
    assert!(finished.iter().all(|(_, result)| result.is_ok()));
}

/// Some requests of each kind, without bytes.
fn serve(drive: &mut Drive) {
    let capacity = drive.profile().drive.capacity_bytes;
    let mut now = Instant::default();
    for id in 1..9_u64 {
        let operation = match id % 4 {
            0 => Operation::Read,
            1 => Operation::Trim,
            2 => Operation::Flush,
            _ => Operation::Write { fua: true },
        };
        let (at, bytes) = match operation {
            Operation::Flush => (0, 0),
            _ => (id * 7 * 28_672 % (capacity - 262_144) / 4096 * 4096, 24_576),
        };
        let request = Request::new(RequestId(id), operation, at, bytes, capacity);
        drive.submit(now, request.expect("it lies on the drive"));
        for _ in 0..20 {
            let Some(next) = drive.next_deadline() else {
                break;
            };
            now = now.max(next.at);
            drive.advance(now);
        }
    }
}
