//! The platters as the head sees them, the guard rule, and the movers that carry bytes.
//!
//! Reading order: the movement list, the layout (where every area lies), the guard (what shingling
//! allows), the arm (how long a list takes), the stores and the movers.

pub mod movement;

pub mod area;
pub mod layout;
mod placing;
mod radius;
mod reserving;

pub mod guard;

pub mod arm;
pub mod derived;
mod flash;
pub mod timing;

pub mod store;

pub mod buffers;
pub mod file_store;
pub mod memory;
pub mod memory_store;
pub mod mover;
pub mod mover_plain;
pub mod mover_ring;
#[cfg(test)]
pub(crate) mod sample;

mod footprint;
mod ring;
mod seal;
