//! Why a command ended, and with which exit code.

use std::io;

use crate::app::AppError;
use crate::band::estimate::EstimateError;
use crate::book::BookError;
use crate::deal::ledger::Refusal;
use crate::deal::outlet::TermsError;
use crate::select::plan::SelectError;

/// Why a command ended without doing what was asked.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The book could not do it.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The command line asks for something that makes no sense.
    #[error("{0}")]
    Usage(String),
    /// Input was refused; `next` is what to do about it.
    #[error("{message}")]
    Refused {
        /// What was refused and why.
        message: String,
        /// What to do, or empty.
        next: String,
    },
    /// What was asked for is not there; `next` is what to do about it.
    #[error("{message}")]
    Absent {
        /// What is not there.
        message: String,
        /// What to do, or empty.
        next: String,
    },
    /// Writing to the terminal (or the pipe) failed.
    #[error("cannot write the output: {0}")]
    Output(#[from] io::Error),
    /// An answer could not be read from the terminal.
    #[error("cannot read the answer: {0}")]
    Answer(io::Error),
    /// The computer's clock cannot be right.
    #[error("the clock of this computer shows a day before 1970: set it")]
    Clock,
    /// The table library failed: not of the user's making.
    #[error("cannot work out the table: {0}")]
    Table(#[from] polars::prelude::PolarsError),
}

impl CliError {
    /// Exit code of the process.
    pub(super) fn code(&self) -> u8 {
        match self {
            Self::Book(BookError::Io { .. })
            | Self::Output(_)
            | Self::Answer(_)
            | Self::Clock
            | Self::Table(_) => 1,
            Self::Usage(_) => 2,
            Self::Book(BookError::Rows(_) | BookError::Refused(_)) | Self::Refused { .. } => 3,
            Self::Book(BookError::Settings(_)) => 4,
            Self::Book(BookError::NoBook(_)) | Self::Absent { .. } => 5,
            Self::Book(BookError::Locked(_)) => 6,
        }
    }

    /// Lines that belong below the message.
    pub(super) fn details(&self) -> Vec<String> {
        match self {
            Self::Book(BookError::Rows(problems)) => {
                problems.iter().map(ToString::to_string).collect()
            }
            _ => Vec::new(),
        }
    }

    /// What to do next, where that can be said.
    pub(super) fn next(&self) -> &str {
        match self {
            Self::Refused { next, .. } | Self::Absent { next, .. } => next,
            Self::Book(BookError::Io {
                doing: "read",
                source,
                ..
            }) if source.kind() == io::ErrorKind::NotFound => {
                "look at the spelling of the path; it counts from the current folder"
            }
            Self::Book(BookError::NoBook(_)) => {
                "make a book with `compband init`, or name one with --book DIR or COMPBAND_BOOK"
            }
            Self::Usage(_) => {
                "`compband --help` shows the commands, `compband COMMAND --help` how to use one"
            }
            _ => "",
        }
    }

    pub(super) fn is_closed_pipe(&self) -> bool {
        matches!(self, Self::Output(error) if error.kind() == io::ErrorKind::BrokenPipe)
    }
}

impl From<AppError> for CliError {
    fn from(error: AppError) -> Self {
        match error {
            AppError::Book(error) => Self::Book(error),
            AppError::Usage(text) => Self::Usage(text),
            AppError::Refused { message, next } => Self::Refused { message, next },
            AppError::Absent { message, next } => Self::Absent { message, next },
            AppError::Table(error) => Self::Table(error),
        }
    }
}

/// Errors of the library that a use case would say in the same words.
macro_rules! by_way_of_app {
    ($($error:ty),*) => {$(
        impl From<$error> for CliError {
            fn from(error: $error) -> Self {
                AppError::from(error).into()
            }
        }
    )*};
}

by_way_of_app!(SelectError, EstimateError, TermsError, Refusal);
