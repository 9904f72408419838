//! Staging log, extent map, checkpoints, cleaner and recovery; emits movement lists.
pub mod change;
pub mod codec;
