//! imbrex's time and its cleaning against figures that others printed or derived.
//!
//! Each check configures the drive that ships with the inputs of a source and compares with the
//! source's output; there is no second model. A check states its source (title, year, place in it),
//! "from memory" where the source was not at hand, and the reason of its tolerance. "Derived" is
//! arithmetic on the inputs. `docs/timing-model.md` lists what is checked where, and what cannot be.

#![allow(clippy::unwrap_used)] // in a test it is an assertion

mod arm_scheduling;
mod capacity;
mod classical_seek_curve;
mod desktop_limits;
mod dice;
mod figures;
mod idle_cleaning;
mod log_cleaning;
mod mechanism;
mod occupancy;
mod published_ranges;
mod queueing;
mod ring_law;
mod rotation;
mod service_times;
mod shingled;
#[path = "../stopwatch/mod.rs"]
mod stopwatch;
mod textbook_disk;
