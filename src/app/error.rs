//! Errors of use cases.

use std::collections::HashSet;
use std::io;
use std::path::PathBuf;

use polars::prelude::PolarsError;

use crate::band::estimate::EstimateError;
use crate::book::BookError;
use crate::deal::ledger::Refusal;
use crate::deal::outlet::TermsError;
use crate::select::plan::SelectError;
use crate::trade::Problem;
use crate::trade::names::match_key;
use crate::trade::text::{excerpt, nearest_few};

/// Error of a use case.
#[derive(Debug, thiserror::Error)]
pub enum AppError {
    /// An error of the book.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The request makes no sense.
    #[error("{0}")]
    Usage(String),
    /// Input was refused.
    #[error("{message}")]
    Refused {
        /// The refused input, and the reason.
        message: String,
        /// How to proceed, or empty.
        next: String,
    },
    /// The requested thing does not exist.
    #[error("{message}")]
    Absent {
        /// The missing thing.
        message: String,
        /// How to proceed, or empty.
        next: String,
    },
    /// The table library failed; the user is not the cause.
    #[error("cannot work out the table: {0}")]
    Table(#[from] PolarsError),
}

/// Kind of failure, for exit codes and the like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A failure of the system: reading, writing, the table library.
    System,
    /// The request makes no sense.
    Usage,
    /// Input was refused.
    Refused,
    /// Invalid settings.
    Settings,
    /// There is no such book, model or evidence.
    Absent,
    /// Another run has the lock of the book.
    Locked,
}

impl AppError {
    /// Wraps an I/O error with its path and the operation: `read`, `write` and the like.
    pub fn io(path: impl Into<PathBuf>, doing: &'static str) -> impl FnOnce(io::Error) -> Self {
        let wrap = BookError::io(path, doing);
        move |source| Self::Book(wrap(source))
    }

    /// The kind of failure.
    pub fn kind(&self) -> Kind {
        match self {
            Self::Book(BookError::Io { .. }) | Self::Table(_) => Kind::System,
            Self::Usage(_) => Kind::Usage,
            Self::Book(BookError::Rows(_) | BookError::Refused(_)) | Self::Refused { .. } => {
                Kind::Refused
            }
            Self::Book(BookError::Settings(_)) => Kind::Settings,
            Self::Book(BookError::NoBook(_)) | Self::Absent { .. } => Kind::Absent,
            Self::Book(BookError::Locked(_)) => Kind::Locked,
        }
    }

    /// The refused rows and values, each with its error.
    pub fn problems(&self) -> &[Problem] {
        match self {
            Self::Book(BookError::Rows(problems)) => problems,
            _ => &[],
        }
    }

    /// How to proceed, or empty.
    pub fn next(&self) -> &str {
        match self {
            Self::Refused { next, .. } | Self::Absent { next, .. } => next,
            Self::Book(BookError::Io {
                doing: "read",
                source,
                ..
            }) if source.kind() == io::ErrorKind::NotFound => {
                "check the spelling of the path; it starts at the current folder"
            }
            Self::Book(BookError::Io { source, .. })
                if source.kind() == io::ErrorKind::PermissionDenied =>
            {
                "this user may not do that there: change the permissions, or choose another folder"
            }
            Self::Book(BookError::NoBook(_)) => {
                "make a book with `compband init`, or name one with --book DIR or COMPBAND_BOOK"
            }
            _ => "",
        }
    }
}

impl From<SelectError> for AppError {
    fn from(error: SelectError) -> Self {
        match error {
            SelectError::NoModel { asked, near } => no_such_model(&asked, &near),
            SelectError::Query(error) => Self::Table(error),
        }
    }
}

impl From<EstimateError> for AppError {
    fn from(error: EstimateError) -> Self {
        Self::Absent {
            message: error.to_string(),
            next: "`compband comps` lists the sales in the book".into(),
        }
    }
}

impl From<TermsError> for AppError {
    fn from(error: TermsError) -> Self {
        let next = match error {
            TermsError::TooHeavy(_) => {
                "add a band to [shipping] in compband.toml, or give another weight"
            }
            TermsError::NotSent(_) => "leave --shipping out, or choose another outlet",
        };
        Self::Refused {
            message: error.to_string(),
            next: next.into(),
        }
    }
}

impl From<Refusal> for AppError {
    fn from(refusal: Refusal) -> Self {
        Self::Refused {
            message: refusal.message,
            next: refusal.next,
        }
    }
}

/// Advice on a book without comps.
pub(crate) const FILL_THE_BOOK: &str = "record sales with `compband import` or `compband log`";

/// The error for a model that the book does not have, with the most similar known names. Without
/// known names, the book is empty or none is similar.
pub fn unknown_model<'a>(asked: &str, known: impl IntoIterator<Item = &'a str>) -> AppError {
    let near: Vec<String> = nearest_few(asked, known, 5)
        .into_iter()
        .map(str::to_string)
        .collect();
    no_such_model(asked, &near)
}

/// The error for a model without sales, whose sales still have another name that stands for it.
pub fn left_behind(name: &str, model: &str) -> AppError {
    let (name, model) = (excerpt(name, 60), excerpt(model, 60));
    AppError::Refused {
        message: format!(
            "no sale is called {model}, but {name}, which stands for it in compband.toml, has sales"
        ),
        next: format!(
            "`compband models rename {name} {model}` gives the sales that name; to undo it, remove the line \
             {name} = {model} below [words.model] in compband.toml"
        ),
    }
}

/// The error for a model that the book does not have. Of spellings of one name the first is shown.
pub fn no_such_model(asked: &str, near: &[String]) -> AppError {
    let mut keys = HashSet::new();
    let near: Vec<&str> = near
        .iter()
        .map(String::as_str)
        .filter(|name| keys.insert(match_key(name)))
        .collect();
    let next = if near.is_empty() {
        format!("`compband models` lists the models of this book; {FILL_THE_BOOK}")
    } else {
        format!("the nearest names in this book: {}", near.join(", "))
    };
    AppError::Absent {
        message: format!("no comps of {asked:?} in this book"),
        next,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_one_model_are_named_once() {
        let near = ["NULVA 61K", "Nulva 61K", "Bolv 83V"].map(String::from);
        let error = no_such_model("Nulva 61X", &near);
        assert_eq!(
            error.next(),
            "the nearest names in this book: NULVA 61K, Bolv 83V"
        );
    }
}
