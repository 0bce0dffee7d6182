//! The command line.

pub mod amounts;
pub mod ask;
pub mod attributes;
pub mod bid;
pub mod check;
pub mod compare;
mod complete;
pub mod comps;
mod conflicts;
pub mod deals;
pub mod estimate;
pub mod explain;
pub mod history;
pub mod import;
pub mod init;
pub mod ledger;
pub mod listings;
pub mod log;
pub mod models;
pub mod net;
mod prompt;
pub mod refresh;
pub mod repairs;
pub mod report;
pub(crate) mod siblings;
pub mod terminal;
mod undeclared;
pub mod undo;
pub mod unit;
pub mod watch;

use crate::trade::cells;
use std::ffi::OsString;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anstyle::{AnsiColor, Style};
use chrono::NaiveDate;
use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use crate::book::BookError;
use crate::parse::dates::{WrittenDate, read_date, said_on};
use crate::render::chart::{self, Chart};
use crate::render::sheet::wrap;
use crate::render::table::terminal_width;
use crate::trade::Comp;
use crate::trade::text::{nearest_few, shorten};
use terminal::harmless;

const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  the system failed (reading, writing)
  2  wrong usage of the command line
  3  input refused (rows, values)
  4  the settings are wrong
  5  no such book, model or evidence
  6  the book is held by another run";

/// Fewest characters of an identifier shown.
const SHORTEST_ID: usize = 6;

/// What will a used item sell for? A price band from the sold comparables you recorded yourself.
#[derive(Debug, Parser)]
#[command(name = "compband", version, about, after_help = EXIT_CODES, max_term_width = 100)]
struct Cli {
    /// Folder of the book [default: the current folder or the nearest parent that is one]
    #[arg(
        long,
        global = true,
        env = "COMPBAND_BOOK",
        value_name = "DIR",
        hide_env_values = true
    )]
    book: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Init(init::InitArgs),
    Import(Box<import::ImportArgs>),
    Log(log::LogArgs),
    Undo(undo::UndoArgs),
    Comps(comps::CompsArgs),
    Models(models::ModelsArgs),
    Estimate(estimate::EstimateArgs),
    Report(Box<report::ReportArgs>),
    Check(check::CheckArgs),
    Net(net::NetArgs),
    Bid(Box<bid::BidArgs>),
    Compare(compare::CompareArgs),
    Buy(Box<deals::BuyArgs>),
    Spend(deals::SpendArgs),
    Sold(Box<deals::SoldArgs>),
    Scrap(deals::ScrapArgs),
    Ledger(ledger::LedgerArgs),
    Ask(Box<ask::AskArgs>),
    Offer(Box<ask::OfferArgs>),
    Watch(watch::WatchArgs),
    Refresh(refresh::RefreshArgs),
    History(history::HistoryArgs),
    Explain(explain::ExplainArgs),
    Completions(complete::CompletionsArgs),
    Man(complete::ManArgs),
}

impl Command {
    fn run(&self, book: Option<&Path>) -> Result<(), CliError> {
        match self {
            Self::Init(args) => init::run(args, book),
            Self::Import(args) => import::run(args, book),
            Self::Log(args) => log::run(args, book),
            Self::Undo(args) => undo::run(args, book),
            Self::Comps(args) => comps::run(args, book),
            Self::Models(args) => models::run(args, book),
            Self::Estimate(args) => estimate::run(args, book),
            Self::Report(args) => report::run(args, book),
            Self::Check(args) => check::run(args, book),
            Self::Net(args) => net::run(args, book),
            Self::Bid(args) => bid::run(args, book),
            Self::Compare(args) => compare::run(args, book),
            Self::Buy(args) => deals::buy(args, book),
            Self::Spend(args) => deals::spend(args, book),
            Self::Sold(args) => deals::sold(args, book),
            Self::Scrap(args) => deals::scrap(args, book),
            Self::Ledger(args) => ledger::run(args, book),
            Self::Ask(args) => ask::run(args, book),
            Self::Offer(args) => ask::judge(args, book),
            Self::Watch(args) => watch::run(args, book),
            Self::Refresh(args) => refresh::run(args, book),
            Self::History(args) => history::run(args, book),
            Self::Explain(args) => explain::run(args),
            Self::Completions(args) => complete::completions(args),
            Self::Man(args) => complete::man(args),
        }
    }
}

