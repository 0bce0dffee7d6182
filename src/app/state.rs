//! The state of the files of a book, to notice changes.

use xxhash_rust::xxh3::xxh3_64;

use super::AppError;
use crate::book::{Book, rates};

/// A value that changes with the files of a book that its owner changes: sales, settings, watched units, exchange
/// rates and the ledger. It comes from their names, sizes and times alone.
///
/// # Errors
/// If a folder cannot be read.
pub fn of(book: &Book) -> Result<u64, AppError> {
    let mark = book.mark()?;
    let rates = book.stamp(&book.root().join(rates::FILE_NAME))?;
    let ledger = book.stamp(&book.ledger_path())?;
    Ok(xxh3_64(format!("{mark} {rates:?} {ledger:?}").as_bytes()))
}
