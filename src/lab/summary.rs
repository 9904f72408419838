//! Owns what comes out of a run: figures over time, by operation, by cause and by purpose.
//!
//! Gathered answer by answer in constant memory; the end result is plain values. Always holds: the
//! causes add up to the latencies of all answers, and the purposes are the drive's own counters.

mod emptying;
mod text;
mod unwritten;

use serde::Serialize;

pub use self::emptying::Emptied;
use self::emptying::Emptying;
pub use self::unwritten::{NO_TIME, Unwritten};
use super::series::{Level, Series};
use crate::drive::request::{Breakdown, Completion, Status};
use crate::host::account::{Latencies, Ledger, Slow};
use crate::host::time_limits::Tripped;
use crate::medium::movement::Purpose;
use crate::profile::Profile;
use crate::time::{Duration, Instant};

/// What came out of a run. Times are nanoseconds of model time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Summary {
    /// Name of the profile.
    pub profile: String,
    /// Bytes that the drive offers.
    pub capacity_bytes: u64,
    /// Name of the workload or of the recording.
    pub workload: String,
    /// Start of everything that looked random; nothing where nothing did.
    pub seed: Option<u64>,
    /// Requests answered.
    pub answered: u64,
    /// When the last of them was answered.
    pub answered_ns: u64,
    /// When the drive had nothing left to do, if it was left alone for that long.
    pub drained_ns: Option<u64>,
    /// When a request first waited for room (cleaning in the foreground), if one did: the staging area
    /// or its map was full.
    pub room_ran_out_ns: Option<u64>,
    /// How the staging area emptied after that, if the drive was left alone: for each whole percent,
    /// when no more was in use first. Descending by percent.
    pub emptied: Vec<Emptied>,
    /// Latencies by operation; those that did not occur are left out.
    pub operations: Vec<Latencies>,
    /// How long an answer took on average.
    pub mean_ns: u64,
    /// The operations by stream, where there are several.
    pub streams: Vec<StreamUse>,
    /// Reads that met nothing written.
    pub reads_unwritten: Unwritten,
    /// Where the time of all requests went.
    pub causes: Causes,
    /// What the arm did, by purpose, all of them.
    pub purposes: Vec<PurposeUse>,
    /// Bytes written by the host.
    pub host_written_bytes: u64,
    /// Bytes written to the medium.
    pub medium_written_bytes: u64,
    /// Bytes written to the medium for each byte that the host wrote, in thousandths; nothing where
    /// the host wrote nothing.
    pub write_amplification_milli: Option<u64>,
    /// The longest time without an answer while a request was under way, and what ended it.
    pub longest_stall: Option<Stall>,
    /// The limits of hosts and how often the drive would have tripped each.
    pub host_limits: Vec<Tripped>,
    /// The slowest requests, slowest first.
    pub slowest: Vec<Slow>,
    /// Throughput and fill over time.
    pub over_time: Series,
    /// The drive at the end.
    pub status: Status,
}

/// How a stream fared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct StreamUse {
    /// Its name.
    pub stream: String,
    /// Latencies by operation; those that did not occur are left out.
    pub operations: Vec<Latencies>,
}

/// What was run.
#[derive(Clone, Debug)]
pub(super) struct About {
    /// Name of the workload or of the recording.
    pub(super) name: String,
    /// Start of everything that looked random; nothing where nothing did.
    pub(super) seed: Option<u64>,
    /// Names of its streams; nothing where there is only one.
    pub(super) streams: Vec<String>,
}

impl About {
    /// Of a recording.
    pub(super) fn recording(name: String) -> About {
        About {
            name,
            seed: None,
            streams: Vec::new(),
        }
    }
}

/// Sums over all answers of the parts of their breakdowns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Causes {
    /// Waiting for other host requests.
    pub queue_ns: u64,
    /// Waiting for a cleaning step that was under way.
    pub cleaning_ns: u64,
    /// Waiting for room.
    pub room_ns: u64,
    /// Waiting for a merge of the map.
    pub merge_ns: u64,
    /// Waiting for the write cache to be moved to the medium.
    pub destage_ns: u64,
    /// Moving the arm.
    pub seek_ns: u64,
    /// Waiting for the sector.
    pub rotation_ns: u64,
    /// Transfer.
    pub transfer_ns: u64,
    /// Out-of-band revolutions.
    pub out_of_band_ns: u64,
    /// Electronics.
    pub overhead_ns: u64,
    /// Stalled on request.
    pub stalled_ns: u64,
    /// Slowed on request.
    pub slowed_ns: u64,
}

