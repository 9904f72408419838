//! Owns what is said of a profile that cannot be used.
//!
//! Every problem of a file is reported at once, and each says where, what was given, what is
//! allowed and what to do. Nothing here decides what is wrong.

use std::fmt;

use crate::profile::quantity::QuantityError;
use crate::units::{count, counted};

/// Why a TOML text is not a profile.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProfileError {
    /// The text is not TOML.
    #[error("{}", Report { file, summary: "is not valid TOML", lines: problems })]
    Syntax {
        /// Name of the file, for people.
        file: String,
        /// Every mistake found.
        problems: Vec<SyntaxProblem>,
    },
    /// The text is TOML but does not describe a drive.
    #[error("{}", Report { file, summary: "does not describe a drive", lines: problems })]
    Invalid {
        /// Name of the file, for people.
        file: String,
        /// Every problem found, in order of the file.
        problems: Vec<Problem>,
    },
}

/// A mistake in the TOML itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SyntaxProblem {
    /// Line and column, from 1.
    pub position: Option<(u64, u64)>,
    /// What the TOML reader says.
    pub message: String,
}

/// Something wrong with one key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line of the file, from 1; `None` where nothing was written.
    pub line: Option<u64>,
    /// Dotted key, or name of a section.
    pub key: String,
    /// Value as written.
    pub given: Option<String>,
    /// What may stand there instead.
    pub allowed: String,
    /// What is wrong.
    pub kind: ProblemKind,
}

/// What is wrong with a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ProblemKind {
    /// A whole section is missing.
    MissingSection,
    /// A key is missing.
    Missing,
    /// No such key, perhaps a mistyped one.
    Unknown {
        /// The nearest key there is.
        nearest: Option<&'static str>,
    },
    /// The key means nothing beside the others.
    NoEffect {
        /// When it would mean something.
        only: &'static str,
    },
    /// Another type of value.
    WrongType,
    /// The text is not such a quantity.
    NotAQuantity(QuantityError),
    /// A value outside of the range, or not one of the words.
    NotAllowed,
    /// What is wrong and what may be written instead, as told by whoever reads such values elsewhere, too.
    Told(String),
    /// The value does not go together with others.
    Conflict {
        /// The rule, as a sentence.
        rule: &'static str,
        /// The other keys concerned.
        with: Vec<&'static str>,
    },
}

impl ProfileError {
    /// The same of a text that nobody wrote: without its lines.
    pub(crate) fn without_lines(mut self) -> ProfileError {
        if let ProfileError::Invalid { problems, .. } = &mut self {
            for problem in problems {
                problem.line = None;
            }
        }
        self
    }
}

impl fmt::Display for SyntaxProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((line, column)) = self.position {
            write!(f, "line {line}, column {column}: ")?;
        }
        f.write_str(&self.message)
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "line {line}: ")?;
        }
        f.write_str(&self.key)?;
        if let Some(given) = &self.given {
            write!(f, " = {given}")?;
        }
        let allowed = &self.allowed;
        match &self.kind {
            ProblemKind::MissingSection => {
                write!(
                    f,
                    ": the section is missing; add [{}] with {allowed}",
                    self.key
                )
            }
            ProblemKind::Missing => write!(f, ": missing; add it: {allowed}"),
            ProblemKind::Unknown {
                nearest: Some(near),
            } => {
                write!(f, ": no such key; did you mean {near} ({allowed})?")
            }
            ProblemKind::Unknown { nearest: None } => {
                write!(f, ": no such key; remove it ({allowed})")
            }
            ProblemKind::NoEffect { only } => {
                write!(f, ": counts only {only}; remove it")?;
                match only.strip_prefix("with ") {
                    Some(other) => write!(f, ", or give {other} as well"),
                    None => Ok(()),
                }
            }
            ProblemKind::WrongType => write!(f, ": wrong type of value; give {allowed}"),
            ProblemKind::NotAQuantity(why) => write!(f, ": {why}; give {allowed}"),
            ProblemKind::NotAllowed => write!(f, ": not allowed; give {allowed}"),
            ProblemKind::Told(why) => write!(f, ": {why}"),
            ProblemKind::Conflict { rule, with } => {
                write!(f, ": {rule}; give {allowed}")?;
                if with.is_empty() {
                    Ok(())
                } else {
                    write!(f, ", or change {}", with.join(", "))
                }
            }
        }
    }
}

/// A headline and one line for each problem.
pub(crate) struct Report<'r, P> {
    pub(crate) file: &'r str,
    pub(crate) summary: &'static str,
    pub(crate) lines: &'r [P],
}

impl<P: fmt::Display> fmt::Display for Report<'_, P> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let problems = counted(count(self.lines.len()), "problem");
        write!(f, "{} {}: {problems}", self.file, self.summary)?;
        for line in self.lines {
            write!(f, "\n  {}: {line}", self.file)?;
        }
        Ok(())
    }
}
