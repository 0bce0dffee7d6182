//! The command line.

pub mod ask;
pub mod bid;
pub mod check;
pub mod compare;
mod complete;
pub mod comps;
mod day;
pub mod deals;
pub mod desk;
mod error;
pub mod estimate;
pub mod explain;
pub mod history;
pub mod import;
pub mod init;
pub mod ledger;
pub mod listing;
pub mod log;
pub mod lot;
pub mod models;
pub mod net;
mod output;
mod pager;
pub mod part;
pub mod pocket;
mod prompt;
pub mod refresh;
pub mod report;
mod shells;
pub mod terminal;
pub mod undo;
pub mod unit;
pub mod watch;
mod words;
mod wrong_line;

pub use crate::render::numbers::count;
pub use day::{day_of, day_or_today, parse_day, today};
pub use error::CliError;
pub use output::{
    aside, draw, empty_book, eprint, fitted, notice, open, print, progress, progress_of,
    report_error, strong,
};
pub use pager::page;

use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{SystemTime, UNIX_EPOCH};

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use terminal::sanitize;

const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  the computer failed to read or write
  2  the command line is wrong
  3  the input is wrong (rows, values)
  4  the settings are wrong
  5  no such book or model, or too little to go by
  6  the book is in use by another compband";

/// What will a used item sell for? A price range from past sales that you recorded yourself.
#[derive(Debug, Parser)]
#[command(name = "compband", version, about, after_help = EXIT_CODES, max_term_width = 100)]
struct Cli {
    /// Folder of the book [default: this folder, or the nearest one above that is a book]
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
    Desk(desk::DeskArgs),
    Estimate(estimate::EstimateArgs),
    Report(Box<report::ReportArgs>),
    Check(check::CheckArgs),
    Net(net::NetArgs),
    Bid(Box<bid::BidArgs>),
    Compare(compare::CompareArgs),
    Pocket(pocket::PocketArgs),
    Buy(Box<deals::BuyArgs>),
    BuyLot(lot::LotArgs),
    Spend(deals::SpendArgs),
    List(listing::ListArgs),
    Unlist(listing::UnlistArgs),
    Sold(Box<deals::SoldArgs>),
    Scrap(deals::ScrapArgs),
    Part(part::PartArgs),
    Harvest(part::HarvestArgs),
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
            Self::Desk(args) => desk::run(args, book),
            Self::Estimate(args) => estimate::run(args, book),
            Self::Report(args) => report::run(args, book),
            Self::Check(args) => check::run(args, book),
            Self::Net(args) => net::run(args, book),
            Self::Bid(args) => bid::run(args, book),
            Self::Compare(args) => compare::run(args, book),
            Self::Pocket(args) => pocket::run(args, book),
            Self::Buy(args) => deals::buy(args, book),
            Self::BuyLot(args) => lot::run(args, book),
            Self::Spend(args) => deals::spend(args, book),
            Self::List(args) => listing::list(args, book),
            Self::Unlist(args) => listing::unlist(args, book),
            Self::Sold(args) => deals::sold(args, book),
            Self::Scrap(args) => deals::scrap(args, book),
            Self::Part(args) => part::run(args, book),
            Self::Harvest(args) => part::harvest(args, book),
            Self::Ledger(args) => ledger::run(args, book),
            Self::Ask(args) => ask::run(args, book),
            Self::Offer(args) => ask::judge(args, book),
            Self::Watch(args) => watch::run(args, book),
            Self::Refresh(args) => refresh::run(args, book),
            Self::History(args) => history::run(args, book),
            Self::Explain(args) => explain::run(args),
            Self::Completions(args) => complete::completions(args),
            Self::Man(args) => complete::man(args, Cli::command()),
        }
    }
}

/// Runs the command line: the program's name and its arguments.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args: Vec<OsString> = args.into_iter().collect();
    if let Err(error) = fit_to_run() {
        report_error(&error);
        return ExitCode::from(error.code());
    }
    match complete::answer(&args, Cli::command) {
        Ok(false) => {}
        Ok(true) => return ExitCode::SUCCESS,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(2);
        }
    }
    if args.len() < 2 && complete::book().is_err() {
        let _ = print(&welcome());
        return ExitCode::from(2);
    }
    let cli = match parse(args.clone()) {
        Ok(cli) => cli,
        Err(error) => {
            if let Some(error) = wrong_line::plain(&error, &args, &Cli::command()) {
                report_error(&error);
                return ExitCode::from(error.code());
            }
            let text = error.render().ansi().to_string();
            let text = sanitize(&text);
            // After a closed pipe there is nothing to report.
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
            report_error(&error);
            ExitCode::from(error.code())
        }
    }
}

/// The variable with the number of threads of the table library.
const THREADS: &str = "POLARS_MAX_THREADS";

/// Refuses environments in which a library would panic: a clock before 1970, and no threads.
fn fit_to_run() -> Result<(), CliError> {
    if SystemTime::now().duration_since(UNIX_EPOCH).is_err() {
        return Err(CliError::Clock);
    }
    let threads = std::env::var(THREADS).ok();
    if threads.and_then(|text| text.parse().ok()) == Some(0_u64) {
        return Err(CliError::usage(format!(
            "{THREADS} is 0: set it to 1 or more, or unset it"
        )));
    }
    Ok(())
}

/// Parses the command line. A value may begin with a minus: the reader of the value gives the
/// better error.
fn parse(args: Vec<OsString>) -> Result<Cli, clap::Error> {
    let command = negative(Cli::command());
    let args = log::pieces_as_words(args, &command);
    Cli::from_arg_matches(&command.try_get_matches_from(args)?)
}

fn negative(command: clap::Command) -> clap::Command {
    command
        .mut_args(|arg| {
            let takes_value = arg.get_action().takes_values();
            arg.allow_negative_numbers(takes_value)
        })
        .mut_subcommands(negative)
}

/// The message of a first run without a book.
fn welcome() -> String {
    let lines = [
        "compband estimates what a used unit will sell for, from past sales that you recorded yourself.",
        "There is no book here yet. A book is a folder of plain files for your settings and sales.",
        "  compband init              make a book in this folder; `compband init DIR` in another",
        "  compband import FILE.csv   import a spreadsheet of past sales, in nearly any layout",
        "  compband --help            all commands; `demo/run.sh` shows them on invented sales",
    ];
    let mut text = String::new();
    for line in lines {
        text.push_str(line);
        text.push('\n');
    }
    text
}
