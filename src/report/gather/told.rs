//! Owns a summary as it is read back from JSON (`simulate --json`).
//!
//! What a report does not need may be missing or there in addition: summaries grow.

use std::collections::BTreeMap;

use serde::Deserialize;

/// A summary.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Told {
    /// Name of the profile.
    pub(in crate::report) profile: String,
    /// Bytes that the drive offers.
    #[serde(default)]
    pub(in crate::report) capacity_bytes: u64,
    /// Name of the workload or of the recording.
    pub(in crate::report) workload: String,
    /// Start of everything that looked random.
    #[serde(default)]
    pub(in crate::report) seed: Option<u64>,
    /// Requests answered.
    pub(in crate::report) answered: u64,
    /// When the last of them was answered.
    pub(in crate::report) answered_ns: u64,
    /// When the drive had nothing left to do.
    #[serde(default)]
    pub(in crate::report) drained_ns: Option<u64>,
    /// Latencies by operation.
    pub(in crate::report) operations: Vec<Latencies>,
    /// Where the time of all requests went, by the names of the parts.
    #[serde(default)]
    pub(in crate::report) causes: BTreeMap<String, u64>,
    /// What the arm did.
    #[serde(default)]
    pub(in crate::report) purposes: Vec<PurposeTold>,
    /// Bytes written by the host.
    #[serde(default)]
    pub(in crate::report) host_written_bytes: u64,
    /// Bytes written to the medium.
    #[serde(default)]
    pub(in crate::report) medium_written_bytes: u64,
    /// The one for each of the other, in thousandths.
    #[serde(default)]
    pub(in crate::report) write_amplification_milli: Option<u64>,
    /// The longest time without an answer.
    #[serde(default)]
    pub(in crate::report) longest_stall: Option<Stall>,
    /// Limits of hosts.
    #[serde(default)]
    pub(in crate::report) host_limits: Vec<Tripped>,
    /// The slowest requests.
    #[serde(default)]
    pub(in crate::report) slowest: Vec<SlowTold>,
    /// Throughput and fill over time.
    pub(in crate::report) over_time: Series,
    /// The drive at the end.
    #[serde(default)]
    pub(in crate::report) status: Status,
    /// How a served drive agreed with this replay of it.
    #[serde(default)]
    pub(in crate::report) agreement: Option<Agreement>,
}

/// Latencies of one operation.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Latencies {
    /// Which.
    pub(in crate::report) operation: String,
    /// Requests answered.
    pub(in crate::report) count: u64,
    /// Half took no longer.
    pub(in crate::report) p50_ns: u64,
    /// 90 % took no longer.
    pub(in crate::report) p90_ns: u64,
    /// 99 % took no longer.
    pub(in crate::report) p99_ns: u64,
    /// 99.9 % took no longer.
    pub(in crate::report) p999_ns: u64,
    /// The longest.
    pub(in crate::report) max_ns: u64,
}

/// What a purpose took.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct PurposeTold {
    /// Its word.
    pub(in crate::report) purpose: String,
    /// Bytes moved.
    pub(in crate::report) bytes: u64,
    /// Time of the arm.
    pub(in crate::report) arm_ns: u64,
}

/// A time without an answer.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Stall {
    /// When it began.
    pub(in crate::report) from_ns: u64,
    /// How long it was.
    pub(in crate::report) took_ns: u64,
    /// Why.
    pub(in crate::report) cause: String,
}

/// A limit of hosts.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Tripped {
    /// Which.
    pub(in crate::report) limit: String,
    /// How long a command may take by it.
    pub(in crate::report) limit_ns: u64,
    /// How often it was tripped.
    pub(in crate::report) trips: u64,
}

/// A slow request.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct SlowTold {
    /// What was asked.
    pub(in crate::report) operation: String,
    /// First byte.
    #[serde(default)]
    pub(in crate::report) offset: u64,
    /// How many bytes.
    #[serde(default)]
    pub(in crate::report) bytes: u64,
    /// When it came.
    pub(in crate::report) arrived_ns: u64,
    /// How long it took.
    pub(in crate::report) took_ns: u64,
    /// Why.
    pub(in crate::report) cause: String,
}

/// What happened over time.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Series {
    /// Width of a bucket.
    pub(in crate::report) bucket_ns: u64,
    /// The buckets.
    pub(in crate::report) buckets: Vec<Bucket>,
}

/// What happened in a stretch of time.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Bucket {
    /// Requests answered.
    pub(in crate::report) answered: u64,
    /// Bytes read by them.
    pub(in crate::report) read_bytes: u64,
    /// Bytes written by them.
    pub(in crate::report) written_bytes: u64,
    /// The longest that one of them took.
    pub(in crate::report) slowest_ns: u64,
    /// Log slots in use at the end.
    #[serde(default)]
    pub(in crate::report) staging_slots_used: u64,
    /// Bands with staged sectors at the end.
    #[serde(default)]
    pub(in crate::report) dirty_bands: u64,
}

/// The drive at the end.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Status {
    /// Log slots in use.
    #[serde(default)]
    pub(in crate::report) staging_slots_used: u64,
    /// Log slots there are.
    #[serde(default)]
    pub(in crate::report) staging_slots: u64,
    /// Bands with staged sectors.
    #[serde(default)]
    pub(in crate::report) dirty_bands: u64,
}

/// What a replay says of the drive that was served.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Agreement {
    /// Answers that came late.
    #[serde(default)]
    pub(in crate::report) late: u64,
    /// How late the latest was.
    #[serde(default)]
    pub(in crate::report) lag_ns_max: u64,
}
