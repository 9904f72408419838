//! Binning: how any number of rows becomes as much as a figure can show, in bounded memory.
//!
//! Reading order: equal steps with round bounds (`steps`), a ladder for what spans many powers of
//! ten (`ladder`), a grid of two axes (`grid`). Always holds: nothing that is counted is lost, and what
//! stands out stays visible, since no cell that holds anything is left out.

pub(super) mod grid;
pub(super) mod ladder;
pub(super) mod steps;
