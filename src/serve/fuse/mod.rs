//! The drive as one file of a FUSE filesystem.
