//! Undoes the last import or logged sale.

use super::AppError;
use crate::book::Book;
use crate::trade::problem::SHOWN;
use crate::trade::text::{quoted, shorten};

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
        message: "nothing to undo: this book has no comps".into(),
        next: "record some with `compband import` or `compband log`".into(),
    };
    if let Some(meant) = meant {
        let last = book.undo(&lock, true, &mut |_| {})?.ok_or_else(absent)?;
        if last.entry != meant {
            return Err(AppError::Refused {
                message: format!(
                    "sale record {meant} is no longer the last: another compband recorded {} or undid it",
                    last.entry
                ),
                next: "`compband undo --dry-run` shows what `compband undo` would remove".into(),
            });
        }
    }
    book.undo(&lock, dry_run, notice)?.ok_or_else(absent)
}

/// Takes a logged sale out, whatever was recorded since, or with `dry_run` only returns it.
///
/// # Errors
/// If there is no such sale, or the book cannot be changed.
pub fn take_out(
    book: &Book,
    dry_run: bool,
    comp_id: &str,
    notice: &mut dyn FnMut(&str),
) -> Result<Undone, AppError> {
    let lock = book.lock(notice)?;
    let undone = book.undo_sale(&lock, dry_run, comp_id.trim(), notice)?;
    undone.ok_or_else(|| AppError::Absent {
        message: format!(
            "no logged sale has the id {}",
            quoted(&shorten(comp_id, SHOWN))
        ),
        next: "`compband comps` lists the ids; to remove an imported sale, delete its row in its file in comps/".into(),
    })
}
