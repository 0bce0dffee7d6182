//! `compband watch`: the units whose price is looked at again and again.

use std::path::Path;

use clap::{Args, Subcommand};

use super::deals::{fit_to_keep, one_line};
use super::unit::UnitArgs;
use super::{CliError, fitted, notice, print};
use crate::book::Book;
use crate::render::sheet;
use crate::render::table::{Grid, Kind, terminal_width};

const EXAMPLES: &str = "\
Examples:
  compband watch add page6 --model \"Tolvik Page 6\" --grade C --set storage=32
  compband watch list
  compband watch remove page6

Watched units stand in watch.toml in the folder of the book, which can be changed by hand.
`compband refresh` estimates them and says what moved; `compband history NAME` shows the past.";

/// Watch what units will sell for: name them once, then `compband refresh`
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct WatchArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Watch a unit by a name (the flags are those of `compband estimate`)
    Add(Box<AddArgs>),
    /// List what is watched
    List,
    /// Watch a unit no longer; its history stays
    Remove(NameArg),
}

#[derive(Debug, Args)]
struct AddArgs {
    /// Name to call it by: letters, digits, - and _
    #[arg(value_name = "NAME")]
    name: String,
    #[command(flatten)]
    unit: UnitArgs,
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
/// Where the book cannot be read or written, a name is taken or unknown, or a value is not of the
/// book's scales.
pub fn run(args: &WatchArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    match &args.what {
        What::Add(args) => add(args, &book),
        What::List => list(&book),
        What::Remove(args) => {
            let lock = book.lock(&mut notice)?;
            let removed = book.remove_watched(&lock, &args.watched)?;
            let told = format!(
                "No longer watched: {} ({}). Its history stays.",
                args.watched, removed.model
            );
            print(&(fitted(&told, "") + "\n"))
        }
    }
}

fn add(args: &AddArgs, book: &Book) -> Result<(), CliError> {
    let watched = args.unit.watched()?;
    // What cannot be estimated now for want of the model is most likely misspelt.
    let unit = args.unit.read(book)?;
    let made = unit.estimate(unit.selection()?)?;
    one_line("--model", &made.subject.model)?;
    fit_to_keep(&made.subject)?;
    let lock = book.lock(&mut notice)?;
    book.add_watched(&lock, &args.name, &watched)?;
    let told = format!(
        "Watched as {}: {}. `compband refresh` estimates it.",
        args.name,
        sheet::unit(&made.subject)
    );
    print(&(fitted(&told, "") + "\n"))
}

fn list(book: &Book) -> Result<(), CliError> {
    let watches = book.watched()?;
    if watches.is_empty() {
        return print(&(fitted(NOTHING, "") + "\n"));
    }
    let mut grid = Grid::ranked(&[
        ("name", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("last", Kind::Fixed, 2),
        ("likely", Kind::Number, 0),
    ]);
    for (name, watched) in &watches {
        let (_, subject) = UnitArgs::of(watched).asked(book)?;
        let last = book.history(name, &mut notice)?.pop();
        let currency = &book.settings().currency;
        grid.push(vec![
            name.clone(),
            sheet::unit(&subject),
            last.as_ref()
                .map_or(String::new(), |last| last.as_of.to_string()),
            last.map_or(String::new(), |last| currency.plain(last.foreseen.likely)),
        ]);
    }
    print(&grid.render(terminal_width()))
}

/// What to say where nothing is watched.
const NOTHING: &str =
    "No unit is watched yet; `compband watch add NAME --model MODEL` with what it is begins.";
