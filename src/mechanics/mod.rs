//! Geometry, seek curve and rotation: pure functions of arm state, access and moment.
//!
//! Reading order: the geometry (spots and skews), the seek curve, the rotation.

pub mod geometry;
pub mod rotation;
pub mod seek;
