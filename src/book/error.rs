//! Why an operation on a book failed.

use crate::settings::SettingsError;
use crate::trade::Problem;
use std::path::PathBuf;

/// Why a path in a book is not followed: it leads out of the folder.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct LeadsAway(pub String);

/// Why an operation on a book failed.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// Reading or writing failed.
    #[error("{path}: cannot {doing}: {source}", path = path.display())]
    Io {
        /// File or folder concerned.
        path: PathBuf,
        /// The verb: `read`, `write`, `lock` and the like.
        doing: &'static str,
        /// The system's own error.
        source: std::io::Error,
    },
    /// No `compband.toml` here or above, or not at the place named.
    #[error("{0}")]
    NoBook(String),
    /// The settings file is wrong; the text says where and how to mend it.
    #[error("{0}")]
    Settings(String),
    /// Rows that cannot be taken, every one of them.
    #[error("{} problem{} in the input", .0.len(), if .0.len() == 1 { "" } else { "s" })]
    Rows(Vec<Problem>),
    /// What was asked cannot be done with this book; the text says why and what to do.
    #[error("{0}")]
    Refused(String),
    /// Another run holds the book.
    #[error("{0}")]
    Locked(String),
}

impl From<SettingsError> for BookError {
    fn from(error: SettingsError) -> Self {
        Self::Settings(error.0)
    }
}

impl BookError {
    /// Wraps an I/O error with its path and what was being done; a path that leads out of the book
    /// is refused.
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
