//! Block semantics: checked requests, queue, volatile write cache, flush, FUA, trim, read-ahead.
//!
//! Reading order: what the host can ask and is told; the engine that owns the drive's state and its
//! moments; the choice of the next job (and the order of an elevator); writes, reads and reading ahead;
//! the cache; what lies behind it; faults on request (`fault` has what can be asked for, `fault_words`
//! how that is told, `faults` those in force, `imposing` and `striking` what they do). Sans-IO: nothing
//! here sleeps, spawns, or asks for the time.

pub mod back;
pub mod cache;
pub mod cause;
mod elevator;
pub mod engine;
pub mod fault;
mod fault_words;
mod faults;
mod imposing;
pub mod job_record;
pub mod jobs;
pub mod meters;
pub mod read_ahead;
pub mod reads;
pub mod request;
pub mod status;
mod striking;
pub mod waiting;
pub mod writes;

pub use engine::Drive;
