//! Owns the movement list: what the drive writes down and three readers follow.
//!
//! A [`Plan`] is an ordered list of transfers and barriers. The guard asks whether shingling allows
//! it, the arm how long it takes, the mover carries the bytes. A plan never depends on data: what a
//! record must learn from the bytes (a checksum) is stated as a [`Seal`] for the mover to fill in.

use crate::units::{Pba, SECTOR_BYTES, Sectors};

/// Names a host request for as long as it is under way. Given by whoever submits it, never reused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RequestId(pub u64);

/// Names a plan, ascending in the order in which the drive made them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PlanId(pub u64);

/// Names a buffer of bytes that the mover keeps until the drive releases it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum BufferId {
    /// Payload of a write, or the reply of a read: exactly as long as the request.
    Request(RequestId),
    /// Made by the drive (see [`Plan::allocate`]).
    Internal(u64),
}

/// One end of a transfer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Bytes of a buffer, from `offset`.
    Buffer {
        /// Which buffer.
        id: BufferId,
        /// First byte in it.
        offset: u64,
    },
    /// The drive's own memory for merging a band, from this byte on. One per drive; it grows to
    /// the largest offset used and its contents are lost in a power cut.
    Scratch {
        /// First byte in it.
        offset: u64,
    },
    /// The medium (platters or flash), from byte `skip` (below 4096) of sector `pba` on. Writes to
    /// the medium always have `skip` 0 and whole sectors.
    Medium {
        /// First sector.
        pba: Pba,
        /// Bytes of that sector to pass over.
        skip: u64,
    },
    /// A source of zeroes. To the medium: the mover deallocates where it can.
    Zeroes,
    /// A source of nothing: the head passes over the target and what it leaves there has no
    /// meaning (padding of an entry). The mover does nothing.
    Padding,
    /// A target of nothing: the head reads, nobody takes the bytes (reading back, reading ahead).
    Discard,
}

impl Place {
    /// Start of a sector of the medium.
    pub fn sector(pba: Pba) -> Place {
        Place::Medium { pba, skip: 0 }
    }

    /// The place `bytes` further on.
    #[must_use]
    pub fn advanced(self, bytes: u64) -> Place {
        match self {
            Place::Buffer { id, offset } => Place::Buffer {
                id,
                offset: offset + bytes,
            },
            Place::Scratch { offset } => Place::Scratch {
                offset: offset + bytes,
            },
            Place::Medium { pba, skip } => Place::Medium {
                pba: pba + Sectors((skip + bytes) / SECTOR_BYTES),
                skip: (skip + bytes) % SECTOR_BYTES,
            },
            Place::Zeroes | Place::Padding | Place::Discard => self,
        }
    }
}

/// Why a transfer is made. Reports add up bytes and time by this.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Purpose {
    /// A host read, from wherever the data lives.
    HostRead,
    /// A host write in place (conventional) .
    HostWrite,
    /// A host write straight to its band, past the staging area.
    Bypass,
    /// Payload of a log entry.
    Stage,
    /// The record of a log entry or of a change of state.
    OutOfBand,
    /// The map, merged and written.
    MapMerge,
    /// Reading what a partly written sector holds.
    PartialRead,
    /// Reading a band's home location for cleaning.
    CleanRead,
    /// Reading a band's staged sectors for cleaning.
    CleanGather,
    /// Writing the safe copy of a merged band.
    CleanCopy,
    /// Reading the safe copy back.
    CleanVerify,
    /// Rewriting the band.
    CleanWrite,
    /// Reading ahead of the host.
    ReadAhead,
}

impl Purpose {
    /// All purposes, in the order in which reports list them.
    pub const ALL: [Purpose; 13] = [
        Purpose::HostRead,
        Purpose::HostWrite,
        Purpose::Bypass,
        Purpose::Stage,
        Purpose::OutOfBand,
        Purpose::MapMerge,
        Purpose::PartialRead,
        Purpose::CleanRead,
        Purpose::CleanGather,
        Purpose::CleanCopy,
        Purpose::CleanVerify,
        Purpose::CleanWrite,
        Purpose::ReadAhead,
    ];

