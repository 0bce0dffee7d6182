//! `compband ledger`: units in stock, earnings, and the entries behind them.

use crate::trade::text::{after, joined};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use rust_decimal::Decimal;

use super::deals::{EntryArgs, minutes, report_entered};
use super::unit::FactArgs;
use super::{CliError, day_of, day_or_today, notice, open, page, parse_day, print, today};
use crate::app::amounts::{money, money_if};
use crate::app::deals::{Books, OfDeal, Refund};
use crate::app::describe::one_line;
use crate::app::ledger::{any_deal, nothing_until, nothing_yet, read_ledger, standing};
use crate::app::overheads::{Overhead, Spent, driving, kilometres};
use crate::app::year::{Years, years};
use crate::app::{AppError, write};
use crate::parse::dates::WrittenDate;
use crate::render::chart::{self, BankrollChart};
use crate::render::journal::journal;
use crate::render::ledger::{Content, counted_entries, entry_grid, postings_csv};
use crate::render::numbers::amount;
use crate::render::table::terminal_width;
use crate::render::{document, ledger as view, sheet, year};
use crate::trade::entry::Account;

/// Years that --year accepts.
const YEARS: RangeInclusive<i32> = 1900..=2999;

const EXAMPLES: &str = "\
Examples:
  compband ledger                                 bankroll, stock and closed deals
  compband ledger --chart bankroll.png
  compband ledger fund 300                        pay in 300 of your own money
  compband ledger draw 50                         take 50 out
  compband ledger overhead 12.50 \"packing tape\"   an expense that belongs to no unit
  compband ledger overhead --km 24 \"flea market\"  driving, by per_km in compband.toml
  compband ledger --year 2026                     sum up the year; --csv FILE for a spreadsheet
  compband ledger refund d7 131 --back            the unit came back and is in stock again
  compband ledger describe d7 --grade C           the unit turned out to be different
  compband ledger entries --deal d7
  compband ledger reverse 12
  compband ledger export --journal books.journal

compband buy, spend, list, offer, sold, scrap, part and harvest make the other entries. Your bankroll
is cash, plus stock and spare parts at cost: what you paid in and what you earned. Long output is
shown a screen at a time (PAGER; q quits). Not tax or legal advice.";

