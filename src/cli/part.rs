//! `compband part` and `compband harvest`: the parts drawer.

use std::path::Path;

use clap::{Args, Subcommand};
use rust_decimal::Decimal;

use super::deals::{EntryArgs, minutes, report_entered};
use super::{CliError, day_or_today, notice, open, parse_day, print};
use crate::app::AppError;
use crate::app::amounts::{money, money_if, refused, shipping_if};
use crate::app::deals::{Books, OfDeal};
use crate::app::describe::one_line;
use crate::app::drawer::{HarvestGiven, Purchase, UsedParts};
use crate::app::ledger::ledger_on;
use crate::parse::dates::WrittenDate;
use crate::parse::parts::parts;
use crate::render::document;
use crate::render::drawer::{self as view, Content, cost_of, counted};
use crate::render::ledger::cost_so_far;
use crate::render::numbers::amount;
use crate::render::table::terminal_width;
use crate::trade::Currency;
use crate::trade::items::MOST;

const EXAMPLES: &str = "\
Examples:
  compband part add \"display\" --fits \"Nulva 61K\" --cost 22 --count 2    22 each, 44 in all
  compband part add \"screws\" --count 100 --in-all 4.50 --inbound 2
  compband part list
  compband part use d3 \"display\"
  compband part drop \"display\" --for 3 --note \"cracked, sold as scrap\"

Spare parts are kept at what they cost, shipping to you included; the oldest are used first. A part
that goes into a unit adds its cost to the unit, and no cash moves. `compband harvest` takes a unit
apart for its parts. `compband bid --repair \"display: from drawer, success 0.8\"` plans with them.
`compband ledger reverse ENTRY` reverses any of these.";

/// Keep spare parts: buy, list, use and throw away
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct PartArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Add(AddArgs),
    List(ListArgs),
    Use(UseArgs),
    Drop(DropArgs),
}

