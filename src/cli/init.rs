//! `compband init`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, say};
use crate::book::{Book, settings};

const EXAMPLES: &str = "\
Examples:
  compband init                 make a book in the current folder
  compband init ~/recorders     make a book in another folder";

/// Make a book: a folder of plain files for your settings and sold comps
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct InitArgs {
    /// Folder of the new book; made where it is missing
    #[arg(default_value = ".", value_name = "DIR")]
    dir: PathBuf,
}

/// Makes the book and says what to do with it.
///
/// # Errors
/// As [`Book::init`].
pub fn run(args: &InitArgs, _book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::init(&args.dir)?;
    let dir = &args.dir;
    let here = dir == Path::new(".");
    let enter = if here {
        String::new()
    } else {
        format!(" --book {}", dir.display())
    };
    say(&format!(
        "Made a book in {dir}:\n  {toml}  settings, each with its default (currency {currency})\n  \
         comps/         your comps, as CSV files\n  .compband/     lock and cache, safe to delete\n\n\
         Next:\n  compband import sales.csv{enter}\n  compband log --model \"Nerrow F4\" --price 120{enter}\n",
        dir = if here {
            "this folder".to_string()
        } else {
            dir.display().to_string()
        },
        toml = settings::FILE_NAME,
        currency = book.settings().currency.code,
    ))
}
