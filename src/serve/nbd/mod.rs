//! The drive over NBD (fixed newstyle), for any number of clients.
