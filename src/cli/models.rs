//! `compband models`.

use std::path::Path;

use clap::{Args, Subcommand};

use super::prompt::{at_terminal, confirm};
use super::{CliError, empty_book, notice, open, page, print};
use crate::app::AppError;
use crate::app::models::models;
use crate::app::rename::{rename, sales_of};
use crate::render::models::table;
use crate::render::numbers::count as counted;
use crate::render::prose;
use crate::render::table::{PIPED, terminal_width};
use crate::trade::names::match_key;
use crate::trade::text::excerpt;

const EXAMPLES: &str = "\
Examples:
  compband models                     every model of the book
  compband models \"nulva 61k\"         one model (case and spacing ignored)
  compband models rename \"Nula 61K\" \"Nulva 61K\"
                                      rename a model, in the book and in later imports
  compband models same \"Nulva 61K\" \"Nula 61K\" \"Nulva-61K\"
                                      join models: the first name stays, the others stand for it

`rename OLD NEW` names the old name first, `same MODEL OTHER` the name that stays. To take a rename
back: `compband undo` while nothing was recorded since, or `rename NEW OLD`.";

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
    /// Join models into the first one named, whose name stays, in the book and in later imports
    Same {
        /// The model whose name stays
        model: String,
        /// Names that become other names of it
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
    let (from, to) = (shown(&done.from), shown(&done.to));
    for (asked, meant) in [(old, &done.from), (new, &done.to)] {
        if match_key(asked) != match_key(meant) {
            notice(&format!(
                "{} stands for {} in this book",
                shown(asked),
                shown(meant)
            ));
        }
    }
    let line = match done.sales {
        0 if match_key(&done.from) == match_key(&done.to) => {
            format!("{} is another name of {to} already.", shown(old))
        }
        0 => format!("{from} is now another name of {to}; no sale has it."),
        1 => format!("1 sale of {from} is now one of {to}."),
        sales => format!(
            "{} of {from} are now of {to}.",
            counted(sales as u64, "sale")
        ),
    };
    let mut text = prose::fitted(&line, "", Some(width)) + "\n";
    if let Some((entry, path)) = done.entry {
        let line = format!(
            "Sale record {entry} in {}; `compband undo` takes it back, with its line in compband.toml, [words.model].",
            path.display()
        );
        text.push_str(&prose::fitted(&line, "", Some(width)));
        text.push('\n');
    }
    print(&text)
}

/// A name as messages show it.
fn shown(name: &str) -> String {
    excerpt(name.trim(), 40)
}

/// Joins other names into a model. If one of them has more sales than the model, its user is asked or informed.
fn same(path: Option<&Path>, model: &str, others: &[String]) -> Result<(), CliError> {
    for other in others {
        let book = open(path)?;
        let (kept, joined) = (sales_of(&book, model)?, sales_of(&book, other)?);
        if joined > kept {
            let counts = format!(
                "{} has {}, {} has {}",
                shown(other),
                counted(joined as u64, "sale"),
                shown(model),
                counted(kept as u64, "sale")
            );
            if !at_terminal() {
                notice(&format!(
                    "{counts}: all are now called {}; the other way round: compband models rename {} {}",
                    shown(model),
                    shown(model),
                    shown(other)
                ));
            } else if confirm(
                &format!("{counts}. Call all of them {}?", shown(model)),
                false,
            )? != Some(true)
            {
                return Err(AppError::Refused {
                    message: format!("{} was not joined", shown(other)),
                    next: format!(
                        "to keep that name: compband models same {} {}",
                        shown(other),
                        shown(model)
                    ),
                }
                .into());
            }
        }
        renamed(path, other, model)?;
    }
    Ok(())
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
            return same(book, model, others);
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
