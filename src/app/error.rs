//! Errors of use cases.

use polars::prelude::PolarsError;

use crate::band::estimate::EstimateError;
use crate::book::BookError;
use crate::deal::ledger::Refusal;
use crate::deal::outlet::TermsError;
use crate::select::plan::SelectError;
use crate::trade::text::nearest_few;

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
            next: "`compband comps` lists what the book holds".into(),
        }
    }
}

impl From<TermsError> for AppError {
    fn from(error: TermsError) -> Self {
        let next = match error {
            TermsError::TooHeavy(_) => {
                "add a band to [shipping] in compband.toml, or say another weight"
            }
            TermsError::NotSent(_) => "leave --shipping out, or say another outlet",
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

/// The error for a model that the book does not have.
pub fn no_such_model(asked: &str, near: &[String]) -> AppError {
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
