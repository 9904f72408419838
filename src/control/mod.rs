//! The control socket of a served drive: faults on request, limits, saved states, live state.
//!
//! Reading order: where the socket lies (`place`), one command and how it is read (`command`), what is
//! answered (`reply`), who carries it out (`attendant`), the server, the client. `docs/control.md`
//! describes the protocol. JSON stays in this folder; the drive's thread sees orders only.

pub mod attendant;
pub mod client;
pub mod command;
mod line;
pub mod place;
pub mod reply;
pub mod server;
