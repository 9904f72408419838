//! Owns how long the flash beside the platters takes.
//!
//! An access costs a latency and its bytes at a constant rate; one that goes on where the last one
//! ended, in the same direction, costs no latency. There is no arm, and nothing here wears out.

use crate::medium::timing::{Access, Target};
use crate::time::{Duration, Instant};
use crate::units::{Pba, Sectors};

/// Flash and what it did last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Flash {
    read_latency: Duration,
    write_latency: Duration,
    bytes_per_s: u64,
    /// The sector behind the last access, and whether that wrote.
    trail: Option<(Pba, bool)>,
}

impl Flash {
    /// Flash that has done nothing yet.
    pub(super) fn new(read: Duration, write: Duration, bytes_per_s: u64) -> Flash {
        assert!(bytes_per_s > 0, "a valid profile's flash has a rate");
        Flash {
            read_latency: read,
            write_latency: write,
            bytes_per_s,
            trail: None,
        }
    }

    /// Time from the start of an access at `pba` to its first byte.
    pub(super) fn latency(&self, pba: Pba, write: bool) -> Duration {
        match (self.trail == Some((pba, write)), write) {
            (true, _) => Duration::ZERO,
            (false, true) => self.write_latency,
            (false, false) => self.read_latency,
        }
    }

    /// Carries out an access.
    pub(super) fn access(&mut self, start: Instant, target: &Target) -> Access {
        let latency = self.latency(target.pba, target.write);
        let transfer = self.transfer(target.sectors);
        self.trail = Some((target.pba + target.sectors, target.write));
        Access {
            first_sector_begins: start + latency,
            ..Access::at_once(start, Duration::ZERO, latency + transfer)
        }
    }

    fn transfer(&self, sectors: Sectors) -> Duration {
        let product = u128::from(sectors.bytes()) * 1_000_000_000;
        let ns = product.div_ceil(u128::from(self.bytes_per_s));
        Duration(u64::try_from(ns).unwrap_or(u64::MAX))
    }
}
