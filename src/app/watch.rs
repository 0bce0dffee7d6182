//! Watched units and their past estimates.

use chrono::NaiveDate;

use super::AppError;
use super::describe::{Description, asked, fit_to_keep, one_line, unit};
use crate::book::Book;
use crate::book::history::Record;
use crate::book::watch::{name_fault, no_such_watch};
use crate::trade::Unit;

/// A watched unit with its last estimate, if any.
#[derive(Debug)]
pub struct Watched {
    /// Its name.
    pub name: String,
    /// The unit.
    pub subject: Unit,
    /// Its last estimate.
    pub last: Option<Record>,
}

/// Adds a watched unit and returns it. A unit without an estimate on this day is refused, as its model is
/// probably misspelt.
///
/// # Errors
/// If a value is not on the book's scales, the name is taken, or the book cannot be written.
pub fn add(
    book: &Book,
    name: &str,
    given: &Description,
    on: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Unit, AppError> {
    let unit = unit(book, given, on, notice)?;
    let made = unit.estimate(unit.selection()?)?;
    one_line("--model", &made.subject.model)?;
    fit_to_keep(&made.subject)?;
    let mut given = given.clone();
    given.model = given.model.trim().to_string();
    let lock = book.lock(notice)?;
    book.add_watched(&lock, name, &given)?;
    Ok(made.subject)
}

/// Lists the watched units by name.
///
/// # Errors
/// If they cannot be read, or a value is not on the book's scales.
pub fn list(book: &Book, notice: &mut dyn FnMut(&str)) -> Result<Vec<Watched>, AppError> {
    let watches = book.watched()?.into_iter();
    let watched = watches.map(|(name, given)| {
        Ok(Watched {
            subject: asked(&given, book.settings(), notice)?.1,
            last: book.history(&name, notice)?.pop(),
            name,
        })
    });
    watched.collect()
}

/// Removes a watched unit and returns its description; its history stays.
///
/// # Errors
/// If no watched unit has the name, or the book cannot be written.
pub fn remove(
    book: &Book,
    name: &str,
    notice: &mut dyn FnMut(&str),
) -> Result<Description, AppError> {
    let lock = book.lock(notice)?;
    Ok(book.remove_watched(&lock, name)?)
}

/// The recorded estimates of a watched unit, or of a removed one.
///
/// # Errors
/// If there are none of this name, or they cannot be read.
pub fn history(
    book: &Book,
    name: &str,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Record>, AppError> {
    let records = match name_fault(name) {
        None => book.history(name, notice)?,
        Some(_) => Vec::new(),
    };
    if records.is_empty() {
        return Err(absent(book, name)?);
    }
    Ok(records)
}

fn absent(book: &Book, name: &str) -> Result<AppError, AppError> {
    let watches = book.watched()?;
    Ok(if watches.contains_key(name) {
        AppError::Absent {
            message: format!("{name:?} has not been estimated yet"),
            next: format!("`compband refresh {name}` makes the first estimate"),
        }
    } else {
        AppError::Absent {
            message: no_such_watch(name, watches.keys()),
            next: "`compband watch list` shows the watched units".into(),
        }
    })
}
