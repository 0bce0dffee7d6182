//! `compband ledger`: what is in stock, what was earned, and the entries behind it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::{Args, Subcommand};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::deals::{
    EntryArgs, Wanted, Writing, find_deal, fit_to_keep, foresee, one_line, read_ledger, subject,
    unit_of,
};
use super::unit::FactArgs;
use super::{CliError, count, notice, parse_day, print, today};
use crate::app::amounts::{money, money_if};
use crate::book::files::write_whole;
use crate::book::{Book, BookError};
use crate::deal::ledger::{Ledger, Refund, State, name};
use crate::render::chart::{self, BankrollChart, BankrollPoint};
use crate::render::document;
use crate::render::journal::journal;
use crate::render::ledger::{Told, entry_table, postings_csv};
use crate::render::numbers::amount;
use crate::render::table::terminal_width;
use crate::render::{ledger as view, sheet};
use crate::trade::entry::Entry;

const EXAMPLES: &str = "\
Examples:
  compband ledger                                 bankroll, stock and closed deals
  compband ledger --chart bankroll.png
  compband ledger fund 300                        you put 300 into the trade
  compband ledger draw 50                         you take 50 out of it
  compband ledger refund d7 131 --back            the unit came back: it is in stock again
  compband ledger describe d7 --grade C           the unit turned out otherwise
  compband ledger entries --deal d7
  compband ledger reverse 12
  compband ledger export --journal books.journal

Other entries are made by compband buy, spend, sold and scrap. The bankroll is cash and stock at
cost: what you put in and what you earned. Not tax or legal advice.";

/// Show the bankroll, what is in stock and what was earned
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, args_conflicts_with_subcommands = true)]
pub struct LedgerArgs {
    #[command(subcommand)]
    what: Option<What>,
    /// The ledger as it stood at the end of this day, with estimates of it [default: today]
    #[arg(long, value_name = "DAY", value_parser = parse_day)]
    as_of: Option<NaiveDate>,
    /// Every closed deal, not only the newest 20
    #[arg(long)]
    all: bool,
    /// Draw the bankroll over time into FILE (.png or .svg); can be given twice
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Put money into the trade
    Fund(CapitalArgs),
    /// Take money out of the trade
    Draw(CapitalArgs),
    Describe(Box<DescribeArgs>),
    Refund(RefundArgs),
    Reverse(ReverseArgs),
    Entries(EntriesArgs),
    Export(ExportArgs),
}

