//! The thread and its door. Everybody waits for replies, nobody for time.

use super::*;
use crate::host::handle::{Answer, Ask, HostError, Reply};
use crate::host::stand_in::{StandIn, info};
use crate::image::open;
use crate::medium::memory_store::{Fate, MemoryStore};
use crate::medium::mover::MoverChoice;
use crate::medium::store::Store;
use crate::profile::Profile;
use crate::units::index;

const CAPACITY: u64 = 1 << 22;

fn start(mover: Mover, pace: Pace) -> (Handle, Owner) {
    let machine = StandIn::new(Duration::from_us(100), false);
    Owner::start(machine, mover, pace, info(CAPACITY), Limits::new(1 << 20)).expect("a thread")
}

fn write(handle: &Handle, offset: u64, data: Vec<u8>) -> Result<Answer, HostError> {
    let fua = false;
    handle.ask(Ask::Write { offset, data, fua })
}

#[test]
fn many_clients_read_what_they_wrote_with_either_mover_and_any_pace() {
    for choice in [MoverChoice::Plain, MoverChoice::Auto] {
        for pace in [Pace::Off, Pace::Real] {
            let file = tempfile::tempfile().expect("a temporary file");
            file.set_len(CAPACITY).expect("set its length");
            let mover = Mover::open(file, choice).expect("a mover");
            let (handle, owner) = start(mover, pace);
            std::thread::scope(|scope| {
                for client in 0..4_u8 {
                    let handle = handle.clone();
                    scope.spawn(move || {
                        for round in 0..50_u8 {
                            // Large ones go through the ring, small ones do not.
                            let bytes = if round % 10 == 0 { 200_000 } else { 4096 };
                            let _permit = handle.limits().take(bytes);
                            let offset = u64::from(client) << 20;
                            let data = vec![client * 50 + round; crate::units::index(bytes)];
                            let done = write(&handle, offset, data.clone());
                            assert_eq!(done, Ok(Answer::Done));
                            let answer = handle.ask(Ask::Read { offset, bytes });
                            assert!(answer == Ok(Answer::Data(data)), "client {client}");
                        }
                    });
                }
            });
            let stopped = owner.stop().expect("in good order");
            assert_eq!(stopped.account.kinds[1].count, 200);
            assert_eq!(stopped.tally.syncs, 1);
            assert_eq!(handle.limits().free_bytes(), 1 << 20);
        }
    }
}

#[test]
fn a_stopped_drive_has_everything_durable_and_answers_that_it_is_gone() {
    let store = MemoryStore::new(CAPACITY);
    let (handle, owner) = start(Mover::plain(Box::new(store.clone())), Pace::Off);
    write(&handle, 0, vec![8; 4096]).expect("write");
    owner.stop().expect("in good order");
    assert_eq!(handle.ask(Ask::Flush), Err(HostError::Gone));
    assert_eq!(handle.ask(Ask::Status), Err(HostError::Gone));
    let mut bytes = vec![0; 4096];
    store
        .power_cut(&mut |_| Fate::Lost)
        .read_at(&mut bytes, 0)
        .expect("read");
    assert_eq!(bytes, [8; 4096]);
}

#[test]
fn every_ask_is_answered_even_while_the_drive_stops() {
    for _ in 0..50 {
        let store = MemoryStore::new(CAPACITY);
        let (handle, owner) = start(Mover::plain(Box::new(store)), Pace::Off);
        let (told, replies) = crossbeam_channel::unbounded();
        std::thread::scope(|scope| {
            for _ in 0..2 {
                let (handle, told) = (handle.clone(), told.clone());
                scope.spawn(move || {
                    for _ in 0..200 {
                        let told = told.clone();
                        let reply = move |reply: Reply| told.send(reply.outcome).expect("open");
                        handle.send(Ask::Flush, Box::new(reply));
                    }
                });
            }
            scope.spawn(move || owner.stop().expect("in good order"));
        });
        let outcomes: Vec<_> = replies.try_iter().collect();
        assert_eq!(outcomes.len(), 400);
        let known = |o: &Result<_, _>| matches!(o, Ok(Answer::Done) | Err(HostError::Gone));
        assert!(outcomes.iter().all(known));
    }
}

#[test]
fn a_failed_drive_says_why_when_it_is_stopped() {
    let store = MemoryStore::new(CAPACITY);
    let (handle, owner) = start(Mover::plain(Box::new(store.clone())), Pace::Off);
    store.fail_nth(1);
    write(&handle, 4096, vec![8; 4096]).expect_err("the store fails");
    let error = owner.stop().expect_err("it has failed");
    let words = error.to_string();
    assert!(words.contains("writing 4096 bytes at byte 4096"), "{words}");
}

#[test]
fn a_panic_of_the_thread_is_acted_upon_and_a_good_end_is_not() {
    let count = |panics: bool| {
        let calls = Arc::new(std::sync::atomic::AtomicU32::new(0));
        let counted = Arc::clone(&calls);
        let thread = std::thread::spawn(move || {
            let _end = OnPanic(|| {
                counted.fetch_add(1, Ordering::SeqCst);
            });
            assert!(!panics, "as the test wants");
        });
        assert_eq!(thread.join().is_err(), panics);
        calls.load(Ordering::SeqCst)
    };
    assert_eq!((count(true), count(false)), (1, 0));
}

#[test]
fn what_was_cached_is_read_without_the_arm() {
    let text = Profile::built_in("tiny").expect("it is built in");
    let profile = Profile::from_toml("tiny", text).expect("it is valid");
    let store = MemoryStore::new(open::image_bytes(&profile).expect("it fits"));
    open::make(&store, &profile, [3; 16]).expect("an image");
    let drive = open::open(&store, false).expect("it opens").drive;
    let info = DriveInfo::new(&profile, false);
    let mover = Mover::plain(Box::new(store));
    let (handle, owner) =
        Owner::start(drive, mover, Pace::Off, info, Limits::default()).expect("a thread");
    let (far, bytes) = (4 << 20, 16_384);
    for offset in [0, far] {
        let data = vec![1; index(bytes)];
        let fua = true;
        handle
            .ask(Ask::Write { offset, data, fua })
            .expect("written");
    }
    let arm_time = |ask| {
        let (told, heard) = crossbeam_channel::bounded(1);
        let reply = Box::new(move |reply: Reply| told.send(reply).expect("somebody listens"));
        handle.send(ask, reply);
        let completion = heard.recv().expect("a reply").completion;
        let parts = completion.expect("the drive was asked").breakdown;
        parts.seek + parts.rotation
    };
    let read = |offset| Ask::Read { offset, bytes };
    arm_time(read(far));
    assert!(arm_time(read(0)) > Duration(0), "the arm came from afar");
    arm_time(read(far));
    let cache = Ask::Cache { offset: 0, bytes };
    assert!(arm_time(cache) > Duration(0), "it is a read like any other");
    assert_eq!(arm_time(read(0)), Duration(0));
    owner.stop().expect("an orderly end");
}
