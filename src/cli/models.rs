//! `compband models`.

use std::path::Path;

use clap::Args;

use super::{CliError, empty_book, notice, print};
use crate::app::Book;
use crate::app::models::models;
use crate::render::models::table;
use crate::render::table::terminal_width;

const EXAMPLES: &str = "\
Examples:
  compband models                     every model of the book
  compband models \"nerrow f4\"         one model (case and spacing ignored)";

/// Sum the book up by model: how many comps, since when, at what prices, in what state
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ModelsArgs {
    /// Only these models
    #[arg(value_name = "MODEL")]
    models: Vec<String>,
}

/// Lists the models.
///
/// # Errors
/// Where the book cannot be read, a model does not exist, or output fails.
pub fn run(args: &ModelsArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let models = models(&book, &args.models, &mut notice)?;
    if models.is_empty() {
        return print(&empty_book());
    }
    print(&table(&models, book.settings(), terminal_width()))
}
