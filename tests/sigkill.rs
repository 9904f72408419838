//! SIGKILL in the middle of work, again and again, on one image: a power cut for the drive.
//!
//! Several connections write, flush and read; at a random moment the program is killed. After each
//! restart every sector holds a state that it went through since the last one promised to be durable,
//! and as a whole; the ledger goes on from there. Where there is no write cache, every answer to a
//! write is such a promise.
//!
//! Not covered: loss of what the operating system had not written out. The file under the drive is
//! that of a machine which goes on running.

#[path = "sigkill/ledger.rs"]
mod ledger;
mod nbd_client;
mod program;

use std::fs;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard};

use ledger::{BLOCK_BYTES, Ledger, SECTOR_BYTES};
use nbd_client::{Client, NoAnswer};
use program::{Served, imbrex};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng as _, SeedableRng as _};
use tempfile::TempDir;

/// Of each of the four drives: 32 in all.
const ROUNDS: u64 = 8;
const CONNECTIONS: usize = 6;
const BLOCKS_PER_SECTOR: usize = SECTOR_BYTES / BLOCK_BYTES;
/// Runs of sectors go to the connections in turn, so that all of them write to the same bands.
const RUN_SECTORS: usize = 16;
/// Runs that are written to, and the whole of the tiny drive.
const RUNS: usize = 128;

/// A drive and what it owes.
struct Trial {
    _folder: TempDir,
    image: PathBuf,
    /// Bytes from the beginning of a run to that of the next.
    stride: u64,
    write_cache: bool,
    ledger: Mutex<Ledger>,
    random: ChaCha8Rng,
}

#[test]
fn nothing_flushed_is_lost_or_torn_on_a_tiny_drive() {
    Trial::new("tiny", "", true, 1).run();
}

#[test]
fn nothing_acknowledged_is_lost_or_torn_on_a_tiny_drive_without_write_cache() {
    Trial::new("tiny", "", false, 2).run();
}

#[test]
fn nothing_flushed_is_lost_or_torn_on_a_desktop_drive() {
    Trial::new("desktop-5tb", "--capacity 1GiB", true, 3).run();
}

#[test]
fn nothing_acknowledged_is_lost_or_torn_on_a_desktop_drive_without_write_cache() {
    Trial::new("desktop-5tb", "--capacity 1GiB", false, 4).run();
}

impl Trial {
    fn new(profile: &str, options: &str, write_cache: bool, seed: u64) -> Trial {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        let text = imbrex(&format!("profile text {profile}"), &image).success();
        let (before, after) = text.split_once("[write_cache]").expect("it has one");
        let after = after.replacen("enabled = true", &format!("enabled = {write_cache}"), 1);
        let file = folder.path().join("profile.toml");
        fs::write(&file, format!("{before}[write_cache]{after}")).expect("written");
        let arguments = format!("create {{}} --profile {} {options}", file.display());
        imbrex(arguments.trim_end(), &image).success();
        let told = imbrex("inspect {} --json", &image).json();
        let capacity = told["capacity_bytes"].as_u64().expect("a number");
        let sectors = RUNS * RUN_SECTORS;
        Trial {
            _folder: folder,
            image,
            stride: capacity / bytes_of(RUNS * SECTOR_BYTES) * bytes_of(SECTOR_BYTES),
            write_cache,
            ledger: Mutex::new(Ledger::new(sectors)),
            random: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    fn run(mut self) {
        let mut undecided = 0;
        for round in 0..ROUNDS {
            let served = Served::start(&self.image, "--pace off");
            self.verify(&mut served.client());
            self.load(served, round);
            undecided += self.ledger().undecided();
            let told = imbrex("check {} --data", &self.image);
            assert_eq!(told.code, Some(0), "after round {round}: {told:#?}");
        }
        let served = Served::start(&self.image, "--pace off");
        self.verify(&mut served.client());
        served.stop().success();
        // Rounds in which nothing was at stake, or no band was cleaned, prove nothing.
        assert!(undecided > 0, "no cut came while anything was under way");
        let told = imbrex("inspect {} --json", &self.image).json();
        assert!(told["written_bands"].as_u64() > Some(0), "{told:#}");
        imbrex("check {} --data", &self.image).success();
    }

    /// Load from all connections until the power cut.
    fn load(&mut self, served: Served, round: u64) {
        let enough = 200 + self.random.next_u32() % 2000;
        // In some rounds the cut comes while the drive is left alone and cleans, in others under way.
        let quiet = round % 3 == 2;
        let greetings = self.random.next_u32() % 100;
        let answered = AtomicU32::new(0);
        let clients: Vec<Client> = (0..CONNECTIONS).map(|_| served.client()).collect();
        let seeds: Vec<u64> = clients.iter().map(|_| self.random.next_u64()).collect();
        let (tell, told) = crossbeam_channel::bounded(1);
        std::thread::scope(|scope| {
            for (number, (client, seed)) in clients.into_iter().zip(seeds).enumerate() {
                let (trial, answered, tell) = (&*self, &answered, tell.clone());
                scope.spawn(move || {
                    let mut worker = Worker {
                        trial,
                        client,
                        number,
                        random: ChaCha8Rng::seed_from_u64(seed),
                    };
                    while worker.step().is_ok() {
                        if answered.fetch_add(1, Ordering::Relaxed) >= enough {
                            // The first is heard, the others need not be.
                            let _ = tell.try_send(());
                            if quiet {
                                break;
                            }
                        }
                    }
                });
            }
            drop(tell);
            told.recv().expect("the drive answers until it is cut off");
            // Where in its work the drive is cut off is left to chance: so many connections later,
            // none of which asks it for anything.
            for _ in 0..greetings {
                drop(served.client());
            }
            served.cut();
        });
    }

    /// Every sector holds what it may.
    fn verify(&self, client: &mut Client) {
        let mut ledger = self.ledger();
        for run in 0..RUNS {
            let sectors = run * RUN_SECTORS..(run + 1) * RUN_SECTORS;
            let offset = self.offset(sectors.start * BLOCKS_PER_SECTOR);
            let found = client.read(offset, length(RUN_SECTORS * SECTOR_BYTES));
            let found = found.expect("it can be read");
            for (sector, found) in sectors.zip(found.chunks(SECTOR_BYTES)) {
                ledger.after_cut(sector, found);
            }
        }
    }

    /// Where a block of the ledger lies on the drive.
    fn offset(&self, block: usize) -> u64 {
        let run_blocks = RUN_SECTORS * BLOCKS_PER_SECTOR;
        let run = bytes_of(block / run_blocks);
        run * self.stride + bytes_of(block % run_blocks * BLOCK_BYTES)
    }

    fn ledger(&self) -> MutexGuard<'_, Ledger> {
        self.ledger.lock().expect("no connection has failed")
    }
}

/// A connection and the sectors that it alone writes to.
struct Worker<'a> {
    trial: &'a Trial,
    client: Client,
    number: usize,
    random: ChaCha8Rng,
}

