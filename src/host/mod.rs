//! The event loop that owns one drive in real time: clock, mover, drive, and the handles to it.
//!
//! Reading order: what frontends hold (handle, limits, shelf), what the loop needs of a drive (machine),
//! the clock, the loop and its parts (`recorder` tells of its answers), the thread.

pub mod handle;
pub mod limits;
pub mod shelf;

pub mod machine;

pub mod clock;

pub mod account;
mod bell;
mod carriers;
mod deliveries;
mod event_loop;
mod front_desk;
pub mod recorder;
#[cfg(test)]
mod stand_in;

pub mod owner;
