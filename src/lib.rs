//! A shingled disk in software.
//!
//! imbrex exposes a rewrite-anywhere block device that inside obeys the constraints of
//! overlapping tracks. The drive itself is sans-IO: it decides and writes down movement lists,
//! which a guard checks, an arm times and a mover carries out. See `docs/architecture.md`.

pub mod cli;
pub mod control;
pub mod drive;
pub mod extent;
pub mod host;
pub mod image;
pub mod lab;
pub mod mechanics;
pub mod medium;
pub mod profile;
pub mod report;
pub mod serve;
pub mod time;
pub mod translation;
pub mod units;
