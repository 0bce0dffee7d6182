//! `compband refresh`: estimates every watched unit again, and explains changes of its price.

use std::path::Path;
use std::time::Duration;

use clap::Args;

use super::{CliError, day_or_today, notice, parse_day, print, report_error, today};
use crate::app::refresh::{self as engine, Failed, State, Told, chosen};
use crate::app::{AppError, Book};
use crate::parse::dates::WrittenDate;
use crate::render::change;
use crate::render::document;
use crate::render::table::terminal_width;

/// Time between two checks of the book's folder.
const LOOKED_AT: Duration = Duration::from_secs(1);

const EXAMPLES: &str = "\
Examples:
  compband refresh                 every watched unit
  compband refresh qn948 --json    one of them
  compband refresh --follow        again whenever something is logged; Ctrl-C ends it

The change of a likely price is told in steps that add up to it, to the cent. Each estimate on the
way is made anew with one more of its inputs as they are now, in this order: settings, what is
said of the unit and other models; then the day (sales age, the trend goes on); then the comps,
gone, corrected, new, each by its day. How past bands held moves the band alone. What did not
change is not estimated again. The estimates are kept in the folder `history` of the book, a
file for each unit: a run that is stopped half-way has recorded some of them, which `compband history`
shows, and the next run records the others.";

/// Estimate what is watched again and say what moved and why
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct RefreshArgs {
    /// Names of watched units [default: all]
    #[arg(value_name = "NAME")]
    watched: Vec<String>,
    /// Day of the estimates: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Go on looking at the book, and say again what moved when it changes
    #[arg(long)]
    follow: bool,
    /// Print everything as JSON instead
    #[arg(long, conflicts_with = "follow")]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// If nothing is watched, the book cannot be read or written, or a unit cannot be estimated; the
/// others are still estimated.
pub fn run(args: &RefreshArgs, book: Option<&Path>) -> Result<(), CliError> {
    if args.follow {
        return follow(args, book);
    }
    let book = Book::open(book)?;
    let (refreshed, failed) = refresh(args, &book)?;
    if args.json {
        print(&document::text(&document::refresh::document(&refreshed))?)?;
    } else if !refreshed.is_empty() {
        print(&change::sheet(&refreshed, terminal_width()))?;
    }
    ended(failed)
}

/// Reports all failures except the first, and returns that one.
///
/// # Errors
/// The first failure.
pub fn ended(failed: Vec<(String, impl Into<CliError>)>) -> Result<(), CliError> {
    let mut failed = failed
        .into_iter()
        .map(|(name, error)| of_unit(&name, error));
    let first = failed.next();
    failed.for_each(|error| report_error(&error));
    first.map_or(Ok(()), Err)
}

/// The error with the name of its unit.
fn of_unit(name: &str, error: impl Into<CliError>) -> CliError {
    let place = |message: String| format!("watched unit {name:?}: {message}");
    match error.into() {
        CliError::App(AppError::Refused { message, next }) => CliError::App(AppError::Refused {
            message: place(message),
            next,
        }),
        CliError::App(AppError::Absent { message, next }) => CliError::App(AppError::Absent {
            message: place(message),
            next,
        }),
        other => other,
    }
}

/// Refreshes, and again whenever the files of the book (or the day) change.
fn follow(args: &RefreshArgs, named: Option<&Path>) -> Result<(), CliError> {
    let mut book = Book::open(named)?;
    let mut first = true;
    loop {
        let seen = (book.mark()?, today());
        match refresh(args, &book) {
            Ok((mut refreshed, failed)) => {
                refreshed.retain(|refreshed| first || !matches!(refreshed.state, State::Same));
                if !refreshed.is_empty() {
                    print(&change::sheet(&refreshed, terminal_width()))?;
                }
                for (name, error) in failed {
                    report_error(&of_unit(&name, error));
                }
            }
            // A file during an edit may be valid again at the next check.
            Err(error) if !first => report_error(&error),
            Err(error) => return Err(error),
        }
        if std::mem::take(&mut first) {
            notice("looking at the book from here on; Ctrl-C ends it");
        }
        while (book.mark()?, today()) == seen {
            std::thread::sleep(LOOKED_AT);
        }
        book = reopened(named);
    }
}

/// The book in its present state; waits until settings during an edit are valid again.
fn reopened(named: Option<&Path>) -> Book {
    let mut shown = String::new();
    loop {
        match Book::open(named) {
            Ok(book) => return book,
            Err(error) => {
                let error = CliError::from(error);
                if shown != error.to_string() {
                    shown = error.to_string();
                    report_error(&error);
                }
                std::thread::sleep(LOOKED_AT);
            }
        }
    }
}

/// Estimates the requested units and records changes, in the order of names.
fn refresh(args: &RefreshArgs, book: &Book) -> Result<(Vec<Told>, Vec<Failed>), CliError> {
    let watches = chosen(&args.watched, book.watched()?)?;
    let as_of = day_or_today(args.as_of, book.settings());
    Ok(engine::refresh(book, watches, as_of, &mut notice)?)
}
