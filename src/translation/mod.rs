//! Staging log, extent map, checkpoints, cleaner and recovery; emits movement lists.
//!
//! Reading order: the changes of the durable state, what is counted of them, and the state itself; the journal and the map
//! area that make them durable; what a plan is written with; the log, direct writes and the
//! cleaner; recovery; the audit of a state as a whole. [`Translation`] holds them together. It
//! plans, but does not know when a plan runs or how long it takes.

pub mod audit;
pub mod bypass;
pub mod change;
pub mod cleaner;
pub mod codec;
pub mod dirty;
pub mod draft;
pub mod homes;
pub mod journal;
pub mod log;
pub mod map_area;
pub mod recovery;
pub mod state;
pub mod target;

pub mod keeper;
pub mod lifetime;
pub mod restore;

pub use keeper::{NoRoom, Piece, Translation};
