//! Errors of commands, with their exit codes.

use std::io;

use crate::app::AppError;
use crate::app::error::Kind;
use crate::render::chart::ChartError;

/// Error of a command.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// A use case failed.
    #[error(transparent)]
    App(AppError),
    /// Writing to the terminal (or the pipe) failed.
    #[error("cannot write the output: {0}")]
    Output(#[from] io::Error),
    /// An answer could not be read from the terminal.
    #[error("cannot read the answer: {0}")]
    Answer(io::Error),
    /// The parser does not understand the command line.
    #[error("{message}")]
    Line {
        /// The part that it does not understand.
        message: String,
        /// How to proceed.
        next: String,
    },
    /// The computer's clock is wrong.
    #[error("the clock of this computer shows a date before 1970: set it")]
    Clock,
}

/// The errors of use cases, and errors that convert to them.
impl<E: Into<AppError>> From<E> for CliError {
    fn from(error: E) -> Self {
        Self::App(error.into())
    }
}

impl From<ChartError> for CliError {
    fn from(error: ChartError) -> Self {
        Self::App(match error {
            ChartError::Io { path, source } => AppError::io(path, "write")(source),
            other => AppError::Refused {
                message: other.to_string(),
                next: String::new(),
            },
        })
    }
}

impl CliError {
    /// The command line makes no sense.
    pub(super) fn usage(text: impl Into<String>) -> Self {
        Self::App(AppError::Usage(text.into()))
    }

    /// Exit code of the process.
    pub(super) fn code(&self) -> u8 {
        match self {
            Self::Output(_) | Self::Answer(_) | Self::Clock => 1,
            Self::Line { .. } => 2,
            Self::App(error) => match error.kind() {
                Kind::System => 1,
                Kind::Usage => 2,
                Kind::Refused => 3,
                Kind::Settings => 4,
                Kind::Absent => 5,
                Kind::Locked => 6,
            },
        }
    }

    /// Lines below the message.
    pub(super) fn details(&self) -> Vec<String> {
        match self {
            Self::App(error) => error.problems().iter().map(ToString::to_string).collect(),
            _ => Vec::new(),
        }
    }

    /// How to proceed, if known.
    pub(super) fn next(&self) -> &str {
        match self {
            Self::App(error) if error.kind() == Kind::Usage => {
                "`compband --help` shows the commands, `compband COMMAND --help` how to use one"
            }
            Self::App(error) => error.next(),
            Self::Line { next, .. } => next,
            _ => "",
        }
    }

    pub(super) fn is_closed_pipe(&self) -> bool {
        matches!(self, Self::Output(error) if error.kind() == io::ErrorKind::BrokenPipe)
    }
}
