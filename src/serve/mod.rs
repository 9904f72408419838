//! Frontends: they translate, call the host handle, map the error, reply. They decide nothing.

pub mod fuse;
pub mod nbd;
