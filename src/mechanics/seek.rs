//! Owns the seek curve.
