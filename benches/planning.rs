//! How fast the drive plans, with neither bytes nor clock, on one core.
//!
//! Times are those of the processor, so that whoever else uses the machine does not count.
//! `cargo bench --bench planning` prints: the time and the memory of filling the desktop's
//! staging area and draining it; host operations a second for staged random writes and for reads; and what an
//! operation costs by how many extents the map holds, how much that has grown, and how much their logarithm.
//! `cargo bench --bench planning -- extents` prints the last alone: medians of several processes, each of
//! which fills one drive from the smallest map to the largest (`-- extents-once` is one of them).
#![allow(missing_docs, clippy::print_stdout)] // a program for people

use std::process::Command;

use imbrex::drive::Drive;
use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open;
use imbrex::lab::simulation::{self, Observers};
use imbrex::lab::workload::Workload;
use imbrex::medium::movement::RequestId;
use imbrex::profile::Profile;
use imbrex::time::Instant;
use imbrex::translation::Translation;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

const PAGE: u64 = 4096;
const UNDER_WAY: usize = 64;
/// Extents that the map holds at least when the measurement begins; the smallest reaches ten thousand in it.
const SIZES: [u64; 5] = [6_000, 100_000, 1_000_000, 3_000_000, 10_000_000];
/// How often each of them is measured.
const ROUNDS: usize = 7;

fn desktop() -> Profile {
    let text = Profile::built_in("desktop-5tb").expect("a shipped profile");
    Profile::from_toml("desktop-5tb", text).expect("it is valid")
}

fn main() {
    let told = |word: &str| std::env::args().any(|given| given == word);
    if told("extents-once") {
        extents_once();
        return;
    }
    if !told("extents") {
        fill_and_drain();
        operations_a_second();
    }
    cost_by_extents();
}

fn fill_and_drain() {
    let mut profile = desktop();
    profile.write_cache.enabled = false;
    let words = "uniform write 4KiB 33744-requests then-drain";
    let (seconds, _) = simulated(&profile, words);
    println!("fill the desktop's staging area with 33,744 random writes, then drain:");
    println!("  {seconds:.2} s, peak memory {} MB\n", peak_kb() / 1000);
}

fn operations_a_second() {
    println!("host operations a second, random 4 KiB requests on the desktop:");
    for (what, cached, depth) in [
        ("write cache on, 1 under way", true, 1),
        ("write cache on, 64 under way", true, 64),
        ("write cache off, 1 under way", false, 1),
        ("write cache off, 64 under way", false, 64),
    ] {
        let mut profile = desktop();
        profile.write_cache.enabled = cached;
        // Few enough that none waits for cleaning.
        let count = if cached {
            1_000_000
        } else {
            30_000 * depth.min(30)
        };
        let words = format!("uniform write 4KiB {count}-requests {depth}-under-way");
        let (seconds, answered) = simulated(&profile, &words);
        println!("  writes, {what:<32}{:>12.0}", float(answered) / seconds);
    }
    for depth in [1, 64] {
        let mut profile = desktop();
        profile.drive.formatted = true;
        let words = format!("uniform read 4KiB 200000-requests {depth}-under-way");
        let (seconds, answered) = simulated(&profile, &words);
        let what = format!("from home, {depth} under way");
        println!("  reads,  {what:<32}{:>12.0}", float(answered) / seconds);
    }
    println!();
    let mut profile = desktop();
    profile.write_cache.enabled = false;
    profile.drive.queue_depth = 256;
    let words = "uniform write 4KiB 30000-requests 4096-under-way";
    let (seconds, answered) = simulated(&profile, words);
    println!("writes through, 4,096 under way, 256 of them in the drive:");
    println!("  {:>46.0} a second\n", float(answered) / seconds);
}

/// Seconds of real time, and requests answered.
fn simulated(profile: &Profile, words: &str) -> (f64, u64) {
    let workload = Workload::from_words(words).expect("the words are known");
    let begun = processor_s();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: None,
    };
    let summary = simulation::run(
        open::imagined(profile).expect("it fits"),
        &workload,
        observers,
    )
    .expect("it runs");
    ((processor_s() - begun), summary.answered)
}

fn cost_by_extents() {
    println!("staged random writes by extents held, write cache on, medians of {ROUNDS} rounds:");
    println!(
        "  {:>12}{:>16}{:>16}{:>12}{:>10}{:>12}",
        "extents", "ns/operation", "operations/s", "memory MB", "growth", "logarithm"
    );
    let rounds: Vec<Vec<[f64; 3]>> = (0..ROUNDS).map(|_| measured_once()).collect();
    let of_rounds =
        |size: usize, figure: usize| median(rounds.iter().map(|round| round[size][figure]));
    for size in 0..SIZES.len() {
        let (extents, ns, memory) = (of_rounds(size, 0), of_rounds(size, 1), of_rounds(size, 2));
        let growth = median(rounds.iter().map(|round| round[size][1] / round[0][1]));
        println!(
            "  {extents:>12.0}{ns:>16.0}{:>16.0}{memory:>12.0}{growth:>10.2}{:>12.2}",
            1e9 / ns,
            extents.ln() / of_rounds(0, 0).ln()
        );
    }
}

