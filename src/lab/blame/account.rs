//! Owns what is said about blame: for each range what was written, what cleaning it caused, and who
//! waited for that.
//!
//! Always holds: times and bytes of all ranges, of what nobody caused and of what is not shared add up,
//! purpose by purpose, to the counters of the drive.

mod text;

use serde::Serialize;

use super::ledger::Weigh;
use super::shares::split;
use crate::drive::job_record::JobRecord;
use crate::lab::ranges::{Owner, OwnerId, Ranges};
use crate::lab::structures::{BEFORE, NOBODY};
use crate::lab::summary::{PurposeUse, Summary, writes};
use crate::medium::movement::Purpose;
use crate::translation::change::Change;

const PURPOSES: usize = Purpose::ALL.len();

/// What jobs took, by purpose.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Used {
    ns: [u64; PURPOSES],
    bytes: [u64; PURPOSES],
}

impl Used {
    pub(super) fn add(&mut self, record: &JobRecord) {
        let place = place(record.purpose);
        self.ns[place] += record.duration.0;
        self.bytes[place] += record.bytes;
    }

    fn total_ns(&self) -> u64 {
        self.ns.iter().sum()
    }

    fn written_bytes(&self) -> u64 {
        let purposes = Purpose::ALL.into_iter().zip(self.bytes);
        let written = purposes.filter(|(purpose, _)| writes(*purpose));
        written.map(|(_, bytes)| bytes).sum()
    }

    fn purposes(&self) -> Vec<PurposeUse> {
        let all = Purpose::ALL
            .into_iter()
            .zip(self.bytes.into_iter().zip(self.ns));
        all.filter(|(_, (bytes, ns))| *bytes > 0 || *ns > 0)
            .map(|(purpose, (bytes, arm_ns))| PurposeUse {
                purpose: purpose.word(),
                writes: writes(purpose),
                bytes,
                arm_ns,
            })
            .collect()
    }
}

fn place(purpose: Purpose) -> usize {
    let mut all = Purpose::ALL.iter();
    all.position(|known| *known == purpose)
        .expect("all purposes are in the list")
}

/// What is charged to someone.
#[derive(Clone, Debug, Default)]
struct Charged {
    host_written_bytes: u64,
    outside_bytes: u64,
    own: Used,
    cleaning: Used,
    cleanings: u64,
    waits: u64,
    waited_ns: u64,
}

/// What is gathered in a run.
#[derive(Debug)]
pub(super) struct Gathered {
    /// By owner, then what was there before the run, then nobody.
    charged: Vec<Charged>,
    not_shared: Used,
    pub(super) cleaned: u64,
    pub(super) given_up: u64,
    pub(super) requests_waited: u64,
    cleanings: u64,
}

impl Gathered {
    pub(super) fn new(ranges: &Ranges) -> Gathered {
        Gathered {
            charged: vec![Charged::default(); ranges.owners().len() + 2],
            not_shared: Used::default(),
            cleaned: 0,
            given_up: 0,
            requests_waited: 0,
            cleanings: 0,
        }
    }

    /// Who stands for what was outside of its home before the run.
    pub(super) fn before(&self) -> OwnerId {
        self.charged.len() - 2
    }

    /// Who stands for what nobody caused.
    pub(super) fn nobody(&self) -> OwnerId {
        self.charged.len() - 1
    }

    /// The host wrote.
    pub(super) fn host(&mut self, owner: OwnerId, bytes: u64) {
        self.charged[owner].host_written_bytes += bytes;
    }

    /// Bytes went somewhere by `change`.
    pub(super) fn outside(&mut self, owner: OwnerId, bytes: u64, change: &Change) {
        if matches!(change, Change::Stage { .. } | Change::Divert { .. }) {
            self.charged[owner].outside_bytes += bytes;
        }
    }

