//! Reports: files of a run become one page with figures, which anybody can open, print and hear.
//!
//! Reading order: what files there are and what is taken from them (`gather`), in bounded memory
//! (`bins`); why requests were slow (`cause`, over time `flow`) and what the arm's purposes have in
//! common (`group`); amounts as people read them (`amount`), tables (`table`), drawing (`plot`), the
//! figures (`figures`), the summary in words (`words`), the page (`page`). `docs/report.md` describes the
//! result. Same files, same page, byte for byte; nothing here knows the time of day, asks for anything
//! from the network, or prints.

mod amount;
mod bins;
mod cause;
pub mod error;
pub mod figures;
mod flow;
pub mod gather;
mod group;
pub mod page;
mod plot;
mod table;
mod words;
