//! Owns the rotation.
