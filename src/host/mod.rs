//! The event loop that owns one drive in real time: clock, mover, drive, and the handles to it.

pub mod handle;
