//! Tests of the server through its sockets, with a stand-in for the drive.
//!
//! Numbers here are written out from the protocol specification, not taken from `wire`. Clients
//! have a generous read timeout so that a server that hangs fails the test.

mod client;
mod encryption;
mod hostile;
mod negotiation;
mod service;
mod sockets;
mod stand_in;
