//! Drawing: panels with axes on a canvas, as SVG whose colours the page chooses.
//!
//! Reading order: colours by what they mean (`ink`), shapes by what they mark (`shape`), axes with ticks
//! that people read (`axis`), a panel of a figure (`panel`), the canvas and what becomes of it (`canvas`),
//! the explanation above it (`key`). Always holds: no colour is the only sign of anything; no font of the
//! system is needed; drawing goes to memory and cannot fail.

pub(super) mod axis;
pub(super) mod canvas;
pub(super) mod ink;
pub(super) mod key;
pub(super) mod panel;
pub(super) mod shape;
