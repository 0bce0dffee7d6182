//! Undoes the last import or logged sale.

use std::collections::BTreeSet;

use super::AppError;
use super::ledger::read_ledger;
use crate::book::Book;
use crate::deal::ledger::{State, name};
use crate::trade::entry::{Entry, Kind};
use crate::trade::names::match_key;
use crate::trade::problem::SHOWN;
use crate::trade::text::excerpt;

pub use crate::book::undo::{Renaming, Undone};

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
    let undone = book.undo(&lock, dry_run, notice)?.ok_or_else(absent)?;
    if meant.is_none() && undone.ledger_is_newer {
        newer_entry(book, notice)?;
    }
    if let Some(names) = undone.renamed.as_ref().filter(|names| !names.new_stays) {
        still_called(book, names, notice)?;
    }
    Ok(undone)
}

/// Notes the last entry of a ledger that was written after what is undone.
fn newer_entry(book: &Book, notice: &mut dyn FnMut(&str)) -> Result<(), AppError> {
    let ledger = read_ledger(book, &mut |_| {})?;
    let stands =
        |entry: &&Entry| entry.kind != Kind::Reverse && ledger.reversed_by(entry.number).is_none();
    if let Some(last) = ledger.entries().iter().rev().find(stands) {
        let of = last
            .deal
            .map_or(String::new(), |id| format!(" {}", name(id)));
        notice(&format!(
            "undo is for sales and imports only: ledger entry {} ({}{of}, {}) is newer and stays; \
             `compband ledger reverse {}` reverses it",
            last.number,
            last.kind.word(),
            last.on,
            last.number
        ));
    }
    Ok(())
}

/// Notes deals and watched units that have a name which an undone rename leaves without sales.
fn still_called(
    book: &Book,
    names: &Renaming,
    notice: &mut dyn FnMut(&str),
) -> Result<(), AppError> {
    let key = match_key(&names.new);
    if key == match_key(&names.old) {
        return Ok(());
    }
    let written = book.ledger(&mut |_| {})?;
    let of_key = |entry: &Entry| {
        let unit = entry.unit.as_ref();
        unit.is_some_and(|unit| match_key(&unit.model) == key)
    };
    let deals: BTreeSet<u32> = written
        .iter()
        .filter(|(_, entry)| of_key(entry))
        .filter_map(|(_, entry)| entry.deal)
        .collect();
    let ledger = read_ledger(book, &mut |_| {})?;
    let open = |id: &&u32| {
        ledger
            .deal(**id)
            .is_some_and(|deal| deal.state == State::Open)
    };
    let (new, old) = (excerpt(&names.new, 60), excerpt(&names.old, 60));
    for id in deals.iter().filter(open) {
        let deal = name(*id);
        notice(&format!(
            "{deal} is still recorded as {new}: compband ledger describe {deal} --model {old}, with its description"
        ));
    }
    let watched = book.watched()?;
    let watched = watched
        .iter()
        .filter(|(_, described)| match_key(&described.model) == key);
    for (unit, _) in watched {
        notice(&format!(
            "the watched unit {unit} is still called {new}: write {old} in watch.toml"
        ));
    }
    Ok(())
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
            excerpt(comp_id, SHOWN)
        ),
        next: "`compband comps` lists the ids; to remove an imported sale, delete its row in its file in comps/".into(),
    })
}
