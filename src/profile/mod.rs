//! Owns what a drive is: a complete, valid, immutable [`Profile`].
//!
//! A `Profile` has no optional physical number and cannot be half-valid: it is made from TOML in two
//! steps (a raw mirror, then validation that reports every problem at once). Nothing here computes
//! where things lie (`medium`) or how long they take (`mechanics`).
//!
//! Reading order: quantities, the list of keys, the raw mirror, the reader of single keys, the rules
//! between keys, the step that joins them (`check`), the way back to text (`render`), changes by key
//! (`changed`), scaling.

mod built_in;
pub mod changed;
mod check;
pub mod error;
pub mod keys;
mod measure;
pub mod quantity;
pub(crate) mod raw;
pub(crate) mod reader;
mod relations;
mod render;
mod room;
pub mod scale;
pub(crate) mod words;

use crate::time::Duration;

/// A complete and valid description of a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Profile {
    /// Short name, shown to people and used as the NBD export description.
    pub name: String,
    /// What the host sees.
    pub drive: Drive,
    /// The mechanism.
    pub platters: Platters,
    /// How tracks form bands.
    pub bands: Bands,
    /// The persistent cache; present exactly for a drive-managed drive.
    pub staging: Option<Staging>,
    /// How bands are cleaned (unused by a conventional drive).
    pub cleaning: Cleaning,
    /// The volatile write cache.
    pub write_cache: WriteCache,
    /// Bytes that the drive reads ahead of a sequential reader; 0 switches it off.
    pub read_ahead_bytes: u64,
    /// What discard and zeroing do.
    pub trim: Trim,
}

/// What the host sees.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drive {
    /// Bytes offered to the host; a multiple of 4096.
    pub capacity_bytes: u64,
    /// Logical sector: 512 or 4096 bytes. The physical sector is always 4096.
    pub logical_sector_bytes: u32,
    /// How the drive behaves towards the host.
    pub personality: Personality,
    /// Requests the drive takes into its queue at once.
    pub queue_depth: u32,
    /// Order in which queued requests are served.
    pub queue_order: QueueOrder,
    /// Rate of the host interface in bytes per second.
    pub interface_bytes_per_s: u64,
    /// Fixed time the drive's electronics add to each request.
    pub command_overhead: Duration,
    /// Whether a new drive counts every band as written (with zeroes). `false`: bands that were
    /// never written are known as such, read as zeroes without touching a platter, and cost
    /// nothing to clean.
    pub formatted: bool,
}

/// How the drive behaves towards the host.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Personality {
    /// Shingled inside, rewrite-anywhere outside.
    DriveManaged,
    /// The control: same mechanics, tracks do not overlap, no translation.
    Conventional,
}

/// Order in which queued requests are served.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QueueOrder {
    /// First come, first served.
    Arrival,
    /// The request with the shortest positioning time first.
    Nearest,
    /// The next one in the direction of the arm; it turns where nothing lies ahead.
    Elevator,
}

/// The mechanism.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Platters {
    /// Revolutions per minute times 1,000 (5,900 rpm is 5,900,000).
    pub rpm_milli: u64,
    /// Recording surfaces, one head each.
    pub surfaces: u32,
    /// Recording zones from the outer to the inner diameter; never empty.
    pub zones: Vec<RecordingZone>,
    /// Time of an arm move by its length.
    pub seek: SeekCurve,
    /// Added to a move that ends in a write.
    pub write_settle: Duration,
    /// Time to change heads without moving the arm.
    pub head_switch: Duration,
    /// Whether what is to be read or written on a track may begin with any of its sectors.
    pub start_anywhere: bool,
}

/// A run of tracks with the same number of sectors, on every surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecordingZone {
    /// Tracks of this zone on each surface.
    pub tracks: u32,
    /// Physical sectors on each track.
    pub sectors_per_track: u32,
}

/// Seek time by distance: points joined by a square-root law up to a knee and straight lines after.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SeekCurve {
    /// `base + root * sqrt(u)` for `0 < u <= knee`, `far_base + slope * u` beyond, where `u` is
    /// the distance as a share of the full stroke; 0 for no move.
    RootThenLine {
        /// Time of an infinitely short move.
        base: Duration,
        /// Coefficient of the square root of the share of the stroke.
        root: Duration,
        /// Share of the stroke at which the law changes, in millionths.
        knee_ppm: u32,
        /// Constant of the straight part.
        far_base: Duration,
        /// Slope of the straight part per full stroke.
        slope: Duration,
    },
    /// Straight lines between points, first at 1 track, last at the full stroke; ascending in both.
    Points(Vec<SeekPoint>),
}

