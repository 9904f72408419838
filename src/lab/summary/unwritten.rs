//! Owns what is said of reads that met nothing written: they take no time of the mechanism, which no drive
//! in use would be as quick at.

use serde::Serialize;

use crate::drive::request::Counters;
use crate::units::counted;

/// Reads of a run, and those of nothing but what was never written or was discarded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Unwritten {
    /// Reads answered.
    pub reads: u64,
    /// Of these, reads of nothing written.
    pub unwritten: u64,
}

/// What is said of them, after what they are.
pub const NO_TIME: &str = "met nothing written and took no time of the mechanism";
/// So many in a hundred reads are worth a word.
const WORTH_PERCENT: u64 = 1;

impl Unwritten {
    /// Of a drive that has counted since the run began.
    pub fn of(counters: &Counters) -> Unwritten {
        Unwritten {
            reads: counters.host_reads,
            unwritten: counters.host_reads_unwritten,
        }
    }

    /// Those of both.
    #[must_use]
    pub fn plus(self, other: Unwritten) -> Unwritten {
        Unwritten {
            reads: self.reads.saturating_add(other.reads),
            unwritten: self.unwritten.saturating_add(other.unwritten),
        }
    }

    /// Whether they are so many that figures of reads are not those of a drive in use.
    pub fn matters(self) -> bool {
        let worth = u128::from(self.reads) * u128::from(WORTH_PERCENT);
        self.unwritten > 0 && u128::from(self.unwritten) * 100 >= worth
    }

    /// What they were; nothing where they are too few to matter.
    pub fn told(self) -> Option<String> {
        self.matters().then(|| {
            format!(
                "{} of {} {NO_TIME}",
                self.unwritten,
                counted(self.reads, "read")
            )
        })
    }

    /// What they were, and how to begin a run that has none.
    pub fn words(self) -> Option<String> {
        let told = self.told()?;
        Some(format!(
            "{told}: begin with a drive that holds data where they go (--start formatted, or 'filled 60%' and the \
             like)"
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_in_a_hundred_reads_is_worth_a_word_and_fewer_are_not() {
        let words = |reads, unwritten| Unwritten { reads, unwritten }.words();
        assert_eq!(words(0, 0), None);
        assert_eq!(words(1000, 0), None);
        assert_eq!(words(1000, 9), None);
        let told = words(1000, 10).expect("it matters");
        assert!(
            told.starts_with("10 of 1000 reads met nothing written"),
            "{told}"
        );
    }
}
