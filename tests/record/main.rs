//! `imbrex record`, and the commands of the protocol under it: a recording begun and ended while a drive is
//! served, held against exactly what a client did between the two.
//!
//! What runs beside a recording is a program that waits for a pipe, so that nobody waits for a time.

mod ends;
#[path = "../nbd_client/mod.rs"]
mod nbd_client;
#[path = "../program/mod.rs"]
mod program;
mod refusals;
mod rig;
mod stretches;
