//! Undoes the last import or logged sale.

use super::AppError;
use crate::book::Book;

pub use crate::book::undo::Undone;

/// Undoes the last entry, or with `dry_run` only returns it. Only entry `meant` is undone, if given.
///
/// # Errors
/// If there is no entry, another entry was recorded later, or the book cannot be changed.
pub fn take_back(
    book: &Book,
    dry_run: bool,
    meant: Option<u64>,
    notice: &mut dyn FnMut(&str),
) -> Result<Undone, AppError> {
    let lock = book.lock(notice)?;
    let absent = || AppError::Absent {
        message: "nothing to take back: this book has no comps".into(),
        next: "record some with `compband import` or `compband log`".into(),
    };
    if let Some(meant) = meant {
        let last = book.undo(&lock, true, &mut |_| {})?.ok_or_else(absent)?;
        if last.entry != meant {
            return Err(AppError::Refused {
                message: format!(
                    "entry {meant} is not the last any more: another run recorded entry {} or took it back",
                    last.entry
                ),
                next: "`compband undo --dry-run` shows what `compband undo` would take back".into(),
            });
        }
    }
    book.undo(&lock, dry_run, notice)?.ok_or_else(absent)
}