/// Why a command ended without doing what was asked.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The book could not do it.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The command line asks for something that makes no sense.
    #[error("{0}")]
    Usage(String),
    /// Input was refused; `next` is what to do about it.
    #[error("{message}")]
    Refused {
        /// What was refused and why.
        message: String,
        /// What to do, or empty.
        next: String,
    },
    /// What was asked for is not there; `next` is what to do about it.
    #[error("{message}")]
    Absent {
        /// What is not there.
        message: String,
        /// What to do, or empty.
        next: String,
    },
    /// Writing to the terminal (or the pipe) failed.
    #[error("cannot write the output: {0}")]
    Output(#[from] io::Error),
    /// An answer could not be read from the terminal.
    #[error("cannot read the answer: {0}")]
    Answer(io::Error),
    /// The table library failed: not of the user's making.
    #[error("cannot work out the table: {0}")]
    Table(#[from] polars::prelude::PolarsError),
}

impl CliError {
    /// Exit code of the process.
    fn code(&self) -> u8 {
        match self {
            Self::Book(BookError::Io { .. })
            | Self::Output(_)
            | Self::Answer(_)
            | Self::Table(_) => 1,
            Self::Usage(_) => 2,
            Self::Book(BookError::Rows(_) | BookError::Refused(_)) | Self::Refused { .. } => 3,
            Self::Book(BookError::Settings(_)) => 4,
            Self::Book(BookError::NoBook(_)) | Self::Absent { .. } => 5,
            Self::Book(BookError::Locked(_)) => 6,
        }
    }

    /// Lines that belong below the message.
    fn details(&self) -> Vec<String> {
        match self {
            Self::Book(BookError::Rows(problems)) => {
                problems.iter().map(ToString::to_string).collect()
            }
            _ => Vec::new(),
        }
    }

    /// What to do next, where that can be said.
    fn next(&self) -> &str {
        match self {
            Self::Refused { next, .. } | Self::Absent { next, .. } => next,
            Self::Book(BookError::Io {
                doing: "read",
                source,
                ..
            }) if source.kind() == io::ErrorKind::NotFound => {
                "look at the spelling of the path; it counts from the current folder"
            }
            Self::Book(BookError::NoBook(_)) => {
                "make a book with `compband init`, or name one with --book DIR or COMPBAND_BOOK"
            }
            Self::Usage(_) => {
                "`compband --help` shows the commands, `compband COMMAND --help` how to use one"
            }
            _ => "",
        }
    }

    fn is_closed_pipe(&self) -> bool {
        matches!(self, Self::Output(error) if error.kind() == io::ErrorKind::BrokenPipe)
    }
}

/// Runs the command line: the program's name and its arguments.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args: Vec<OsString> = args.into_iter().collect();
    match complete::answer(&args) {
        Ok(false) => {}
        Ok(true) => return ExitCode::SUCCESS,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(2);
        }
    }
    if args.len() < 2 && complete::book().is_err() {
        let _ = say(&welcome());
        return ExitCode::from(2);
    }
    let cli = match parse(args) {
        Ok(cli) => cli,
        Err(error) => {
            let text = error.render().ansi().to_string();
            let text = harmless(&text);
            // A closed pipe is no reason to say more.
            let _ = if error.use_stderr() {
                anstream::stderr().lock().write_all(text.as_bytes())
            } else {
                anstream::stdout().lock().write_all(text.as_bytes())
            };
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2));
        }
    };
    match cli.command.run(cli.book.as_deref()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if error.is_closed_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            report(&error);
            ExitCode::from(error.code())
        }
    }
}

/// Reads the command line. A value may begin with a minus: what is wrong with it is better said by
/// whoever knows what was expected.
fn parse(args: Vec<OsString>) -> Result<Cli, clap::Error> {
    Cli::from_arg_matches(&negative(Cli::command()).try_get_matches_from(args)?)
}

fn negative(command: clap::Command) -> clap::Command {
    command
        .mut_args(|arg| {
            let takes_value = arg.get_action().takes_values();
            arg.allow_negative_numbers(takes_value)
        })
        .mut_subcommands(negative)
}

/// What a first run without a book says.
fn welcome() -> String {
    let lines = [
        "compband tells what a used unit will sell for, from the sales that you recorded yourself.",
        "There is no book here yet: a folder of plain files for your settings and sales.",
        "  compband init              makes this folder one; `compband init DIR` another",
        "  compband import FILE.csv   takes in a spreadsheet of past sales, nearly any layout",
        "  compband --help            every command; `demo/run.sh` shows the job on invented records",
    ];
    let mut text = String::new();
    for line in lines {
        text.push_str(line);
        text.push('\n');
    }
    text
}

const ERROR: Style = AnsiColor::Red.on_default().bold();
const NOTE: Style = AnsiColor::Yellow.on_default();
const STRONG: Style = Style::new().bold();

fn report(error: &CliError) {
    let mut text = marked(ERROR, "error:", &error.to_string());
    for line in error.details() {
        text.push_str(&aside(&line, "  "));
    }
    if !error.next().is_empty() {
        text.push_str(&marked(STRONG, "next:", error.next()));
    }
    // Where even this cannot be written, the exit code has to do.
    mutter(&text);
}

/// Writes text to standard error, whether that can be written or not.
pub fn mutter(text: &str) {
    let _ = anstream::stderr()
        .lock()
        .write_all(harmless(text).as_bytes());
}

