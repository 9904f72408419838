//! Sealed drives: parameters drawn by a seed from stated ranges, hidden until somebody has guessed them.
//!
//! Reading order: what a value of a key measures (`measure`), the ranges (`book`), a draw (`drawing`), and
//! how good a guess is (`score`). Where a drawn profile lies hidden is known by `image::envelope`; that
//! nothing shows it, by the command line.

pub mod book;
pub mod drawing;
mod measure;
pub mod score;
