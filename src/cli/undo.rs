//! `compband undo`.

use std::path::Path;

use clap::Args;

use super::{CliError, count, fitted, notice, print};
use crate::app::Book;
use crate::app::undo::{Undone, take_back};
use crate::render::comps::line;

/// Models shown of those in an undone entry.
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

/// Undoes the last entry and reports it.
///
/// # Errors
/// If there is nothing to undo, or the book cannot be changed.
pub fn run(args: &UndoArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let undone = take_back(&book, args.dry_run, None, &mut notice)?;
    print(&message(&undone, args.dry_run))
}

/// Undoes the sale recorded as this entry, and reports it.
///
/// # Errors
/// If something else was recorded since, or the book cannot be changed.
pub fn of_entry(book: &Book, entry: u64) -> Result<(), CliError> {
    let undone = take_back(book, false, Some(entry), &mut notice)?;
    print(&message(&undone, false))
}

fn message(undone: &Undone, dry_run: bool) -> String {
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
