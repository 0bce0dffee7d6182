//! `compband undo`.

use std::path::Path;

use clap::Args;

use super::{CliError, count, fitted, notice, print};
use crate::book::Book;
use crate::book::store::Undone;
use crate::trade::Comp;
use crate::trade::money::money_text;

/// Models shown of those that an undo takes back.
const SHOWN_MODELS: usize = 30;

const EXAMPLES: &str = "\
Examples:
  compband undo --dry-run     show what would be taken back
  compband undo               take the last import or logged sale back";

/// Take the last import or logged sale back; it is kept in the folder `undone`
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct UndoArgs {
    /// Only show what would be taken back
    #[arg(long)]
    dry_run: bool,
}

/// Takes the last entry back and says what it was.
///
/// # Errors
/// Where there is nothing to take back, or the book cannot be changed.
pub fn run(args: &UndoArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let undone = take_back(&book, args.dry_run, None)?;
    print(&told(&undone, args.dry_run))
}

/// Takes the sale back that was recorded as this entry, and says so.
///
/// # Errors
/// Where something else was recorded since, or the book cannot be changed.
pub fn of_entry(book: &Book, entry: u64) -> Result<(), CliError> {
    print(&told(&take_back(book, false, Some(entry))?, false))
}

/// Takes the last entry back, where that is the one meant.
fn take_back(book: &Book, dry_run: bool, meant: Option<u64>) -> Result<Undone, CliError> {
    let lock = book.lock(&mut notice)?;
    let absent = || CliError::Absent {
        message: "nothing to take back: this book has no comps".into(),
        next: "record some with `compband import` or `compband log`".into(),
    };
    if let Some(meant) = meant {
        let last = book.undo(&lock, true, &mut |_| {})?.ok_or_else(absent)?;
        if last.entry != meant {
            return Err(CliError::Refused {
                message: format!(
                    "entry {meant} is not the last any more: another run recorded entry {} or took it back",
                    last.entry
                ),
                next: "`compband undo --dry-run` shows what `compband undo` would take back".into(),
            });
        }
    }
    book.undo(&lock, dry_run, &mut notice)?.ok_or_else(absent)
}

fn told(undone: &Undone, dry_run: bool) -> String {
    let done = if dry_run {
        "Would take back"
    } else {
        "Took back"
    };
    let what = if undone.logged {
        "the sale logged last"
    } else {
        "the last import"
    };
    let head = format!(
        "{done} {what} (entry {}, {}): {}",
        undone.entry,
        undone.file,
        count(undone.rows, "comp")
    );
    let mut text = fitted(&head, "") + "\n";
    for (model, rows) in undone.models.iter().take(SHOWN_MODELS) {
        text.push_str(&format!("  {model}: {rows}\n"));
    }
    let more = undone.models.len().saturating_sub(SHOWN_MODELS);
    if more > 0 {
        text.push_str(&format!("  and {}\n", count(more, "more model")));
    }
    if undone.again > 0 {
        text.push_str(&format!(
            "In force again as recorded before: {}\n",
            count(undone.again, "comp")
        ));
        for comp in &undone.again_shown {
            text.push_str(&format!("  {}\n", line(comp)));
        }
        if undone.again > undone.again_shown.len() {
            text.push_str(&format!(
                "  and {} more\n",
                undone.again - undone.again_shown.len()
            ));
        }
    }
    if dry_run {
        text.push_str("Nothing was changed.\n");
    } else {
        text.push_str("It is kept in the folder undone.\n");
    }
    text
}

/// A comp in one line.
pub fn line(comp: &Comp) -> String {
    let kind: Vec<&str> = [comp.variant.as_str(), &comp.completeness, &comp.grade]
        .into_iter()
        .filter(|text| !text.is_empty())
        .collect();
    let kind = if kind.is_empty() {
        String::new()
    } else {
        format!(", {}", kind.join(", "))
    };
    let day = comp
        .sold_on
        .map_or("on a day not recorded".to_string(), |day| day.to_string());
    let parts = if comp.works { "" } else { ", parts only" };
    let paid = comp.foreign.as_ref().map_or(String::new(), |foreign| {
        format!(" (paid {})", foreign.paid())
    });
    format!(
        "{}: {}{kind}{parts}, sold {day} for {} {} + {} shipping{paid}",
        comp.comp_id,
        comp.model,
        money_text(comp.price),
        comp.currency,
        money_text(comp.shipping)
    )
}
