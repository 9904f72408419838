//! Blame: which ranges of addresses cause which cleaning, and who waits for it.
//!
//! Reading order: exact shares (`shares`), which sectors lie outside of their homes and who put them there
//! (`ledger`), what is seen of a run (`watcher`), what is said (`account`, with `text`), the run itself
//! (`run`). `docs/blame.md` defines every share. Integers throughout: shares add up to the drive's own
//! counters, to the nanosecond and the byte.

pub mod account;
mod ledger;
pub mod run;
mod shares;
mod watcher;
