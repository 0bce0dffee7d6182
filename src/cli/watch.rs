//! `compband watch`: the units whose price is estimated again and again.

use std::path::Path;

use clap::{Args, Subcommand};

use super::unit::MeantArgs;
use super::{CliError, fitted, notice, open, print};
use crate::app::{Book, watch};
use crate::render::sheet;
use crate::render::table::{Grid, Kind, terminal_width};

const EXAMPLES: &str = "\
Examples:
  compband watch add qn948 --model \"Tumrik QN 948\" --grade C --set storage=32
  compband watch add mine d7             the unit of a deal, as described today
  compband watch list
  compband watch remove qn948

Watched units are kept in watch.toml in the folder of the book; you can edit it by hand.
`compband refresh` estimates them and says what moved; `compband history NAME` shows the past.";

/// Follow the price of units: name them once, then `compband refresh`
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct WatchArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Watch a unit under a name (with the flags of `compband estimate`)
    Add(Box<AddArgs>),
    /// List the watched units
    List,
    /// Stop watching a unit; its history stays
    Remove(NameArg),
}

#[derive(Debug, Args)]
struct AddArgs {
    /// Name for it: letters, digits, - and _
    #[arg(value_name = "NAME")]
    name: String,
    #[command(flatten)]
    unit: MeantArgs,
}

#[derive(Debug, Args)]
struct NameArg {
    /// Its name
    #[arg(value_name = "NAME")]
    watched: String,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read or written, a name is taken or unknown, or a value is not of the
/// book's scales.
pub fn run(args: &WatchArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    match &args.what {
        What::Add(args) => add(args, &book),
        What::List => list(&book),
        What::Remove(args) => {
            let removed = watch::remove(&book, &args.watched, &mut notice)?;
            let message = format!(
                "Stopped watching {} ({}). Its history stays.",
                args.watched, removed.model
            );
            print(&(fitted(&message, "") + "\n"))
        }
    }
}

fn add(args: &AddArgs, book: &Book) -> Result<(), CliError> {
    let (given, today) = (args.unit.watched(book)?, args.unit.day(book.settings()));
    let subject = watch::add(book, &args.name, &given, today, &mut notice)?;
    let message = format!(
        "Watching {}: {}. `compband refresh` estimates it.",
        args.name,
        sheet::unit(&subject)
    );
    print(&(fitted(&message, "") + "\n"))
}

fn list(book: &Book) -> Result<(), CliError> {
    let watches = watch::list(book, &mut notice)?;
    if watches.is_empty() {
        return print(&(fitted(NOTHING, "") + "\n"));
    }
    let mut grid = Grid::ranked(&[
        ("name", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("last", Kind::Fixed, 2),
        ("likely", Kind::Number, 0),
    ]);
    let currency = &book.settings().currency;
    for watched in watches {
        let last = watched.last;
        grid.push(vec![
            watched.name,
            sheet::unit(&watched.subject),
            last.as_ref()
                .map_or(String::new(), |last| last.as_of.to_string()),
            last.map_or(String::new(), |last| currency.plain(last.foreseen.likely)),
        ]);
    }
    print(&grid.render(terminal_width()))
}

/// The message if nothing is watched.
const NOTHING: &str =
    "No unit is watched yet. Add one: compband watch add NAME --model MODEL, with its description.";