/// What a purpose took.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PurposeUse {
    /// Its word.
    pub purpose: &'static str,
    /// Whether it writes to the medium.
    pub writes: bool,
    /// Bytes moved, padding included.
    pub bytes: u64,
    /// Time of the arm (or of the flash).
    pub arm_ns: u64,
}

/// A time without an answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Stall {
    /// When it began.
    pub from_ns: u64,
    /// How long it was.
    pub took_ns: u64,
    /// Where the time of the request went that was answered then.
    pub cause: String,
}

impl Causes {
    /// Each part with the words for it, in the order of the breakdown.
    pub fn parts(&self) -> [(&'static str, u64); 12] {
        [
            ("other requests", self.queue_ns),
            ("cleaning under way", self.cleaning_ns),
            ("room", self.room_ns),
            ("merges of the map", self.merge_ns),
            ("moving the cache", self.destage_ns),
            ("seek", self.seek_ns),
            ("rotation", self.rotation_ns),
            ("transfer", self.transfer_ns),
            ("out-of-band records", self.out_of_band_ns),
            ("electronics", self.overhead_ns),
            ("stalls on request", self.stalled_ns),
            ("slowness on request", self.slowed_ns),
        ]
    }

    fn add(&mut self, parts: &Breakdown) {
        // Of requests that queue up for hours the sum may be more than can be counted.
        let add = |sum: &mut u64, part: Duration| *sum = sum.saturating_add(part.0);
        add(&mut self.queue_ns, parts.queue);
        add(&mut self.cleaning_ns, parts.cleaning);
        add(&mut self.room_ns, parts.room);
        add(&mut self.merge_ns, parts.merge);
        add(&mut self.destage_ns, parts.destage);
        add(&mut self.seek_ns, parts.seek);
        add(&mut self.rotation_ns, parts.rotation);
        add(&mut self.transfer_ns, parts.transfer);
        add(&mut self.out_of_band_ns, parts.out_of_band);
        add(&mut self.overhead_ns, parts.overhead);
        add(&mut self.stalled_ns, parts.stalled);
        add(&mut self.slowed_ns, parts.slowed);
    }
}

/// Gathers what a summary says.
pub(super) struct Gatherer {
    ledger: Ledger,
    about: About,
    /// One for each stream, where there are several.
    streams: Vec<Ledger>,
    causes: Causes,
    series: Series,
    answered: u64,
    took_ns: u128,
    last: Instant,
    drained: Option<Instant>,
    room_ran_out: Option<Instant>,
    emptying: Option<Emptying>,
    /// Since when an answer is waited for.
    waited_since: Instant,
    stall: Option<(Duration, Completion)>,
}

impl Gatherer {
    pub(super) fn new(about: About) -> Gatherer {
        Gatherer {
            ledger: Ledger::new(),
            streams: about.streams.iter().map(|_| Ledger::new()).collect(),
            about,
            causes: Causes::default(),
            series: Series::default(),
            answered: 0,
            took_ns: 0,
            last: Instant::default(),
            drained: None,
            room_ran_out: None,
            emptying: None,
            waited_since: Instant::default(),
            stall: None,
        }
    }

    /// A request comes while none is under way.
    pub(super) fn begins(&mut self, at: Instant) {
        self.waited_since = at;
    }

    /// Notes how full the drive is.
    pub(super) fn level(&mut self, at: Instant, level: Level) {
        self.series.level(at, level);
        if let Some(emptying) = &mut self.emptying {
            emptying.level(at, level.staging_slots_used);
        }
    }

    /// The load is over, and the drive is left alone from now on.
    pub(super) fn left_alone(&mut self, at: Instant, (used, slots): (u64, u64)) {
        let mut emptying = Emptying::new(self.last, slots);
        emptying.level(at, used);
        self.emptying = Some(emptying);
    }

