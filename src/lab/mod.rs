//! Experiments in virtual time: the production drive with neither bytes nor clock.
//!
//! Reading order: what is asked of the drive (`workload`), the numbers that look random (`dice`), the
//! requests of a stream made from them (`placing`, `generator`) and when the next one may be submitted
//! (`pacing`), the streams of all phases (`streams`); or requests as they once came (`recording` and
//! `recording_row`), read as they are needed (`playback`, by `column`), perhaps put together (`joining`),
//! and replayed (`replay`), perhaps from traces of other tools (`import`); where either comes from
//! (`source`), the run itself (`simulation`), what comes out of it (`summary` with `series`, `events` and
//! `recording` in `columns`), and how far that agrees with a served drive (`agreement`); drives that were
//! used before (`ageing`), and the state in which a run begins (`start`). Made of runs: what differs
//! between two of them (`compare`), by addresses (`ranges`, `structures`, tables by their `fields`),
//! which addresses cause which cleaning (`blame`), answers that take many (`forecast`), and many at once
//! with what is demanded of them (`matrix`); drives with hidden parameters (`draw`). Same profile,
//! workload and seed give the same output, byte for byte; nothing here knows the time of day.

pub mod ageing;
pub mod agreement;
pub mod blame;
pub(crate) mod column;
mod columns;
pub mod compare;
pub mod dice;
pub mod draw;
pub mod events;
mod fields;
pub mod forecast;
pub mod generator;
pub mod import;
mod joining;
pub mod matrix;
mod pacing;
mod placing;
pub mod playback;
pub mod ranges;
pub mod recording;
mod recording_row;
pub mod replay;
pub mod series;
pub mod simulation;
mod source;
pub mod start;
mod streams;
pub mod structures;
pub mod summary;
pub mod workload;
