//! `compband init`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::prompt::{Answer, Question, at_terminal};
use super::{CliError, fitted, print};
use crate::app::{AppError, Book};
use crate::settings;
use crate::trade::Currency;

const EXAMPLES: &str = "\
Examples:
  compband init                 make a book in the current folder
  compband init ~/recorders     make a book in another folder
  compband init --currency USD  with amounts in US dollars";

/// Make a book: a folder of plain files for your settings and past sales
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct InitArgs {
    /// Folder of the new book; made if it is missing [default: that of --book, or this one]
    #[arg(value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Currency of your amounts, as its code (ISO 4217) [default: asks on a terminal, else EUR]
    #[arg(long, value_name = "CODE", value_parser = code)]
    currency: Option<Currency>,
}

fn code(text: &str) -> Result<Currency, String> {
    Currency::of_code(text).ok_or_else(|| "write its three-letter code, such as USD".into())
}

/// The given currency, or the answer of somebody at the terminal.
fn currency(args: &InitArgs) -> Result<Option<Currency>, CliError> {
    if args.currency.is_some() || !at_terminal() {
        return Ok(args.currency.clone());
    }
    let question = Question {
        text: "Currency of your amounts (code)",
        usual: "EUR",
        ..Question::default()
    };
    let check = |answer: &str| code(answer).map(|currency| currency.code);
    match question.ask(check)? {
        Answer::Text(answer) => Ok(Currency::of_code(&answer)),
        Answer::Undo | Answer::End => Err(AppError::Refused {
            message: "no book was made".into(),
            next: String::new(),
        }
        .into()),
    }
}

/// Makes the book and shows the next steps.
///
/// # Errors
/// Those of [`Book::init`].
pub fn run(args: &InitArgs, book: Option<&Path>) -> Result<(), CliError> {
    let dir = args.dir.as_deref().or(book).unwrap_or(Path::new("."));
    let book = Book::init_in(dir, currency(args)?.as_ref())?;
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
         comps/         your sales, as CSV files\n  .compband/     lock and cache, safe to delete\n\n\
         Next:\n  compband import sales.csv{enter}\n  compband log --model \"Nulva 61K\" --price 120{enter}\n",
        toml = settings::FILE_NAME,
        currency = book.settings().currency.code,
    ))
}
