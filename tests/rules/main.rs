//! Rules that a profile states, kept exactly: which band is cleaned and when, what each purpose moves, who
//! waits for whom.
//!
//! Black-box requests in virtual time. What is expected follows from the profile by arithmetic, to the
//! band, the sector or the nanosecond. What a rule is, is said in `docs/profile.md` and
//! `docs/timing-model.md`.

#![allow(clippy::unwrap_used)] // in a test it is an assertion

mod amounts;
mod choice;
#[path = "../stopwatch/mod.rs"]
mod stopwatch;
mod turns;

use imbrex::profile::Profile;

pub(crate) const KIB: u64 = 1 << 10;
pub(crate) const MIB: u64 = 1 << 20;
pub(crate) const PAGE: u64 = 4 * KIB;
pub(crate) const SECOND_NS: u64 = 1_000_000_000;

pub(crate) fn uncached(profile: &mut Profile) {
    profile.write_cache.enabled = false;
}

/// Uncached, and every band counts as written.
pub(crate) fn in_use(profile: &mut Profile) {
    uncached(profile);
    profile.drive.formatted = true;
}
