//! Comparison of two runs, or of two recordings: what differs, how sure that is, and where the time went.
//!
//! Reading order: an answer with its breakdown, from a run or a recording (`answer`); what is kept of a
//! run (`tally`); what makes the mixes of both sides alike (`mix`); the figures of single operations and
//! of stretches of time (`blocks`); how sure a difference is (`bootstrap`); what is said (`difference`)
//! and how it is found (`weighing`). `docs/compare.md` gives the reasons. Integers throughout; same input
//! and seed, same output.

pub mod answer;
mod blocks;
mod bootstrap;
pub mod difference;
mod mix;
pub mod tally;
mod weighing;