#[derive(Debug, Args)]
struct CapitalArgs {
    /// How much
    #[arg(value_name = "AMOUNT")]
    amount: String,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Say anew what a unit in stock is; all that is not said is then not known
#[derive(Debug, Args)]
struct DescribeArgs {
    /// The deal: its number, or the model where only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Another model
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    #[command(flatten)]
    facts: FactArgs,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Give a buyer money back
#[derive(Debug, Args)]
struct RefundArgs {
    /// The deal: its number, or the model where only one of it is sold
    #[arg(value_name = "DEAL")]
    deal: String,
    /// How much [default with --back: all that was paid]
    #[arg(value_name = "AMOUNT", required_unless_present = "back")]
    amount: Option<String>,
    /// The unit came back: it is in stock again
    #[arg(long)]
    back: bool,
    /// Fees that the outlet gives back [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    fees_back: Option<String>,
    /// What you pay for sending it back [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    sending: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Take an entry back by one that reverses it; of a deal, the last first
#[derive(Debug, Args)]
struct ReverseArgs {
    /// Number of the entry
    #[arg(value_name = "ENTRY")]
    number: u32,
    #[command(flatten)]
    entry: EntryArgs,
}

/// List the entries, with the accounts they move
#[derive(Debug, Args)]
struct EntriesArgs {
    /// Only those of this deal
    #[arg(long, value_name = "DEAL")]
    deal: Option<String>,
}

/// Write the ledger for other programs
#[derive(Debug, Args)]
struct ExportArgs {
    /// As CSV, one posting a row
    #[arg(long, value_name = "FILE", required_unless_present = "journal")]
    csv: Option<PathBuf>,
    /// As a plain-text accounting journal, as hledger and Ledger read it
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read or written, or a value is wrong.
pub fn run(args: &LedgerArgs, book: Option<&Path>) -> Result<(), CliError> {
    match &args.what {
        None => show(args, book),
        Some(What::Fund(args)) => capital(args, true, book),
        Some(What::Draw(args)) => capital(args, false, book),
        Some(What::Describe(args)) => describe(args, book),
        Some(What::Refund(args)) => refund(args, book),
        Some(What::Reverse(args)) => reverse(args, book),
        Some(What::Entries(args)) => list(args, book),
        Some(What::Export(args)) => export(args, book),
    }
}

fn show(args: &LedgerArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = Book::open(book)?;
    let mut ledger = read_ledger(&book)?;
    let today = args.as_of.unwrap_or_else(today);
    if args.as_of.is_some() {
        ledger = ledger.up_to(today);
    }
    let settings = book.settings();
    if ledger.entries().is_empty() && !args.json {
        return Err(nothing_yet());
    }
    let mut now = BTreeMap::new();
    for deal in ledger.deals().filter(|deal| deal.state == State::Open) {
        now.insert(deal.id, foresee(&book, &deal.unit, today)?);
    }
    let told = Told {
        currency: &settings.currency,
        today,
        summary: ledger.summary(today),
        ledger: &ledger,
        goal: settings.deal.goal,
        now,
        all: args.all,
    };
    if !args.chart.is_empty() {
        super::draw(&bankroll_chart(&told), &args.chart)?;
    }
    if args.json {
        return print(&document::text(&document::ledger::document(&told))?);
    }
    print(&view::sheet(&told, terminal_width()))
}

fn nothing_yet() -> CliError {
    CliError::Absent {
        message: "the ledger has no entries yet".into(),
        next: "say what you put in with `compband ledger fund`, and record a purchase with `compband buy`".into(),
    }
}

fn bankroll_chart(told: &Told<'_>) -> BankrollChart {
    let float = |money: Decimal| money.to_f64().unwrap_or(f64::NAN);
    let money = |value| amount(told.currency, value);
    let summary = &told.summary;
    BankrollChart {
        title: "Bankroll".into(),
        subtitle: format!(
            "{}; {} closed, {} in stock; profit {} {}",
            told.today,
            count(summary.closed, "deal"),
            summary.open,
            money(summary.profit),
            told.currency.code
        ),
        currency: told.currency.clone(),
        course: told
            .ledger
            .course()
            .iter()
            .map(|at| BankrollPoint {
                on: at.on,
                bankroll: float(at.bankroll()),
                stock: float(at.stock),
                capital: float(at.capital),
            })
            .collect(),
        today: told.today,
        goal: (!told.goal.is_zero()).then(|| float(told.goal)),
    }
}

fn capital(args: &CapitalArgs, put_in: bool, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let currency = writing.settings().currency.clone();
    let sum = money("AMOUNT", &args.amount, &currency)?;
    let on = args.entry.day()?;
    let blank = if put_in {
        writing.ledger.fund(on, sum)
    } else {
        writing.ledger.draw(on, sum)
    };
    writing.enter(Entry {
        note: args.entry.note()?,
        ..blank
    })?;
    let what = if put_in { "Put in" } else { "Took out" };
    let done = format!(
        "{what} {} {} on {on}",
        amount(&currency, sum),
        currency.code
    );
    writing.tell(&done, &[])
}

fn describe(args: &DescribeArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let deal = find_deal(&writing.ledger, &args.deal, Wanted::InStock)?;
    let id = deal.id;
    let model = args.model.as_deref().unwrap_or(&deal.unit.model);
    one_line("--model", args.model.as_deref().unwrap_or_default())?;
    let now = args.facts.subject(model, writing.settings())?;
    fit_to_keep(&now)?;
    let was = sheet::unit(&subject(&deal.unit));
    let blank = writing
        .ledger
        .describe(args.entry.day()?, id, unit_of(now.clone()));
    writing.enter(Entry {
        note: args.entry.note()?,
        ..blank
    })?;
    let done = format!("{} is now described as {}", name(id), sheet::unit(&now));
    writing.tell(&done, &[format!("It was {was}.")])
}

fn refund(args: &RefundArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let currency = writing.settings().currency.clone();
    let deal = find_deal(&writing.ledger, &args.deal, Wanted::Sold)?;
    let id = deal.id;
    let figures = Refund {
        amount: money_if("AMOUNT", args.amount.as_ref(), &currency)?
            .unwrap_or_else(|| deal.revenue()),
        fees_back: money_if("--fees-back", args.fees_back.as_ref(), &currency)?.unwrap_or_default(),
        postage: money_if("--sending", args.sending.as_ref(), &currency)?.unwrap_or_default(),
    };
    let model = deal.unit.model.clone();
    let on = args.entry.day()?;
    let blank = writing.ledger.refund(on, id, &figures, args.back);
    writing.enter(Entry {
        note: args.entry.note()?,
        ..blank
    })?;
    let back = if args.back {
        "; it is in stock again"
    } else {
        ""
    };
    let done = format!(
        "Gave the buyer of {}, {model}, {} {} back on {on}{back}",
        name(id),
        amount(&currency, figures.amount),
        currency.code
    );
    writing.tell(&done, &[])
}

fn reverse(args: &ReverseArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let blank = writing
        .ledger
        .reverse(args.entry.day_said()?, args.number)?;
    writing.enter(Entry {
        note: args.entry.note()?,
        ..blank
    })?;
    let done = format!("Reversed entry {}", args.number);
    let number = writing.ledger.next_number() - 1;
    let currency = &writing.settings().currency;
    let shown = writing
        .ledger
        .entries()
        .iter()
        .filter(|entry| [args.number, number].contains(&entry.number));
    print(&format!(
        "{done} by entry {number}.\n\n{}",
        entry_table(&writing.ledger, shown, currency, terminal_width())
    ))
}

fn list(args: &EntriesArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let ledger = read_ledger(&book)?;
    if ledger.entries().is_empty() {
        return Err(nothing_yet());
    }
    let of_deal = args.deal.as_deref().map(|text| any_deal(&ledger, text));
    let of_deal = of_deal.transpose()?;
    let shown = ledger
        .entries()
        .iter()
        .filter(|entry| of_deal.is_none() || entry.deal == of_deal);
    print(&entry_table(
        &ledger,
        shown,
        &book.settings().currency,
        terminal_width(),
    ))
}

/// The number of a deal, even of one whose purchase was reversed.
fn any_deal(ledger: &Ledger, text: &str) -> Result<u32, CliError> {
    let number = text.trim().trim_start_matches(['d', 'D']).parse().ok();
    let known = |id: &u32| ledger.entries().iter().any(|entry| entry.deal == Some(*id));
    match number.filter(known) {
        Some(id) => Ok(id),
        None => find_deal(ledger, text, Wanted::Any).map(|deal| deal.id),
    }
}

fn export(args: &ExportArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let ledger = read_ledger(&book)?;
    let currency = &book.settings().currency;
    let write = |path: &Path, bytes: &[u8]| -> Result<(), CliError> {
        write_whole(path, bytes).map_err(BookError::io(path, "write"))?;
        notice(&format!(
            "{} written to {}",
            entries(ledger.entries().len()),
            path.display()
        ));
        Ok(())
    };
    if let Some(path) = &args.csv {
        let bytes = postings_csv(&ledger, currency).map_err(BookError::io(path, "write"))?;
        write(path, &bytes)?;
    }
    if let Some(path) = &args.journal {
        write(path, journal(&ledger, currency).as_bytes())?;
    }
    Ok(())
}

/// `1 entry`, `2 entries`.
fn entries(number: usize) -> String {
    format!("{number} {}", if number == 1 { "entry" } else { "entries" })
}
