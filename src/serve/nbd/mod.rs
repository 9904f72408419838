//! The drive over NBD (fixed newstyle), for any number of clients.
//!
//! In reading order: how a server starts and stops (`server`, `listener`), the life of a
//! connection (`connection`), negotiation (`handshake`, `options`, `tls`), transmission
//! (`transmission` reads, `reply_queue` carries, `reply` and `direct` write), and what these stand
//! on (`stream`, `socket`, `wire`, `meta_context`, `errno`, `limits`, `progress`). Nothing here
//! decides anything about the drive.
//! `docs/nbd.md` tells what is served.

mod connection;
mod direct;
mod errno;
mod handshake;
mod limits;
mod listener;
mod meta_context;
mod options;
mod progress;
mod reply;
mod reply_queue;
mod server;
mod socket;
mod stream;
#[cfg(test)]
mod tests;
mod tls;
mod transmission;
mod wire;

pub use limits::Limits;
pub use listener::{Address, Place};
pub use server::{NbdConfig, NbdError, NbdServer};
pub use tls::{Tls, TlsError, TlsFiles};
