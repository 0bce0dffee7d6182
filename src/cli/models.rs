//! `compband models`.

use std::path::Path;

use clap::{Args, Subcommand};

use super::{CliError, empty_book, notice, open, page, print};
use crate::app::models::models;
use crate::app::rename::rename;
use crate::render::models::table;
use crate::render::numbers::counted;
use crate::render::sheet;
use crate::render::table::{PIPED, terminal_width};
use crate::trade::text::{quoted, shorten};

const EXAMPLES: &str = "\
Examples:
  compband models                     every model of the book
  compband models \"nulva 61k\"         one model (case and spacing ignored)
  compband models rename \"Nula 61K\" \"Nulva 61K\"
                                      rename a model, in the book and in later imports";

/// List the models of the book: how many sales, since when, at what prices, in what state
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, args_conflicts_with_subcommands = true)]
pub struct ModelsArgs {
    #[command(subcommand)]
    action: Option<Action>,
    /// Only these models
    #[arg(value_name = "MODEL")]
    models: Vec<String>,
}

/// What to do with models.
#[derive(Debug, Subcommand)]
enum Action {
    /// Rename a model, in the book and in later imports
    Rename {
        /// The old name
        old: String,
        /// The new name
        new: String,
    },
    /// Join other names into one model, in the book and in later imports
    Same {
        /// The model
        model: String,
        /// Its other names
        #[arg(required = true, value_name = "OTHER")]
        others: Vec<String>,
    },
}

/// Renames a model.
fn renamed(book: Option<&Path>, old: &str, new: &str) -> Result<(), CliError> {
    // Opened again for each name: the settings change.
    let book = open(book)?;
    let done = rename(&book, old, new, &mut notice)?;
    let width = terminal_width().unwrap_or(PIPED);
    let line = format!(
        "{} of {} {} of {}.",
        counted(done.sales as u64, "sale"),
        quoted(&shorten(old, 40)),
        if done.sales == 1 {
            "is now one"
        } else {
            "are now"
        },
        quoted(&shorten(new, 40))
    );
    let mut text = sheet::fitted(&line, "", Some(width)) + "\n";
    if let Some((entry, path)) = done.entry {
        let line = format!(
            "Sale record {entry} in {}; `compband undo` gives the sales their old name, the new name stays in \
                compband.toml, [words.model].",
            path.display()
        );
        text.push_str(&sheet::fitted(&line, "", Some(width)));
        text.push('\n');
    }
    print(&text)
}

/// Lists the models.
///
/// # Errors
/// If the book cannot be read, a model does not exist, or output fails.
pub fn run(args: &ModelsArgs, book: Option<&Path>) -> Result<(), CliError> {
    match &args.action {
        None => {}
        Some(Action::Rename { old, new }) => return renamed(book, old, new),
        Some(Action::Same { model, others }) => {
            return others
                .iter()
                .try_for_each(|other| renamed(book, other, model));
        }
    }
    let book = open(book)?;
    let models = models(&book, &args.models, &mut notice)?;
    if models.is_empty() {
        return print(&empty_book());
    }
    let width = terminal_width().unwrap_or(PIPED);
    page(&table(&models, book.settings(), Some(width)))
}
