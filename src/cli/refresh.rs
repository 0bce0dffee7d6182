//! `compband refresh`: estimates every watched unit again, and explains changes of its price.

use std::path::Path;
use std::time::Duration;

use clap::Args;

use super::{CliError, day_or_today, notice, open, parse_day, print, report_error, today};
use crate::app::refresh::{self as engine, Failed, Refreshed, State, chosen};
use crate::app::{AppError, Book};
use crate::parse::dates::WrittenDate;
use crate::render::table::terminal_width;
use crate::render::{change, document};

/// Time between two checks of the book's folder.
const LOOKED_AT: Duration = Duration::from_secs(1);

const EXAMPLES: &str = "\
Examples:
  compband refresh                 every watched unit
  compband refresh qn948 --json    one of them
  compband refresh --follow        keep running, and report each change; Ctrl-C ends it

The change of a likely price is split into steps that add up to it, to the cent. Each step puts one
more thing up to date, in this order: settings, the description of the unit, and other models; then
the date (sales get older, the trend goes on); then the sales that were removed, corrected or added,
each by its date. How past estimates did changes only the width of the range. Units for which nothing
changed are not estimated again. The estimates are kept in the folder `history` of the book, one file
per unit. If you stop it half-way, the units done so far are recorded; the next run does the others.";

/// Estimate watched units again, and say what moved and why
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct RefreshArgs {
    /// Names of watched units [default: all]
    #[arg(value_name = "NAME")]
    watched: Vec<String>,
    /// Estimate as of this date: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Keep running, and report again whenever the book changes
    #[arg(long)]
    follow: bool,
    /// Print JSON instead, with all details
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
    let book = open(book)?;
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
    let mut book = open(named)?;
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
            notice("watching the book; Ctrl-C ends it");
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
fn refresh(args: &RefreshArgs, book: &Book) -> Result<(Vec<Refreshed>, Vec<Failed>), CliError> {
    let watches = chosen(&args.watched, book.watched()?)?;
    let as_of = day_or_today(args.as_of, book.settings());
    Ok(engine::refresh(book, watches, as_of, &mut notice)?)
}
