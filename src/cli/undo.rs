//! `compband undo`.

use std::path::Path;

use clap::Args;

use super::{CliError, count, fitted, notice, open, print};
use crate::app::Book;
use crate::app::undo::{Renaming, Undone, take_back, take_out};
use crate::render::comps::line;
use crate::trade::text::excerpt;

/// Models shown of those in an undone entry.
const SHOWN_MODELS: usize = 30;

const EXAMPLES: &str = "\
Examples:
  compband undo --dry-run     show what would be removed
  compband undo               remove the last import or logged sale
  compband undo --sale ID     remove a sale that was logged earlier";

/// Remove the last import or logged sale; it is kept in the folder `undone`
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct UndoArgs {
    /// Only show what would be removed
    #[arg(long)]
    dry_run: bool,
    /// Remove the logged sale with this id instead, even if others were recorded since
    #[arg(long, value_name = "ID")]
    sale: Option<String>,
}

/// Undoes the last entry and reports it.
///
/// # Errors
/// If there is nothing to undo, or the book cannot be changed.
pub fn run(args: &UndoArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let undone = match &args.sale {
        Some(id) => take_out(&book, args.dry_run, id, &mut notice)?,
        None => take_back(&book, args.dry_run, None, &mut notice)?,
    };
    print(&message(&undone, args.dry_run, args.sale.is_some()))
}

/// Undoes the sale recorded as this entry, and reports it.
///
/// # Errors
/// If something else was recorded since, or the book cannot be changed.
pub fn of_entry(book: &Book, entry: u64) -> Result<(), CliError> {
    let undone = take_back(book, false, Some(entry), &mut notice)?;
    print(&message(&undone, false, false))
}

fn message(undone: &Undone, dry_run: bool, chosen: bool) -> String {
    let done = if dry_run { "Would remove" } else { "Removed" };
    if let Some(names) = &undone.renamed {
        return name_back(undone, names, dry_run);
    }
    let what = if chosen {
        "the logged sale"
    } else if undone.logged {
        "the sale logged last"
    } else {
        "the last import"
    };
    let head = format!(
        "{done} {what} (sale record {}, {}): {}",
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
            "Back as recorded before: {}\n",
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

/// The message about a rename that is undone.
fn name_back(undone: &Undone, names: &Renaming, dry_run: bool) -> String {
    let shown = |name: &str| excerpt(name, 40);
    let done = if dry_run {
        "Would take back"
    } else {
        "Took back"
    };
    let head = format!(
        "{done} the rename of {} to {} (sale record {}, {}): {} again called {}.",
        shown(&names.old),
        shown(&names.new),
        undone.entry,
        undone.file,
        if undone.again == 1 {
            "1 sale is".to_string()
        } else {
            format!("{} are", count(undone.again, "sale"))
        },
        shown(&names.old),
    );
    let mut text = fitted(&head, "") + "\n";
    for name in &names.again {
        let line = format!("{} stands for {} again.", shown(name), shown(&names.old));
        text.push_str(&(fitted(&line, "") + "\n"));
    }
    for name in &names.open {
        let line = format!(
            "{} still stands for {}; if that is wrong, change its line below [words.model] in compband.toml.",
            shown(name),
            shown(&names.new)
        );
        text.push_str(&(fitted(&line, "") + "\n"));
    }
    if dry_run {
        text.push_str("Nothing was changed.\n");
    }
    text
}
