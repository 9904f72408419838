//! Answers for whoever has to run a load on a shingled drive: will it be done in time, when does the
//! staging area run out, how much idle time is needed, what would help.
//!
//! Reading order: what is asked (`asked`) of which drives (`alter`), under which assumptions (`plan`);
//! one run (`trial`), many at once (`crew`), and all of a forecast (`bench`); what a load has to hold
//! (`window`) and what the runs say together (`verdict`), the idle time (`idle`) and what would help
//! (`help`); all of it for a set of drives (`whole`) and in words (`words`, `verdict_words`,
//! `idle_words`); the rebuild of a member of an array (`rebuild`, its writes in `filling`, in words in
//! `rebuild_words`). Every figure comes from running the production drive. Same question, same answer,
//! whatever the number of threads.

pub mod alter;
pub mod asked;
mod bench;
pub mod crew;
pub mod filling;
pub mod help;
pub mod idle;
mod idle_words;
pub mod plan;
pub mod rebuild;
mod rebuild_words;
pub mod trial;
pub mod verdict;
mod verdict_words;
pub mod whole;
pub mod window;
mod words;