    /// What a job took that wrote for those who have shares; for nobody in particular without them.
    pub(super) fn own(&mut self, shares: &[(OwnerId, u64)], record: &JobRecord) {
        let place = place(record.purpose);
        let charged = &mut self.charged;
        let done = split(record.duration.0, shares, |owner, ns| {
            charged[owner].own.ns[place] += ns;
        }) && split(record.bytes, shares, |owner, bytes| {
            charged[owner].own.bytes[place] += bytes;
        });
        if !done {
            self.not_shared.add(record);
        }
    }

    /// What a cleaning took that those caused who have shares.
    pub(super) fn cleaning(&mut self, shares: &[(OwnerId, u64)], used: &Used) {
        let charged = &mut self.charged;
        self.cleanings += 1;
        for (owner, _) in shares {
            charged[*owner].cleanings += 1;
        }
        for place in 0..PURPOSES {
            split(used.ns[place], shares, |owner, ns| {
                charged[owner].cleaning.ns[place] += ns;
            });
            split(used.bytes[place], shares, |owner, bytes| {
                charged[owner].cleaning.bytes[place] += bytes;
            });
        }
    }

    /// So many requests waited so long for a cleaning.
    pub(super) fn waits(&mut self, shares: &[(OwnerId, u64)], waits: u64, waited_ns: u64) {
        let charged = &mut self.charged;
        for (owner, _) in shares {
            charged[*owner].waits += waits;
        }
        split(waited_ns, shares, |owner, ns| {
            charged[owner].waited_ns += ns;
        });
    }

    /// Time and bytes of each purpose, over everyone.
    #[cfg(test)]
    pub(super) fn sums(&self) -> ([u64; PURPOSES], [u64; PURPOSES]) {
        let uses = self
            .charged
            .iter()
            .flat_map(|charged| [charged.own, charged.cleaning]);
        let uses = uses.chain([self.not_shared]);
        uses.fold(([0; PURPOSES], [0; PURPOSES]), |(ns, bytes), used| {
            (
                std::array::from_fn(|i| ns[i] + used.ns[i]),
                std::array::from_fn(|i| bytes[i] + used.bytes[i]),
            )
        })
    }

    pub(super) fn account(mut self, ranges: &Ranges, weigh: Weigh, summary: &Summary) -> Blame {
        let special = |name: &str| Owner {
            name: name.to_owned(),
            start_bytes: 0,
            end_bytes: 0,
            bytes: 0,
        };
        let nobody = self.charged.pop().unwrap_or_default();
        let before = self.charged.pop().unwrap_or_default();
        let pairs = ranges.owners().iter().zip(&self.charged);
        let told = pairs.map(|(owner, charged)| of_owner(owner.clone(), charged));
        let mut owners: Vec<OfOwner> = told.filter(OfOwner::did_something).collect();
        owners.sort_by_key(|told| {
            let (ns, bytes) = (told.cleaning_ns, told.host_written_bytes);
            (std::cmp::Reverse((ns, bytes)), told.owner.start_bytes)
        });
        let before = of_owner(special(BEFORE), &before);
        let nobody = of_owner(special(NOBODY), &nobody);
        let all = || owners.iter().chain([&before, &nobody]);
        Blame {
            profile: summary.profile.clone(),
            capacity_bytes: summary.capacity_bytes,
            workload: summary.workload.clone(),
            seed: summary.seed,
            weigh,
            answered: summary.answered,
            host_written_bytes: summary.host_written_bytes,
            medium_written_bytes: summary.medium_written_bytes,
            cleanings: self.cleanings,
            bands_cleaned: self.cleaned,
            given_up: self.given_up,
            cleaning_ns: all().map(|told| told.cleaning_ns).sum(),
            requests_waited: self.requests_waited,
            waited_ns: all().map(|told| told.waited_ns).sum(),
            left_in_cache_bytes: summary.status.cached_bytes,
            not_shared: self.not_shared.purposes(),
            owners,
            before,
            nobody,
        }
    }
}

