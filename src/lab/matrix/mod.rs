//! Matrices of experiments: which cells there are, what is demanded of each, and what came out.
//!
//! Reading order: what a file may say (`book`) and what it says (`spec`, read by `check`, `work_check`
//! and `demand_check`), the demands (`demand`), what `error`s there are; the profiles and workloads that
//! are named (`parts`) and the cells (`plan`); what is measured of a cell (`measured`, for a served drive
//! from `session`) and judged (`verdict`); the file of results (`results`, texts by their `mark`),
//! joining such files (`joining`), comparing them (`baseline`), telling other tools (`junit`), and a cell
//! on its own (`bundle`). No thread and no process: whoever runs cells is in `cli`. Same file, same cells
//! in the same order.

pub mod baseline;
mod book;
pub mod bundle;
mod check;
pub mod demand;
mod demand_check;
pub mod error;
pub mod joining;
pub mod junit;
pub mod mark;
pub mod measured;
mod parts;
pub mod plan;
pub mod results;
pub mod session;
pub mod spec;
pub mod verdict;
mod work_check;