impl Worker<'_> {
    /// One request. An error means that the drive was cut off.
    fn step(&mut self) -> Result<(), NoAnswer> {
        let outcome = match self.random.next_u32() % 16 {
            0 => self.flush(),
            1..=3 => self.write_through(),
            4 => self.clear(),
            5..=6 => self.read_back(),
            _ => self.write(),
        };
        if let Err(NoAnswer::Error(number)) = outcome {
            panic!("a working drive answered with error {number}");
        }
        outcome
    }

    fn write(&mut self) -> Result<(), NoAnswer> {
        let blocks = self.pick_blocks();
        let data = self.trial.ledger().write(blocks.clone());
        self.client.write(self.trial.offset(blocks.start), &data)?;
        self.acknowledge(&blocks, !self.trial.write_cache);
        Ok(())
    }

    fn write_through(&mut self) -> Result<(), NoAnswer> {
        let blocks = self.pick_blocks();
        let data = self.trial.ledger().write(blocks.clone());
        let offset = self.trial.offset(blocks.start);
        self.client.write_through(offset, &data)?;
        self.acknowledge(&blocks, true);
        Ok(())
    }

    /// Zeroes or trims whole sectors: the drive of both profiles forgets either way.
    fn clear(&mut self) -> Result<(), NoAnswer> {
        let sectors = self.pick(BLOCKS_PER_SECTOR);
        let offset = self.trial.offset(sectors.start);
        self.trial.ledger().clear(sectors.clone());
        if self.random.next_u32().is_multiple_of(2) {
            self.client
                .zero(offset, length(sectors.len() * BLOCK_BYTES))?;
        } else {
            self.client
                .trim(offset, length(sectors.len() * BLOCK_BYTES))?;
        }
        self.acknowledge(&sectors, false);
        Ok(())
    }

    fn flush(&mut self) -> Result<(), NoAnswer> {
        let snapshot = self.trial.ledger().before_flush();
        self.client.flush()?;
        self.trial.ledger().flushed(&snapshot);
        Ok(())
    }

    fn read_back(&mut self) -> Result<(), NoAnswer> {
        let blocks = self.pick(BLOCKS_PER_SECTOR);
        let offset = self.trial.offset(blocks.start);
        let found = self
            .client
            .read(offset, length(blocks.len() * BLOCK_BYTES))?;
        let first = blocks.start / BLOCKS_PER_SECTOR;
        self.trial.ledger().expect_newest(first, &found);
        Ok(())
    }

    fn acknowledge(&self, blocks: &Range<usize>, durable: bool) {
        self.trial.ledger().acknowledge(blocks, durable);
    }

    /// Mostly whole sectors, sometimes parts of them.
    fn pick_blocks(&mut self) -> Range<usize> {
        let parts = self.random.next_u32().is_multiple_of(4);
        self.pick(if parts { 1 } else { BLOCKS_PER_SECTOR })
    }

    /// A range in one of the runs of this connection, in multiples of `unit` blocks.
    fn pick(&mut self, unit: usize) -> Range<usize> {
        let own = (RUNS - self.number).div_ceil(CONNECTIONS);
        let run = self.below(own) * CONNECTIONS + self.number;
        let units = RUN_SECTORS * BLOCKS_PER_SECTOR / unit;
        let first = self.below(units);
        // Short ones are more frequent.
        let most = (units - first).min(1 << self.below(8));
        let count = 1 + self.below(most);
        let start = (run * units + first) * unit;
        start..start + count * unit
    }

    fn below(&mut self, limit: usize) -> usize {
        let random = usize::try_from(self.random.next_u32()).expect("64-bit host");
        random % limit
    }
}

fn bytes_of(count: usize) -> u64 {
    u64::try_from(count).expect("64-bit host")
}

fn length(bytes: usize) -> u32 {
    u32::try_from(bytes).expect("requests are small")
}