/// Record spare parts you bought
#[derive(Debug, Args)]
struct AddArgs {
    /// Name of the part
    #[arg(id = "new_part", value_name = "PART")]
    name: String,
    /// Model that it fits; repeat it for more [default: fits any]
    #[arg(long, value_name = "MODEL")]
    fits: Vec<String>,
    /// Cost of one
    #[arg(long, value_name = "AMOUNT", required_unless_present = "in_all")]
    cost: Option<String>,
    /// Cost of all of them together, instead of --cost
    #[arg(long, value_name = "AMOUNT", conflicts_with = "cost")]
    in_all: Option<String>,
    /// How many [default: 1]
    #[arg(long, value_name = "N", default_value_t = 1, hide_default_value = true, value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST)))]
    count: u32,
    /// Shipping to you for all of them; adds to their cost [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// List the spare parts you have, with their cost
#[derive(Debug, Args)]
struct ListArgs {
    /// The drawer at the end of this date [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// Use spare parts for a unit in stock; they add to the unit's cost
#[derive(Debug, Args)]
struct UseArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Name of the part; those that fit the unit go first, the oldest before the newer
    #[arg(value_name = "PART")]
    name: String,
    /// How many [default: 1]
    #[arg(long, value_name = "N", default_value_t = 1, hide_default_value = true, value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST)))]
    count: u32,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Record that spare parts are gone: broken, lost, thrown away or sold as scrap
#[derive(Debug, Args)]
struct DropArgs {
    /// Name of the part; the oldest go first
    #[arg(value_name = "PART")]
    name: String,
    /// How many [default: 1]
    #[arg(long, value_name = "N", default_value_t = 1, hide_default_value = true, value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST)))]
    count: u32,
    /// Only parts that fit this model
    #[arg(long, value_name = "MODEL")]
    fits: Option<String>,
    /// What you got for them in all [default: 0]
    #[arg(long = "for", value_name = "AMOUNT")]
    fetched: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

const HARVEST_EXAMPLES: &str = "\
Examples:
  compband harvest d4 \"display = 18; battery x2 = 6\"       two batteries, 6 each
  compband harvest d4 \"display; battery\" --minutes 30      at the values that the book knows

Name the parts you keep and what each is worth to you: what it would cost to replace. Without a
value, the one in [parts.MODEL] of compband.toml counts, or what such a part last cost. The cost of
the unit moves to the parts. If they are worth more than the unit cost, they share its cost in
proportion to their values (relative sales value; the last coins go to the largest remainders). If
they are worth less, each is kept at its value and the rest is written off. No cash moves. If you
will sell the rest of the unit as scrap, name it as a part, \"shell = 3\", and drop it with --for.";

/// Take a dead unit apart for spare parts; this closes its deal and moves its cost to the parts
#[derive(Debug, Args)]
#[command(after_help = HARVEST_EXAMPLES)]
pub struct HarvestArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// The parts, separated by ";", each with a count if there are several, and what one is worth
    #[arg(value_name = "PARTS")]
    parts: String,
    /// Another model that the parts fit; repeat it for more
    #[arg(long, value_name = "MODEL")]
    fits: Vec<String>,
    /// Minutes of work
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Runs `compband part`.
///
/// # Errors
/// Invalid values, parts that are not there, or a book that cannot be read or written.
pub fn run(args: &PartArgs, book: Option<&Path>) -> Result<(), CliError> {
    match &args.what {
        What::Add(args) => add(args, book),
        What::List(args) => list(args, book),
        What::Use(args) => used(args, book),
        What::Drop(args) => dropped(args, book),
    }
}

/// Models as they are kept: the ledger keeps several apart by `;`.
fn models(given: &[String]) -> Result<Vec<String>, CliError> {
    let mut all: Vec<String> = Vec::new();
    for model in given {
        let model = one_line("--fits", model)?;
        if model.is_empty() || model.contains(';') {
            let expected = "the name of a model, without ; (repeat --fits for several models)";
            return Err(refused("--fits", &model, expected).into());
        }
        if !all.contains(&model) {
            all.push(model);
        }
    }
    Ok(all)
}

/// `for "Nulva 61K", "Bolv 83V"`, or that no model was given.
fn fitting(models: &[String]) -> String {
    if models.is_empty() {
        return "You did not say what it fits, so it counts as fitting any unit.".into();
    }
    format!("Fits {}.", models.join(", "))
}

fn add(args: &AddArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let inbound = shipping_if("--inbound", args.inbound.as_ref(), currency)?.unwrap_or_default();
    let count = Decimal::from(args.count);
    let each = money_if("--cost", args.cost.as_ref(), currency)?;
    let price = match (each, &args.in_all) {
        (Some(each), _) => each * count,
        (None, Some(all)) => money("--in-all", all, currency)?,
        (None, None) => Decimal::ZERO,
    };
    let bought = Purchase {
        name: args.name.clone(),
        count: args.count,
        cost: price + inbound,
        fits: models(&args.fits)?,
    };
    let fits = fitting(&bought.fits);
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let moved = Books::open(&book, &mut notice)?.add_parts(bought, dated)?;
    let money = |value| amount(currency, value);
    let line = &moved.parts[0];
    let how = match (each, inbound.is_zero()) {
        (Some(each), true) if args.count > 1 => format!(" ({} each)", money(each)),
        (Some(each), false) => format!(" ({} each, and {} inbound)", money(each), money(inbound)),
        (None, false) => format!(" ({}, and {} inbound)", money(price), money(inbound)),
        _ => String::new(),
    };
    let done = format!(
        "Bought {} on {on} for {} {}{how}",
        counted(&line.name, line.count),
        money(line.cost),
        currency.code
    );
    report_entered(&moved.entered, currency, &done, &[fits])
}

fn list(args: &ListArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let on = day_or_today(args.as_of, book.settings());
    let ledger = ledger_on(&book, on, &mut notice)?;
    let content = Content {
        currency: &book.settings().currency,
        on,
        ledger: &ledger,
    };
    if args.json {
        return print(&document::text(&document::parts::document(&content))?);
    }
    print(&view::sheet(&content, terminal_width()))
}

fn used(args: &UseArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let part = (args.name.as_str(), args.count);
    let UsedParts { parts, of_deal } =
        Books::open(&book, &mut notice)?.use_parts(&args.deal, part, dated)?;
    let OfDeal { deal, entered } = &of_deal;
    let name = parts.first().map_or("", |line| &line.name);
    let done = format!(
        "Used {} for {}, {}, on {on}: {} {} at cost, no cash",
        counted(name, args.count),
        deal.name(),
        deal.unit.model,
        amount(currency, cost_of(&parts)),
        currency.code
    );
    report_entered(entered, currency, &done, &[cost_so_far(deal, currency)])
}

fn dropped(args: &DropArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let fetched = money_if("--for", args.fetched.as_ref(), currency)?.unwrap_or_default();
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let part = (args.name.as_str(), args.count);
    let moved = Books::open(&book, &mut notice)?.drop_parts(
        part,
        (args.fits.as_deref(), fetched),
        dated,
    )?;
    let name = moved.parts.first().map_or("", |line| &line.name);
    let done = format!(
        "Dropped {} on {on} for {} {}",
        counted(name, args.count),
        amount(currency, fetched),
        currency.code
    );
    let cost = cost_of(&moved.parts);
    let result = format!(
        "Cost {}, profit {} {}.",
        amount(currency, cost),
        amount(currency, fetched - cost),
        currency.code
    );
    report_entered(&moved.entered, currency, &done, &[result])
}

/// Runs `compband harvest`.
///
/// # Errors
/// Invalid values, a deal that is not in stock, a value that is not known, or a book that cannot be written.
pub fn harvest(args: &HarvestArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let given = HarvestGiven {
        parts: read_parts(&args.parts, currency)?,
        fits: models(&args.fits)?,
        minutes: minutes(args.minutes.as_ref())?,
    };
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let harvested = Books::open(&book, &mut notice)?.harvest(&args.deal, given, dated)?;
    let OfDeal { deal, entered } = &harvested.of_deal;
    let done = format!("Took apart {}, {}, on {on}", deal.name(), deal.unit.model);
    let lines = view::harvest_lines(&harvested, currency);
    report_entered(entered, currency, &done, &lines)?;
    print(&view::harvest_cautions(&harvested, terminal_width()))
}

fn read_parts(
    text: &str,
    currency: &Currency,
) -> Result<Vec<crate::parse::parts::PartGiven>, AppError> {
    parts(text, currency).map_err(|expected| refused("PARTS", text, &expected))
}
