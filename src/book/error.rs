//! Errors of operations on a book.

use crate::settings::SettingsError;
use crate::trade::Problem;
use std::path::PathBuf;

/// Error for a path that leads out of the book's folder.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct LeadsAway(pub String);

/// Error of an operation on a book.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// Reading or writing failed.
    #[error("{path}: cannot {doing}: {source}", path = path.display())]
    Io {
        /// File or folder concerned.
        path: PathBuf,
        /// The verb: `read`, `write`, `lock` and the like.
        doing: &'static str,
        /// The system's error.
        source: std::io::Error,
    },
    /// No `compband.toml` here or above, or not at the named place.
    #[error("{0}")]
    NoBook(String),
    /// The settings file is invalid; the text gives the place and the fix.
    #[error("{0}")]
    Settings(String),
    /// All invalid rows.
    #[error("{} problem{} in the input", .0.len(), if .0.len() == 1 { "" } else { "s" })]
    Rows(Vec<Problem>),
    /// The request is not possible with this book; the text gives the reason and the fix.
    #[error("{0}")]
    Refused(String),
    /// Another run has the lock of the book.
    #[error("{0}")]
    Locked(String),
}

impl From<SettingsError> for BookError {
    fn from(error: SettingsError) -> Self {
        Self::Settings(error.0)
    }
}

impl BookError {
    /// Refuses input with problems.
    ///
    /// # Errors
    /// [`BookError::Rows`] if there are any.
    pub fn refuse(problems: Vec<Problem>) -> Result<(), Self> {
        if problems.is_empty() {
            return Ok(());
        }
        Err(Self::Rows(problems))
    }

    /// Wraps an I/O error with its path and the operation. A path that leads out of the book is
    /// refused.
    pub fn io(
        path: impl Into<PathBuf>,
        doing: &'static str,
    ) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| match source.downcast::<LeadsAway>() {
            Ok(away) => Self::Refused(away.to_string()),
            Err(source) => Self::Io {
                path,
                doing,
                source,
            },
        }
    }
}