/// Extents, nanoseconds and megabytes by size, as another process has measured them.
fn measured_once() -> Vec<[f64; 3]> {
    let this = std::env::current_exe().expect("a program knows where it is");
    let output = Command::new(this).arg("extents-once").output();
    let output = output.expect("what runs can be run");
    assert!(output.status.success(), "{output:?}");
    let text = String::from_utf8(output.stdout).expect("figures are text");
    let figures = |line: &str| {
        let mut words = line.split(' ').map(|word| word.parse().expect("a figure"));
        std::array::from_fn(|_| words.next().expect("three figures"))
    };
    text.lines().map(figures).collect()
}

fn extents_once() {
    let mut profile = desktop();
    profile.drive.capacity_bytes = 4_000_000_000_000 / PAGE * PAGE;
    let staging = profile.staging.as_mut().expect("the desktop stages");
    staging.extents = 40_000_000;
    staging.slots = 100_000;
    staging.bytes = 80_000_000_000 / PAGE * PAGE;
    let mut loop_ = ClosedLoop::new(&profile);
    for extents in SIZES {
        // Nearly each write adds an extent: a small map does not stay small for long, so several are timed.
        let entries = (extents / 3_000).min(32);
        let drives = 32 / entries;
        let timings: Vec<[f64; 2]> = (0..drives)
            .map(|drive| {
                if drive > 0 {
                    loop_ = ClosedLoop::new(&profile);
                }
                while loop_.extents() < extents {
                    loop_.write(1_000);
                }
                timed(&mut loop_, entries)
            })
            .collect();
        let [extents, ns] =
            [0, 1].map(|figure| median(timings.iter().map(|timing| timing[figure])));
        println!("{extents} {ns} {}", peak_kb() / 1000);
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// Extents held and nanoseconds that a write takes, from one entry of the staging area to another, so many
/// further on: most of the time goes into entries, each of which holds the writes of a while. A function of its
/// own, so that what counts instructions can be told to count these.
#[inline(never)]
fn timed(loop_: &mut ClosedLoop, entries: u64) -> [f64; 2] {
    loop_.write_an_entry();
    let (begun, held, written) = (processor_s(), loop_.extents(), loop_.requests);
    for _ in 0..entries {
        loop_.write_an_entry();
    }
    let ns = (processor_s() - begun) * 1e9 / float(loop_.requests - written);
    [float(held.midpoint(loop_.extents())), ns]
}

/// Keeps writes under way on a drive, without any account of them.
struct ClosedLoop {
    drive: Drive,
    now: Instant,
    capacity: u64,
    random: ChaCha8Rng,
    requests: u64,
    pending: Vec<Instant>,
    effects: Vec<Effect>,
}

impl ClosedLoop {
    fn new(profile: &Profile) -> ClosedLoop {
        ClosedLoop {
            drive: open::imagined(profile).expect("its parts fit"),
            now: Instant::default(),
            capacity: profile.drive.capacity_bytes,
            random: ChaCha8Rng::seed_from_u64(1),
            requests: 0,
            pending: Vec::new(),
            effects: Vec::new(),
        }
    }

    fn extents(&self) -> u64 {
        self.drive
            .translation()
            .map_or(0, Translation::extents_used)
    }

    /// Writes until the map has got another entry.
    fn write_an_entry(&mut self) {
        let before = self.extents();
        while self.extents() == before {
            self.write(1);
        }
    }

    fn write(&mut self, count: u64) {
        let last = self.requests + count;
        while self.requests < last {
            while self.pending.len() < UNDER_WAY {
                self.submit();
            }
            let due = self.pending.iter().min().copied();
            let deadline = self.drive.next_deadline().map(|deadline| deadline.at);
            let next = [due, deadline].into_iter().flatten().min();
            self.now = self.now.max(next.expect("something is under way"));
            self.drive.advance(self.now);
            self.collect();
            let now = self.now;
            self.pending.retain(|due| *due > now);
        }
    }

    fn submit(&mut self) {
        self.requests += 1;
        let offset = self.random.next_u64() % (self.capacity / PAGE) * PAGE;
        let write = Operation::Write { fua: false };
        let id = RequestId(self.requests);
        let request = Request::new(id, write, offset, PAGE, self.capacity).expect("in bounds");
        self.drive.submit(self.now, request);
        // Not answered before the drive says when.
        self.pending.push(Instant(u64::MAX));
        self.collect();
    }

    fn collect(&mut self) {
        assert_eq!(self.drive.failure(), None);
        self.drive.drain_effects(&mut self.effects);
        for effect in self.effects.drain(..) {
            if let Effect::Complete(completion) = effect {
                let open = self.pending.iter_mut().find(|due| due.0 == u64::MAX);
                *open.expect("it was submitted") = completion.due;
            }
        }
    }
}

/// Seconds that this thread has had of a processor.
fn processor_s() -> f64 {
    let clock = nix::time::ClockId::CLOCK_THREAD_CPUTIME_ID;
    let time = nix::time::clock_gettime(clock).expect("Linux has that clock");
    std::time::Duration::from(time).as_secs_f64()
}

/// Most memory that the process has had, in kilobytes.
fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let mut words = line.unwrap_or_default().split_whitespace();
    words.find_map(|word| word.parse().ok()).unwrap_or(0)
}

fn float(count: u64) -> f64 {
    f64::from(u32::try_from(count).expect("fewer than four billion"))
}
