//! `compband init`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, fitted, print};
use crate::book::Book;
use crate::settings;

const EXAMPLES: &str = "\
Examples:
  compband init                 make a book in the current folder
  compband init ~/recorders     make a book in another folder";

/// Make a book: a folder of plain files for your settings and sold comps
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct InitArgs {
    /// Folder of the new book, made where it is missing [default: that of --book, or this one]
    #[arg(value_name = "DIR")]
    dir: Option<PathBuf>,
}

/// Makes the book and says what to do with it.
///
/// # Errors
/// As [`Book::init`].
pub fn run(args: &InitArgs, book: Option<&Path>) -> Result<(), CliError> {
    let dir = args.dir.as_deref().or(book).unwrap_or(Path::new("."));
    let book = Book::init(dir)?;
    let here = dir == Path::new(".");
    let enter = if here {
        String::new()
    } else {
        format!(" --book {}", dir.display())
    };
    let made = if here {
        "Made a book in this folder:".to_string()
    } else {
        fitted(&format!("Made a book in {}:", dir.display()), "")
    };
    print(&format!(
        "{made}\n  {toml}  settings, each with its default (currency {currency})\n  \
         comps/         your comps, as CSV files\n  .compband/     lock and cache, safe to delete\n\n\
         Next:\n  compband import sales.csv{enter}\n  compband log --model \"Nerrow F4\" --price 120{enter}\n",
        toml = settings::FILE_NAME,
        currency = book.settings().currency.code,
    ))
}
