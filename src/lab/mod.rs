//! Experiments in virtual time: the production drive with neither bytes nor clock.
//!
//! Reading order: what is asked of the drive (`workload`), the numbers that look random and the
//! requests made from them (`dice`, `generator`), when the next one may be submitted (`pacing`), the
//! run itself (`simulation`), what comes out of it (`summary` with `series`, `events`). Same profile,
//! workload and seed give the same output, byte for byte; nothing here knows the time of day.

pub mod dice;
pub mod events;
pub mod generator;
mod pacing;
pub mod series;
pub mod simulation;
pub mod summary;
pub mod workload;
