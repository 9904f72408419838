//! The event loop that owns one drive in real time: clock, mover, drive, and the handles to it.
//!
//! Reading order: what frontends hold (handle, limits, shelf), what the loop needs of a drive (machine)
//! and of its place (bay), the clock, the account with the limits that hosts put on time, the orders that
//! no host gives, the loop and its parts (`answering` tells `recorder` of answers), the recordings that are
//! under way (`recordings`), the thread.

pub mod handle;
pub mod limits;
pub mod shelf;

pub mod bay;
pub mod machine;

pub mod order;
pub mod time_limits;

pub mod clock;
pub mod pace;

pub mod account;
mod answering;
mod bell;
mod carriers;
mod deliveries;
mod ending;
mod event_loop;
mod front_desk;
mod monitor;
mod obeying;
pub mod recorder;
#[cfg(test)]
mod stand_in;

pub mod recordings;

pub mod owner;

pub mod private_socket;
