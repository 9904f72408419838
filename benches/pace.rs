//! How far from its moment an answer is given, and how many requests a second the loop carries.
//!
//! `cargo bench --bench pace` prints both for a stand-in drive over a scratch file: with real pace
//! the 50th and 99th percentile and the maximum of |answered - due|, with the pace off the requests
//! per second of 4 KiB at random places, 16 under way.
#![allow(missing_docs, clippy::print_stdout)] // a program for people

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Instant as Real;

use imbrex::drive::fault::{Fault, FaultError, FaultId, PowerLoss, Standing};
use imbrex::drive::request::{
    Breakdown, Completion, Deadline, Effect, Operation, Request, Status, Whereabouts,
};
use imbrex::host::clock::Pace;
use imbrex::host::handle::{Ask, DriveInfo, Handle, Reply};
use imbrex::host::limits::Limits;
use imbrex::host::machine::Machine;
use imbrex::host::owner::Owner;
use imbrex::medium::movement::{Movement, Place, Plan, PlanId, Purpose, Step};
use imbrex::medium::mover::{Mover, MoverChoice};
use imbrex::time::{Duration, Instant};
use imbrex::units::{Pba, SECTOR_BYTES};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

const CAPACITY: u64 = 1 << 28;
const DEPTH: u64 = 16;

/// Serves each request in a time drawn between 1 and 20 ms, or at once.
struct StandIn {
    random: ChaCha8Rng,
    effects: Vec<Effect>,
    plans: u64,
}

impl Machine for StandIn {
    fn submit(&mut self, now: Instant, request: Request) {
        let takes = Duration::from_us(1_000 + self.random.next_u64() % 19_000);
        let home = Place::sector(Pba(request.offset() / SECTOR_BYTES));
        let id = request.buffer();
        let buffer = Place::Buffer { id, offset: 0 };
        let (from, to) = match request.operation() {
            Operation::Read => (home, buffer),
            _ => (buffer, home),
        };
        let plan = PlanId(self.plans);
        self.plans += 1;
        self.effects.push(Effect::Move(Plan {
            id: plan,
            allocate: vec![],
            steps: vec![Step::Move(Movement {
                from,
                to,
                bytes: request.bytes(),
                purpose: Purpose::HostRead,
                buffered: false,
            })],
        }));
        self.effects.push(Effect::Complete(Completion {
            request: request.id(),
            operation: request.operation(),
            offset: request.offset(),
            bytes: request.bytes(),
            arrived: now,
            due: now + takes,
            needs: Some(plan),
            breakdown: Breakdown::default(),
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        }));
        self.effects.push(Effect::Release(id));
    }

    fn advance(&mut self, _now: Instant) {}

    fn next_deadline(&self) -> Option<Deadline> {
        None
    }

    fn drain_effects(&mut self, into: &mut Vec<Effect>) {
        into.append(&mut self.effects);
    }

    fn whereabouts(&self, _offset: u64, bytes: u64) -> Vec<(u64, Whereabouts)> {
        vec![(bytes, Whereabouts::Home)]
    }

    fn status(&self, _now: Instant) -> Status {
        Status::default()
    }

    fn failure(&self) -> Option<&str> {
        None
    }

    fn idle(&self) -> bool {
        true
    }

    fn shut_down(&mut self, _now: Instant) {}

    fn impose(&mut self, _now: Instant, _fault: Fault) -> Result<FaultId, FaultError> {
        Err(FaultError::TooMany)
    }

    fn lift(&mut self, _now: Instant, _which: Option<FaultId>) -> usize {
        0
    }

    fn leave_faults(&mut self, _now: Instant) {}

    fn standing(&self) -> Vec<Standing> {
        Vec::new()
    }

    fn power_lost(&self) -> Option<&PowerLoss> {
        None
    }

    fn succeed(&mut self, _former: &mut StandIn, _now: Instant) {}
}