/// A line for standard error behind a word that stands out.
fn marked(style: Style, word: &str, text: &str) -> String {
    let line = aside(&format!("{word} {text}"), "");
    format!("{style}{word}{style:#}{}", &line[word.len()..])
}

/// A line for standard error, broken at the width of its terminal if it goes to one.
pub fn aside(line: &str, indent: &str) -> String {
    let terminal = terminal_size::terminal_size_of(io::stderr());
    let line = terminal.map_or_else(
        || format!("{indent}{line}"),
        |(width, _)| wrap(line, usize::from(width.0), indent),
    );
    format!("{line}\n")
}

/// Tells something the user should know, apart from the output.
pub fn notice(text: &str) {
    // Output matters more than a notice that cannot be written.
    mutter(&marked(NOTE, "note:", text));
}

/// Draws a chart into each of the files, and says so.
///
/// # Errors
/// Where it cannot be drawn or written.
pub fn draw(chart: &impl Chart, files: &[PathBuf]) -> Result<(), CliError> {
    for path in files {
        chart::draw(chart, path)?;
        notice(&format!("chart written to {}", path.display()));
    }
    Ok(())
}

/// Writes text to standard output, without colour where that is no terminal; nothing that a book
/// or a command line holds steers the terminal.
///
/// # Errors
/// Where it cannot be written, a closed pipe among others.
pub fn say(text: &str) -> Result<(), CliError> {
    let mut output = anstream::stdout().lock();
    output.write_all(harmless(text).as_bytes())?;
    Ok(output.flush()?)
}

/// Text made bold where colour is on.
pub fn strong(text: &str) -> String {
    format!("{STRONG}{text}{STRONG:#}")
}

/// `1 comp`, `2 comps`.
pub fn count(number: usize, one: &str) -> String {
    format!("{number} {one}{}", if number == 1 { "" } else { "s" })
}

/// Today, by the local clock.
pub fn today() -> NaiveDate {
    chrono::Local::now().date_naive()
}

/// Reads a day of the command line: `YYYY-MM-DD`, or as it is said today ([`said_on`]).
///
/// # Errors
/// A text that says what was expected.
pub fn parse_day(text: &str) -> Result<NaiveDate, String> {
    let text = text.trim();
    said_on(today(), text)
        .or_else(|| plain_day(text))
        .map_or_else(|| cells::day(text), Ok)
        .map_err(|wrong| {
            format!(
                "expected {}, today, yesterday, a weekday, or 3 days ago",
                wrong.expected
            )
        })
}

/// A day whose order of year, month and day is plain, such as `2026-3-1`.
fn plain_day(text: &str) -> Option<NaiveDate> {
    match read_date(text) {
        Ok(WrittenDate::Plain(day)) => Some(day),
        _ => None,
    }
}

/// A sentence broken at the width of the terminal, if output goes to one, every line after
/// `indent`.
pub fn fitted(sentence: &str, indent: &str) -> String {
    terminal_width().map_or_else(
        || format!("{indent}{sentence}"),
        |width| wrap(sentence, usize::from(width), indent),
    )
}

/// What differs between two records of a sale, one change each: `price 12.00 → 13.50`.
pub fn changes(old: &Comp, new: &Comp) -> Vec<String> {
    let shown = |cell: &str| {
        if cell.is_empty() {
            "(blank)".to_string()
        } else {
            shorten(cell, 60)
        }
    };
    old.changes(new)
        .iter()
        .map(|(column, old, new)| format!("{column} {} → {}", shown(old), shown(new)))
        .collect()
}

/// What to do about a book without comps.
const FILL_THE_BOOK: &str = "record sales with `compband import` or `compband log`";

/// What the listings say of a book without comps.
pub fn empty_book() -> String {
    fitted(&format!("This book has no comps yet; {FILL_THE_BOOK}."), "") + "\n"
}

/// What to say of an attribute that is kept for a model without a declaration of it.
pub fn not_declared(attribute: &str, model: &str) -> String {
    format!(
        "no family in compband.toml declares {attribute:?} for {model:?}, so it does not inform estimates"
    )
}

/// The refusal of a model that the book does not have, with the nearest of the known names. No
/// known name at all means that the book is empty, or that none is near.
pub fn unknown_model<'a>(asked: &str, known: impl IntoIterator<Item = &'a str>) -> CliError {
    let near: Vec<String> = nearest_few(asked, known, 5)
        .into_iter()
        .map(str::to_string)
        .collect();
    no_such_model(asked, &near)
}

/// The refusal of a model that the book does not have.
pub fn no_such_model(asked: &str, near: &[String]) -> CliError {
    let next = if near.is_empty() {
        format!("`compband models` lists the models of this book; {FILL_THE_BOOK}")
    } else {
        format!("the nearest names in this book: {}", near.join(", "))
    };
    CliError::Absent {
        message: format!("no comps of {asked:?} in this book"),
        next,
    }
}