    /// The word that reports and the machine-readable output use.
    pub fn word(self) -> &'static str {
        match self {
            Purpose::HostRead => "host-read",
            Purpose::HostWrite => "host-write",
            Purpose::Bypass => "bypass",
            Purpose::Stage => "stage",
            Purpose::OutOfBand => "out-of-band",
            Purpose::MapMerge => "map-merge",
            Purpose::PartialRead => "partial-read",
            Purpose::CleanRead => "clean-read",
            Purpose::CleanGather => "clean-gather",
            Purpose::CleanCopy => "clean-copy",
            Purpose::CleanVerify => "clean-verify",
            Purpose::CleanWrite => "clean-write",
            Purpose::ReadAhead => "read-ahead",
        }
    }
}

/// One transfer. At most one end is the medium.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Movement {
    /// Where the bytes come from.
    pub from: Place,
    /// Where they go.
    pub to: Place,
    /// How many bytes.
    pub bytes: u64,
    /// Why.
    pub purpose: Purpose,
    /// The drive already has the bytes in its own buffer: the arm does not move for it. The mover
    /// carries it all the same.
    pub buffered: bool,
}

impl Movement {
    /// The sectors of the medium that this movement reads, if it does.
    pub fn reads(&self) -> Option<(Pba, Sectors)> {
        match self.from {
            Place::Medium { pba, skip } => Some((pba, Sectors::holding(skip + self.bytes))),
            _ => None,
        }
    }

    /// The sectors of the medium that this movement writes, if it does.
    ///
    /// # Panics
    /// If it writes part of a sector: a defect of the planner.
    pub fn writes(&self) -> Option<(Pba, Sectors)> {
        match self.to {
            Place::Medium { pba, skip } => {
                assert!(
                    skip == 0 && self.bytes.is_multiple_of(SECTOR_BYTES),
                    "partial sector written: {self:?}"
                );
                Some((pba, Sectors(self.bytes / SECTOR_BYTES)))
            }
            _ => None,
        }
    }
}

/// A checksum that only the mover can know: CRC-32C over the source bytes of some movements of the
/// same plan, in order ([`Place::Zeroes`] counts as zero bytes, [`Place::Padding`] is left out).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seal {
    /// Byte offset in the record where the four little-endian bytes go.
    pub at: u64,
    /// Indices into [`Plan::steps`], each a [`Step::Move`].
    pub over: std::ops::Range<usize>,
}

/// A record of metadata, rendered except for what the mover must fill in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// The bytes: whole sectors. The mover fills the seals, then writes the CRC-32C of all bytes
    /// from [`Record::CRC_AT`]` + 4` to the end, little endian, at `CRC_AT`.
    pub bytes: Vec<u8>,
    /// First sector it goes to.
    pub at: Pba,
    /// Sectors that the head passes over in all (at least the record's own; the rest is padding).
    pub sectors: Sectors,
    /// Checksums to fill in.
    pub seals: Vec<Seal>,
    /// Why it is written.
    pub purpose: Purpose,
}

impl Record {
    /// Byte offset of the record's own checksum.
    pub const CRC_AT: usize = 8;
}

/// One step of a plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// A transfer. May run at the same time as its neighbours.
    Move(Movement),
    /// A metadata record. May run at the same time as its neighbours (its checksum tells a reader
    /// whether what it covers is there).
    Record(Record),
    /// Everything before this step (of this plan) is done before anything after it begins.
    Order,
    /// Everything before this step, of this plan and of all before it, is durable on the backing
    /// store before anything after it begins, in this plan or a later one.
    Barrier,
}

/// An ordered list of steps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Its name.
    pub id: PlanId,
    /// Buffers to make before the first step: name and bytes.
    pub allocate: Vec<(BufferId, u64)>,
    /// What to do. Between plans the mover keeps every order that bytes can tell: whoever reads
    /// or overwrites what an earlier step writes, sees it or comes after it.
    pub steps: Vec<Step>,
}

impl Plan {
    /// A plan that makes durable what came before it.
    pub fn barrier(id: PlanId) -> Plan {
        Plan {
            id,
            allocate: Vec::new(),
            steps: vec![Step::Barrier],
        }
    }
}
