//! Experiments in virtual time: the production drive with neither bytes nor clock.
//!
//! Reading order: what is asked of the drive (`workload`), the numbers that look random and the
//! requests made from them (`dice`, `generator`), when the next one may be submitted (`pacing`), or
//! requests as they once came (`recording`); where they come from (`source`), the run itself
//! (`simulation`), what comes out of it (`summary` with `series`, `events` and `recording` in
//! `columns`), and how far that agrees with a served drive (`agreement`). Same profile, workload and
//! seed give the same output, byte for byte; nothing here knows the time of day.

pub mod ageing;
pub mod agreement;
mod columns;
pub mod dice;
pub mod events;
pub mod generator;
mod pacing;
pub mod recording;
pub mod series;
pub mod simulation;
mod source;
pub mod summary;
pub mod workload;