/// One measured point of a seek curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SeekPoint {
    /// Length of the move in tracks.
    pub tracks: u32,
    /// Time of the move.
    pub time: Duration,
}

/// How tracks form bands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bands {
    /// Size of a band.
    pub size: BandSize,
    /// Unused tracks after each band.
    pub guard_tracks: u32,
    /// Tracks after the written one that the write head destroys; 0 for a conventional drive.
    pub overlap_tracks: u32,
    /// Spare bands in each recording zone that holds data (at least 1 when drive-managed).
    pub spares_per_zone: u32,
}

/// Size of a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BandSize {
    /// A fixed number of tracks: bytes shrink towards the inner diameter.
    Tracks(u32),
    /// A fixed number of bytes (a multiple of 4096): tracks grow towards the inner diameter.
    Bytes(u64),
}

/// The staging area (persistent cache).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Staging {
    /// What it is made of and where.
    pub medium: StagingMedium,
    /// Limit of payload bytes.
    pub bytes: u64,
    /// Limit of log slots (quanta) in use; with flash, of 4096-byte pages.
    pub slots: u64,
    /// Limit of map extents.
    pub extents: u64,
    /// Most payload bytes of one log entry.
    pub entry_bytes_max: u64,
    /// Entries between two merges of the map.
    pub merge_every_entries: u32,
    /// Tracks that one merge writes.
    pub merge_tracks: u32,
    /// Where the map area lies.
    pub merge_place: Place,
}

/// What the staging area is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StagingMedium {
    /// Tracks of the platters.
    Disk {
        /// Where the tracks lie.
        place: StagingPlace,
        /// An entry's payload is rounded up to a `1/quanta_per_track` part of a track; 0: to a sector.
        quanta_per_track: u32,
        /// Revolutions that the out-of-band record of an entry takes, in thousandths.
        out_of_band_rev_milli: u32,
    },
    /// Flash memory beside the platters.
    Flash {
        /// Time to start a read.
        read_latency: Duration,
        /// Time to start a write (record included).
        write_latency: Duration,
        /// Transfer rate in bytes per second.
        bytes_per_s: u64,
    },
}

/// Where staging tracks lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StagingPlace {
    /// One region.
    One(Place),
    /// As many regions, spread evenly, each serving its own span of LBAs.
    Spread(u32),
}

/// A place along the radius.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// At the outer diameter.
    Outer,
    /// Halfway.
    Middle,
    /// At the inner diameter.
    Inner,
}

/// How bands are cleaned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cleaning {
    /// When cleaning begins.
    pub style: CleaningStyle,
    /// How long the drive must have been without host requests before it cleans.
    pub idle_delay: Duration,
    /// Fill of the staging area in percent at which lazy cleaning begins.
    pub high_mark_percent: u32,
    /// Fill in percent at which lazy cleaning ends again.
    pub low_mark_percent: u32,
    /// Which band comes next.
    pub choice: BandChoice,
    /// Passes over a band: 2 (read, write to a spare that takes its place), 3 (read, safe copy,
    /// rewrite) or 4 (read, safe copy, read back, rewrite).
    pub passes: u32,
    /// What a host request may have to wait for.
    pub step: CleaningStep,
}

/// When cleaning begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CleaningStyle {
    /// As soon as the drive has been idle for the idle delay and anything is staged.
    Aggressive,
    /// When idle and the fill has reached the high mark, down to the low mark.
    Lazy,
}

/// Which band is cleaned next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BandChoice {
    /// The band that owns the oldest entry of the log.
    Oldest,
    /// The band with the most staged sectors.
    Fullest,
    /// The next dirty band in ascending order of LBA, round and round.
    Ascending,
}

/// What a host request may have to wait for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CleaningStep {
    /// About a track.
    Track,
    /// A whole band.
    Band,
}

/// The volatile write cache.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WriteCache {
    /// Whether it acknowledges early. Off: every write goes through the staging area.
    pub enabled: bool,
    /// Its size.
    pub bytes: u64,
    /// How long written data may wait before the drive destages it on its own.
    pub destage_delay: Duration,
    /// A sequential run of at least this many bytes goes straight to its bands; 0: never.
    pub bypass_run_bytes: u64,
}

/// What discard and zeroing do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trim {
    /// Whether the drive offers discard.
    pub enabled: bool,
    /// Whether a zeroing request that allows deallocation is treated as a discard.
    pub zeroes_deallocate: bool,
}
