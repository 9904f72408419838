//! The drive as one file of a FUSE filesystem.
//!
//! [`server`] is the public face. `filesystem` answers the kernel with the help of `attributes` (what
//! `stat` says), `range` (which bytes a request means), `seek` (data and holes), `answers` (what becomes
//! of the drive's) and `errno` (the table of errors). `mountpoint` judges the directory, `attach` mounts
//! and unmounts it, through `helper` where this process may not, and [`holders`] tells who keeps it busy.

mod answers;
mod attach;
mod attributes;
mod errno;
pub mod error;
mod filesystem;
mod helper;
pub mod holders;
mod mountpoint;
mod range;
mod seek;
pub mod server;

#[cfg(test)]
mod stand_in;