    /// Takes an answer in the moment in which it is due.
    pub(super) fn take(&mut self, completion: &Completion, stream: usize) {
        self.ledger.enter(completion);
        if let Some(ledger) = self.streams.get_mut(stream) {
            ledger.enter(completion);
        }
        self.causes.add(&completion.breakdown);
        let for_room = completion.breakdown.room.0;
        if for_room > 0 {
            let from = Instant(completion.due.0.saturating_sub(for_room));
            self.room_ran_out.get_or_insert(from);
        }
        self.series.take(completion);
        self.answered += 1;
        self.took_ns += u128::from(completion.due.since(completion.arrived).0);
        let waited = completion.due.since(self.waited_since);
        if self.stall.is_none_or(|(longest, _)| waited > longest) {
            self.stall = Some((waited, *completion));
        }
        self.waited_since = completion.due;
        self.last = completion.due;
    }

    /// The drive has nothing left to do.
    pub(super) fn drained(&mut self, at: Instant) {
        self.drained = Some(at);
    }

    /// Whether a request has waited for room.
    pub(super) fn has_run_out_of_room(&self) -> bool {
        self.room_ran_out.is_some()
    }

    pub(super) fn finish(self, profile: &Profile, status: &Status) -> Summary {
        let counters = &status.counters;
        let uses = counters.medium_bytes.iter().zip(&counters.medium_ns);
        let purposes: Vec<PurposeUse> = Purpose::ALL
            .into_iter()
            .zip(uses)
            .map(|(purpose, (&bytes, &arm_ns))| PurposeUse {
                purpose: purpose.word(),
                writes: writes(purpose),
                bytes,
                arm_ns,
            })
            .collect();
        let written = purposes.iter().filter(|purpose| purpose.writes);
        let medium_written_bytes = written.map(|purpose| purpose.bytes).sum();
        let host = u128::from(counters.host_written_bytes);
        let milli = (u128::from(medium_written_bytes) * 1000).checked_div(host);
        let account = self.ledger.snapshot();
        let streams = self.about.streams.into_iter().zip(&self.streams);
        Summary {
            profile: profile.name.clone(),
            capacity_bytes: profile.drive.capacity_bytes,
            workload: self.about.name,
            seed: self.about.seed,
            answered: self.answered,
            answered_ns: self.last.0,
            drained_ns: self.drained.map(|at| at.0),
            room_ran_out_ns: self.room_ran_out.map(|at| at.0),
            emptied: self.emptying.map_or(Vec::new(), Emptying::finish),
            operations: that_occurred(account.kinds),
            mean_ns: {
                let mean = self.took_ns / u128::from(self.answered.max(1));
                u64::try_from(mean).expect("no longer than the longest")
            },
            streams: streams
                .map(|(stream, ledger)| StreamUse {
                    stream,
                    operations: that_occurred(ledger.snapshot().kinds),
                })
                .collect(),
            reads_unwritten: Unwritten::of(counters),
            causes: self.causes,
            purposes,
            host_written_bytes: counters.host_written_bytes,
            medium_written_bytes,
            write_amplification_milli: milli.and_then(|milli| u64::try_from(milli).ok()),
            longest_stall: self.stall.map(|(took, completion)| Stall {
                from_ns: completion.due.0 - took.0,
                took_ns: took.0,
                cause: completion.cause(),
            }),
            host_limits: account.limits,
            slowest: account.slowest,
            over_time: self.series.finish(),
            status: status.clone(),
        }
    }
}

fn that_occurred(mut kinds: Vec<Latencies>) -> Vec<Latencies> {
    kinds.retain(|kind| kind.count > 0);
    kinds
}

/// Whether a purpose writes to the medium.
pub(super) fn writes(purpose: Purpose) -> bool {
    match purpose {
        Purpose::HostWrite
        | Purpose::Bypass
        | Purpose::Stage
        | Purpose::OutOfBand
        | Purpose::MapMerge
        | Purpose::CleanCopy
        | Purpose::CleanWrite => true,
        Purpose::HostRead
        | Purpose::PartialRead
        | Purpose::CleanRead
        | Purpose::CleanGather
        | Purpose::CleanVerify
        | Purpose::ReadAhead => false,
    }
}