/// What a range, or the structures of one name, caused.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OfOwner {
    /// Which.
    #[serde(flatten)]
    pub owner: Owner,
    /// Bytes that the host wrote there, zeroes included.
    pub host_written_bytes: u64,
    /// Bytes that came to lie outside of their home.
    pub staged_bytes: u64,
    /// Time of the arm for writing them: entries with their records, direct writes, discards.
    pub own_ns: u64,
    /// Bytes that the head wrote for that, padding included.
    pub own_written_bytes: u64,
    /// Cleanings in which it has a share.
    pub cleanings: u64,
    /// Time of the arm for its share of them.
    pub cleaning_ns: u64,
    /// Bytes that the head wrote for that.
    pub cleaning_written_bytes: u64,
    /// The same by purpose; those that did not occur are left out.
    pub cleaning_by_purpose: Vec<PurposeUse>,
    /// Bytes that the head wrote for each byte that the host wrote there, in thousandths; nothing
    /// where it wrote nothing.
    pub write_amplification_milli: Option<u64>,
    /// How often a request waited for a cleaning in which it has a share.
    pub waits: u64,
    /// Its share of that waiting.
    pub waited_ns: u64,
}

impl OfOwner {
    fn did_something(&self) -> bool {
        self.host_written_bytes > 0 || self.cleanings > 0 || self.own_written_bytes > 0
    }
}

fn of_owner(owner: Owner, charged: &Charged) -> OfOwner {
    let (own, cleaning) = (
        charged.own.written_bytes(),
        charged.cleaning.written_bytes(),
    );
    let written = u128::from(own) + u128::from(cleaning);
    let milli = (written * 1000).checked_div(u128::from(charged.host_written_bytes));
    OfOwner {
        owner,
        host_written_bytes: charged.host_written_bytes,
        staged_bytes: charged.outside_bytes,
        own_ns: charged.own.total_ns(),
        own_written_bytes: own,
        cleanings: charged.cleanings,
        cleaning_ns: charged.cleaning.total_ns(),
        cleaning_written_bytes: cleaning,
        cleaning_by_purpose: charged.cleaning.purposes(),
        write_amplification_milli: milli.and_then(|milli| u64::try_from(milli).ok()),
        waits: charged.waits,
        waited_ns: charged.waited_ns,
    }
}

/// Which ranges caused which cleaning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Blame {
    /// Name of the profile.
    pub profile: String,
    /// Bytes that the drive offers.
    pub capacity_bytes: u64,
    /// Name of the workload or of the recording.
    pub workload: String,
    /// Start of everything that looked random; nothing where nothing did.
    pub seed: Option<u64>,
    /// What weighs in a share.
    pub weigh: Weigh,
    /// Requests answered.
    pub answered: u64,
    /// Bytes written by the host.
    pub host_written_bytes: u64,
    /// Bytes written to the medium.
    pub medium_written_bytes: u64,
    /// Cleanings begun.
    pub cleanings: u64,
    /// Cleanings that came to their end.
    pub bands_cleaned: u64,
    /// Cleanings given up, since the host wrote the band anew meanwhile.
    pub given_up: u64,
    /// Time of the arm for all of them.
    pub cleaning_ns: u64,
    /// Requests that waited for a cleaning, each counted once.
    pub requests_waited: u64,
    /// How long they waited for cleanings, together.
    pub waited_ns: u64,
    /// Ranges that were written or caused something, by the cleaning that they caused.
    pub owners: Vec<OfOwner>,
    /// What was outside of its home before the run.
    pub before: OfOwner,
    /// What no write caused, such as bands cleaned for their holes.
    pub nobody: OfOwner,
    /// Bytes that were still in the write cache at the end: what they will cost is in no figure.
    pub left_in_cache_bytes: u64,
    /// What jobs took that no range is charged with: reads, merges of the map.
    pub not_shared: Vec<PurposeUse>,
}