/// Show your bankroll, your stock and what you earned
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, args_conflicts_with_subcommands = true)]
pub struct LedgerArgs {
    #[command(subcommand)]
    what: Option<What>,
    /// The ledger at the end of this date, with the estimates of that date [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Show every closed deal, not only the newest 20
    #[arg(long)]
    all: bool,
    /// Draw the bankroll over time into FILE (.png or .svg); repeat it for both
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Sum up a calendar year, or all years side by side
    #[arg(long, value_name = "YEAR", conflicts_with_all = ["all", "chart"], value_parser = calendar_year)]
    year: Option<Option<i32>>,
    /// Write the years as CSV into FILE, one per row; - prints it
    #[arg(long, value_name = "FILE", requires = "year", conflicts_with = "json")]
    csv: Option<PathBuf>,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Pay your own money in
    Fund(CapitalArgs),
    /// Take your own money out
    Draw(CapitalArgs),
    Overhead(OverheadArgs),
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

const OVERHEAD_EXAMPLES: &str = "\
Examples:
  compband ledger overhead 12.50 \"packing tape\"
  compband ledger overhead --km 24 \"flea market and back\" --per-km 0.30
  compband ledger overhead 30 \"soldering iron\" --own
  compband ledger overhead --minutes 45 \"sorted the shelf\"

An overhead lowers your profit as a whole; it adds nothing to the cost of a unit. Kilometres in your
own car take no cash from the trade: you pay them out of your own pocket, so they count as paid in
and spent at once, and the cash stays as it is. --own does the same for other expenses.";

/// Record an expense that belongs to no unit: packing material, a tool, driving
#[derive(Debug, Args)]
#[command(after_help = OVERHEAD_EXAMPLES)]
struct OverheadArgs {
    /// How much; leave it out with --km, or if it was only time
    #[arg(value_name = "AMOUNT")]
    amount: Option<String>,
    /// What for
    #[arg(value_name = "WHAT")]
    what: Option<String>,
    /// Kilometres driven in your own car, instead of an amount
    #[arg(long, value_name = "KM")]
    km: Option<String>,
    /// Cost of a kilometre [default: deal.per_km in compband.toml]
    #[arg(long, value_name = "AMOUNT", requires = "km")]
    per_km: Option<String>,
    /// You paid it out of your own pocket, not from the cash
    #[arg(long)]
    own: bool,
    /// Minutes of work
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Describe a unit in stock again; what you leave out is then not known
#[derive(Debug, Args)]
struct DescribeArgs {
    /// The deal: its number, or the model if only one of it is in stock
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
    /// The deal: its number, or the model if only one of it is sold
    #[arg(value_name = "DEAL")]
    deal: String,
    /// How much [default with --back: all the buyer paid]
    #[arg(value_name = "AMOUNT", required_unless_present = "back")]
    amount: Option<String>,
    /// The unit came back: it is in stock again
    #[arg(long)]
    back: bool,
    /// Fees the outlet pays back [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    fees_back: Option<String>,
    /// What you pay for the return shipping [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    sending: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Reverse a ledger entry; of one deal, the last entry first
#[derive(Debug, Args)]
struct ReverseArgs {
    /// Number of the ledger entry
    #[arg(value_name = "ENTRY")]
    number: u32,
    #[command(flatten)]
    entry: EntryArgs,
}

/// List the ledger entries, with the accounts they move
#[derive(Debug, Args)]
struct EntriesArgs {
    /// Only entries of this deal
    #[arg(long, value_name = "DEAL")]
    deal: Option<String>,
}

/// Write the ledger for other programs
#[derive(Debug, Args)]
struct ExportArgs {
    /// As CSV, one posting a row
    #[arg(long, value_name = "FILE", required_unless_present = "journal")]
    csv: Option<PathBuf>,
    /// As a journal for plain-text double-entry programs
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
}

/// A calendar year.
fn calendar_year(text: &str) -> Result<i32, String> {
    let year = text.parse().ok().filter(|year| YEARS.contains(year));
    year.ok_or_else(|| {
        format!(
            "expected a year from {} to {}, such as 2026; --year alone shows all of them",
            YEARS.start(),
            YEARS.end()
        )
    })
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read or written, or a value is invalid.
pub fn run(args: &LedgerArgs, book: Option<&Path>) -> Result<(), CliError> {
    match &args.what {
        None if args.year.is_some() => sum_up(args, book),
        None => show(args, book),
        Some(What::Fund(args)) => capital(args, true, book),
        Some(What::Draw(args)) => capital(args, false, book),
        Some(What::Overhead(args)) => overhead(args, book),
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
    let book = open(book)?;
    let settings = book.settings();
    let as_of = args.as_of.map(|given| day_of(given, settings));
    let now = standing(&book, as_of, today(), &mut notice)?;
    if now.ledger.entries().is_empty() && !args.json {
        let day = as_of.unwrap_or_else(today);
        let none = now
            .later
            .map_or_else(nothing_yet, |later| nothing_until(day, later));
        return Err(none.into());
    }
    let content = Content {
        currency: &settings.currency,
        today: as_of.unwrap_or_else(today),
        summary: now.summary,
        assumed: now.assumed,
        later: now.later,
        ledger: &now.ledger,
        goal: settings.deal.goal,
        now: now.now,
        nets: now.nets,
        all: args.all,
    };
    if !args.chart.is_empty() {
        super::draw(&BankrollChart::of(&content), &args.chart)?;
    }
    if args.json {
        return print(&document::text(&document::ledger::document(&content))?);
    }
    page(&view::sheet(&content, terminal_width()))
}

fn capital(args: &CapitalArgs, put_in: bool, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let sum = money("AMOUNT", &args.amount, currency)?;
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let notice = &mut notice;
    let books = Books::open(&book, notice)?;
    let (what, entered) = if put_in {
        ("Paid in", books.fund(sum, dated)?)
    } else {
        ("Took out", books.draw(sum, dated)?)
    };
    let done = format!("{what} {} {} on {on}", amount(currency, sum), currency.code);
    report_entered(&entered, currency, &done, &[])
}

/// The calendar years.
fn sum_up(args: &LedgerArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let until = day_or_today(args.as_of, book.settings());
    let Years { ledger, years } = years(&book, args.year.flatten(), until, &mut notice)?;
    if let Some(path) = &args.csv {
        let bytes = year::csv(&years, currency).map_err(AppError::io(path, "write"))?;
        if path.as_os_str() == "-" {
            return print(&String::from_utf8_lossy(&bytes));
        }
        write(path, &bytes)?;
        notice(&format!("written to {}", path.display()));
        return Ok(());
    }
    if args.json {
        return print(&document::text(&document::year::document(
            &years, currency,
        ))?);
    }
    let content = year::Content {
        currency,
        years: &years,
        misfits: ledger.misfits(),
    };
    page(&year::sheet(&content, terminal_width()))
}

fn overhead(args: &OverheadArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let settings = book.settings();
    let currency = &settings.currency;
    let (spent, what, km) = args.read()?;
    let amount_given = money_if("AMOUNT", spent, currency)?;
    let cost = match km {
        Some(km) => driving(
            km,
            money_if("--per-km", args.per_km.as_ref(), currency)?,
            settings,
        )?,
        None => amount_given.unwrap_or_default(),
    };
    let given = Overhead {
        amount: cost,
        own: args.own || km.is_some(),
        minutes: minutes(args.minutes.as_ref())?,
    };
    let mut dated = args.entry.dated(&book)?;
    let driven = km.map(|km| format!("{} km", km.normalize()));
    let what = joined(&[driven.as_deref().unwrap_or_default(), &what], ", ");
    dated.note = joined(&[&what, &dated.note], "; ");
    let on = dated.on;
    let Spent { entered, so_far } = Books::open(&book, &mut notice)?.overhead(given, dated)?;
    let on_what = after(" on ", &what);
    let time = if given.minutes.is_zero() {
        String::new()
    } else {
        format!(" and {} min", given.minutes.normalize())
    };
    let done = format!(
        "Spent {} {}{time}{on_what}, an overhead of {on}",
        amount(currency, given.amount),
        currency.code,
    );
    let mut lines = vec![format!(
        "Overheads so far {} {}: they lower your profit as a whole.",
        amount(currency, so_far),
        currency.code
    )];
    if given.own && !given.amount.is_zero() {
        lines.push(
            "You paid it yourself: it counts as paid in, and the cash stays as it is.".into(),
        );
    }
    report_entered(&entered, currency, &done, &lines)
}

impl OverheadArgs {
    /// The amount, its purpose, and the kilometres. With kilometres, or if only time was spent, the first word is
    /// the purpose.
    fn read(&self) -> Result<(Option<&String>, String, Option<Decimal>), CliError> {
        let km = self.km.as_deref().map(kilometres).transpose()?;
        let words = |text: &&String| !text.contains(|c: char| c.is_ascii_digit());
        let only_what = self
            .amount
            .as_ref()
            .filter(|text| km.is_some() || (self.minutes.is_some() && words(text)))
            .filter(|_| self.what.is_none());
        if km.is_some() && self.what.is_some() {
            return Err(AppError::Refused {
                message: "--km and an amount give the cost twice".into(),
                next: "leave one of them out; --per-km sets the cost of a kilometre".into(),
            }
            .into());
        }
        let (spent, what) = match only_what {
            Some(what) => (None, Some(what)),
            None => (self.amount.as_ref(), self.what.as_ref()),
        };
        let what = one_line("WHAT", what.map_or("", String::as_str))?;
        Ok((spent, what, km))
    }
}

fn describe(args: &DescribeArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let model = args.model.as_deref();
    let given = args
        .facts
        .description(model.unwrap_or_default(), book.settings())?;
    let dated = args.entry.dated(&book)?;
    let (OfDeal { deal, entered }, was) =
        Books::open(&book, &mut notice)?.describe(&args.deal, (model, given), dated)?;
    let unit = sheet::unit;
    let done = format!("{} is now described as {}", deal.name(), unit(&deal.unit));
    let line = format!("It was {}.", unit(&was));
    report_entered(&entered, &book.settings().currency, &done, &[line])
}

fn refund(args: &RefundArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let sum = money_if("AMOUNT", args.amount.as_ref(), currency)?;
    let refund = Refund {
        fees_back: money_if("--fees-back", args.fees_back.as_ref(), currency)?.unwrap_or_default(),
        postage: money_if("--sending", args.sending.as_ref(), currency)?.unwrap_or_default(),
        ..Refund::default()
    };
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let refunded =
        Books::open(&book, &mut notice)?.refund(&args.deal, (sum, refund, args.back), dated)?;
    let OfDeal { deal, entered } = &refunded.of_deal;
    let back = if args.back {
        "; it is in stock again"
    } else {
        ""
    };
    let done = format!(
        "Gave the buyer of {}, {}, {} {} back on {on}{back}",
        deal.name(),
        deal.unit.model,
        amount(currency, refunded.amount),
        currency.code
    );
    let mut lines = vec![format!(
        "{} so far: fees {}, shipping and packing {}, profit {} {}.",
        deal.name(),
        amount(currency, deal.sum(Account::Fees)),
        amount(currency, deal.sum(Account::Postage)),
        amount(currency, deal.profit()),
        currency.code
    )];
    lines.extend(refunded.comp_id.map(|id| {
        format!("The sale is still a comp. To keep it out of estimates: compband undo --sale {id}")
    }));
    report_entered(entered, currency, &done, &lines)
}

fn reverse(args: &ReverseArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let (on, note) = (args.entry.day_given(&book)?, args.entry.note()?);
    let (ledger, number) =
        Books::open(&book, &mut notice)?.reverse(args.number, on, (today(), note))?;
    let entries = ledger.entries().iter();
    let shown = entries.filter(|entry| [args.number, number].contains(&entry.number));
    print(&format!(
        "Reversed ledger entry {} by ledger entry {number}.\n\n{}",
        args.number,
        entry_grid(&ledger, shown, &book.settings().currency).render(terminal_width())
    ))
}

fn list(args: &EntriesArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let ledger = read_ledger(&book, &mut notice)?;
    if ledger.entries().is_empty() {
        return Err(nothing_yet().into());
    }
    let of_deal = args
        .deal
        .as_deref()
        .map(|text| any_deal(&ledger, text, &book.settings().words));
    let of_deal = of_deal.transpose()?;
    let shown = ledger
        .entries()
        .iter()
        .filter(|entry| of_deal.is_none() || entry.deal == of_deal);
    let grid = entry_grid(&ledger, shown, &book.settings().currency);
    page(&grid.render(terminal_width()))
}

fn export(args: &ExportArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let ledger = read_ledger(&book, &mut notice)?;
    let currency = &book.settings().currency;
    let save = |path: &Path, bytes: &[u8]| -> Result<(), CliError> {
        write(path, bytes)?;
        notice(&format!(
            "{} written to {}",
            counted_entries(ledger.entries().len()),
            path.display()
        ));
        Ok(())
    };
    if let Some(path) = &args.csv {
        let bytes = postings_csv(&ledger, currency).map_err(AppError::io(path, "write"))?;
        save(path, &bytes)?;
    }
    if let Some(path) = &args.journal {
        save(path, journal(&ledger, currency).as_bytes())?;
    }
    Ok(())
}
