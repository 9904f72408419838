//! Traces of other tools: text becomes a recording that can be replayed, or a workload where the text
//! has rates only.
//!
//! Reading order: a text begins (`opening`), lines of bounded length (`lines`), what stands in one
//! (`blkparse`, `fio`, `table`, with `number` and `devices`), their order by time (`order`), hidden
//! offsets (`hide`), what was understood (`report`), and the way through all of it (`importer`); `rates`
//! makes a workload (`clock`: how far its reports are apart). Memory does not grow with the text. Text is
//! hostile: a line makes sense or is passed over with a reason.

mod blkparse;
mod clock;
mod devices;
mod error;
mod fio;
mod hide;
mod importer;
mod lines;
mod number;
mod opening;
mod order;
pub mod rates;
pub mod report;
pub mod table;
#[cfg(test)]
mod tests;

pub use blkparse::Event;
pub use error::ImportError;
pub use hide::{Hide, Key};
pub use importer::{BadLines, Format, Options, import};
pub use lines::Lines;
pub use number::TimeUnit;
pub use opening::TextError;
