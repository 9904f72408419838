//! How long a trace of ten million requests takes from text to the end of its replay, on one core.
//!
//! `cargo bench --bench trace` prints times of the processor and the peak of memory, for the import of a
//! table and for its replay on the desktop and on the control. Another number of requests can be given.
#![allow(missing_docs, clippy::print_stdout)] // a program for people

use std::fs::File;
use std::io::Read;

use imbrex::image::open;
use imbrex::lab::import::table::Columns;
use imbrex::lab::import::{BadLines, Format, Lines, Options, import};
use imbrex::lab::playback::Playback;
use imbrex::lab::recording::RecordingWriter;
use imbrex::lab::replay::How;
use imbrex::lab::simulation::{self, Observers};
use imbrex::profile::Profile;

const REQUESTS: u64 = 10_000_000;

fn main() {
    let asked = std::env::args().find_map(|word| word.parse().ok());
    let requests = asked.unwrap_or(REQUESTS);
    let folder = tempfile::tempdir().expect("a scratch folder");
    let path = folder.path().join("trace.parquet");
    let begun = processor_s();
    let text = Text::new(requests);
    let mut lines = Lines::of(text).expect("made as it is read");
    let options = Options {
        format: Format::Table(Columns::host_disk()),
        device: None,
        bad_lines: BadLines::Stop,
        bad_shown: 0,
        hide: None,
    };
    let to = File::create(&path).expect("a new file");
    let to = RecordingWriter::new(to, &[]).expect("it begins");
    let report = import(&mut lines, &options, to).expect("every line makes sense");
    let size = path.metadata().expect("it was written").len();
    println!("{} requests", report.requests);
    let imported = processor_s() - begun;
    println!(
        "  import {imported:.1} s, {} MB of file, peak memory {} MB",
        size / 1_000_000,
        peak_kb() / 1000
    );
    for name in ["desktop-5tb", "control-5tb"] {
        let text = Profile::built_in(name).expect("a shipped profile");
        let profile = Profile::from_toml(name, text).expect("it is valid");
        let begun = processor_s();
        let playback = Playback::open(&path).expect("it was just written");
        let observers = Observers {
            progress: &mut |_| {},
            jobs: None,
            answers: None,
        };
        let summary = simulation::play_back(
            open::imagined(&profile).expect("it fits"),
            &playback,
            How::default(),
            observers,
        );
        let summary = summary.expect("it fits");
        println!(
            "  replay on {name} {:.1} s ({} answered, {} s of model time), peak memory {} MB",
            processor_s() - begun,
            summary.answered,
            summary.answered_ns / 1_000_000_000,
            peak_kb() / 1000
        );
    }
}

/// A trace as text, made as it is read: bursts of mostly sequential requests with pauses, as servers see
/// them, one request in two a read, over half a terabyte.
struct Text {
    left: u64,
    time: u64,
    state: u64,
    next: u64,
    line: Vec<u8>,
    read: usize,
}

impl Text {
    fn new(requests: u64) -> Text {
        Text {
            left: requests,
            time: 128_166_372_003_061_629,
            state: 0x9e37_79b9_7f4a_7c15,
            next: 0,
            line: Vec::new(),
            read: 0,
        }
    }

    fn dice(&mut self, below: u64) -> u64 {
        // A generator by shifts (common practice): good enough for a load, and no cost to measure.
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        self.state % below
    }

    fn next_line(&mut self) {
        use std::io::Write as _;
        let sectors = [8, 8, 16, 64, 128][usize::try_from(self.dice(5)).expect("below five")];
        if self.dice(4) == 0 {
            self.next = self.dice(1_000_000_000 / 128) * 128;
        }
        // 12 ms on average, in units of 100 ns.
        self.time += if self.dice(1000) == 0 {
            60_000_000
        } else {
            self.dice(120_000)
        };
        let word = if self.dice(2) == 0 { "Read" } else { "Write" };
        let (offset, bytes) = (self.next * 512, sectors * 512);
        self.next += sectors;
        self.line.clear();
        let line =
            format_args!("{},server,0,{word},{offset},{bytes},4130\n", self.time).to_string();
        self.line.write_all(line.as_bytes()).expect("to memory");
    }
}

impl Read for Text {
    fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
        let mut taken = 0;
        while taken < to.len() {
            if self.read == self.line.len() {
                if self.left == 0 {
                    break;
                }
                self.left -= 1;
                self.next_line();
                self.read = 0;
            }
            let part = (to.len() - taken).min(self.line.len() - self.read);
            to[taken..taken + part].copy_from_slice(&self.line[self.read..self.read + part]);
            taken += part;
            self.read += part;
        }
        Ok(taken)
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
