//! Owns what is said of a matrix that cannot be run. It decides nothing.

use crate::profile::error::{Problem, Report, SyntaxProblem};

/// Why a text is not a matrix that can be run.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MatrixError {
    /// The text is not TOML.
    #[error("{}", Report { file, summary: "is not valid TOML", lines: problems })]
    Syntax {
        /// Name of the file, for people.
        file: String,
        /// Every mistake found.
        problems: Vec<SyntaxProblem>,
    },
    /// The text is TOML but does not describe a matrix.
    #[error("{}", Report { file, summary: "does not describe a matrix", lines: problems })]
    Invalid {
        /// Name of the file, for people.
        file: String,
        /// Every problem found, in order of the file.
        problems: Vec<Problem>,
    },
    /// What it names cannot be used, or does not fit together.
    #[error("{}", Report { file, summary: "names what cannot be run", lines: problems })]
    Parts {
        /// Name of the file, for people.
        file: String,
        /// Every problem found, each with its key.
        problems: Vec<String>,
    },
}