fn start(pace: Pace, choice: MoverChoice) -> (Handle, Owner) {
    let file = tempfile::tempfile().expect("a scratch file");
    file.set_len(CAPACITY).expect("set its length");
    let machine = StandIn {
        random: ChaCha8Rng::seed_from_u64(1),
        effects: Vec::new(),
        plans: 0,
    };
    let info = DriveInfo {
        name: "stand-in".to_owned(),
        capacity_bytes: CAPACITY,
        logical_sector_bytes: 512,
        physical_sector_bytes: 4096,
        trim: true,
        fast_zeroes: true,
        write_cache: false,
        read_buffer_bytes: 0,
        read_only: false,
        discreet: false,
    };
    let mover = Mover::open(file, choice).expect("a mover");
    Owner::start(machine, mover, pace, info, Limits::default()).expect("a thread")
}

fn ask(random: &mut ChaCha8Rng, write: bool) -> Ask {
    let offset = random.next_u64() % (CAPACITY / SECTOR_BYTES) * SECTOR_BYTES;
    if write {
        let data = vec![7; 4096];
        let fua = false;
        return Ask::Write { offset, data, fua };
    }
    Ask::Read {
        offset,
        bytes: SECTOR_BYTES,
    }
}

/// The loop's own account of lag begins at 1 ms; here the exact moment is what counts, so the
/// answers are timed outside: started together with the drive's clock, up to a constant that the
/// smallest deviation takes away.
fn precision() {
    let (handle, owner) = start(Pace::Real, MoverChoice::Auto);
    let began = Real::now();
    let (told, replies) = mpsc::channel();
    let mut random = ChaCha8Rng::seed_from_u64(2);
    let mut deviations = Vec::new();
    for n in 0..600_u64 {
        let told = told.clone();
        let reply = move |reply: Reply| {
            let at = i128::try_from(began.elapsed().as_nanos()).expect("short");
            let due = reply.completion.expect("timing").due;
            let _ = told.send(at - i128::from(due.0));
        };
        handle.send(ask(&mut random, n % 2 == 0), Box::new(reply));
        if n >= 4 {
            deviations.push(replies.recv().expect("a reply"));
        }
    }
    deviations.sort_unstable();
    let least = deviations[0];
    let at = |percent: usize| (deviations[(deviations.len() - 1) * percent / 100] - least) / 1000;
    println!(
        "real pace, |answered - due| above the least: p50 {} µs, p99 {} µs, max {} µs",
        at(50),
        at(99),
        at(100)
    );
    owner.stop().expect("in good order");
}

fn throughput(choice: MoverChoice, write: bool, requests: u64) {
    let (handle, owner) = start(Pace::Off, choice);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let (told, replies) = mpsc::channel();
    let answered = Arc::new(AtomicU64::new(0));
    let mut run = |requests: u64, handle: &Handle| {
        for n in 0..requests {
            if n >= DEPTH {
                replies.recv().expect("a reply");
            }
            let (told, answered) = (told.clone(), Arc::clone(&answered));
            let reply = move |reply: Reply| {
                answered.fetch_add(u64::from(reply.outcome.is_ok()), Ordering::Relaxed);
                let _ = told.send(());
            };
            handle.send(ask(&mut random, write), Box::new(reply));
        }
        for _ in 0..DEPTH.min(requests) {
            replies.recv().expect("a reply");
        }
    };
    run(requests / 4, &handle);
    let began = Real::now();
    run(requests, &handle);
    let per_second = u128::from(requests) * 1_000_000_000 / began.elapsed().as_nanos();
    let word = if write { "writes" } else { "reads" };
    println!("pace off, {choice:?}: {per_second} {word} of 4 KiB a second");
    assert_eq!(answered.load(Ordering::Relaxed), requests / 4 + requests);
    owner.stop().expect("in good order");
}

fn main() {
    precision();
    for choice in [MoverChoice::Plain, MoverChoice::Ring] {
        for write in [false, true] {
            throughput(choice, write, 200_000);
        }
    }
}
