//! Block semantics: checked requests, queue, volatile write cache, flush, FUA, trim, read-ahead.
//!
//! Sans-IO: `submit(now, request)` and `advance(now)` produce [`Effect`]s; nothing here sleeps,
//! spawns, or asks for the time.

pub mod cause;
pub mod request;
