//! Owns what is said of a workload that cannot be used. It decides nothing.

use crate::profile::error::{Problem, Report, SyntaxProblem};

/// Why a text is not a workload.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WorkloadError {
    /// The text is not TOML.
    #[error("{}", Report { file, summary: "is not valid TOML", lines: problems })]
    Syntax {
        /// Name of the file, for people.
        file: String,
        /// Every mistake found.
        problems: Vec<SyntaxProblem>,
    },
    /// The text is TOML but does not describe a workload.
    #[error("{}", Report { file, summary: "does not describe a workload", lines: problems })]
    Invalid {
        /// Name of the file, for people.
        file: String,
        /// Every problem found, in order of the file.
        problems: Vec<Problem>,
    },
    /// Words of the short form that mean nothing.
    #[error("{}", Report { file, summary: "does not describe a workload", lines: problems })]
    Words {
        /// The words, for people.
        file: String,
        /// One sentence for each word at fault, and for what is missing.
        problems: Vec<String>,
    },
}
