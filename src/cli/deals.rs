//! `compband buy`, `spend`, `sold` and `scrap`, and their common parts with `compband ledger`.

use std::path::Path;

use chrono::NaiveDate;
use clap::Args;
use rust_decimal::Decimal;

use super::log::report_recorded;
use super::net::SaleArgs;
use super::prompt::{at_terminal, confirm};
use super::unit::FactArgs;
use super::{CliError, count, day_of, fitted, notice, open, parse_day, print, strong, today};
use crate::app::amounts::{self, money, money_if};
use crate::app::deals::{Books, Bought, Dated, Entered, OfDeal};
use crate::app::describe::{Description, fit_to_keep, one_line, subject};
use crate::app::drawer::{doubt_of_model, nearly_known};
use crate::app::listed::to_be_sold;
use crate::app::meant::{Kind, Meant, meant_to_buy};
use crate::app::sold::Typed;
use crate::app::{AppError, Book};
use crate::parse::dates::WrittenDate;
use crate::render::ledger::{balances, cost_so_far, foreseen, hourly};
use crate::render::numbers::amount;
use crate::render::sheet;
use crate::trade::comp::COLUMNS;
use crate::trade::entry::Account;
use crate::trade::text::{after, quoted};
use crate::trade::{Comp, Currency, checks};

const BUY_EXAMPLES: &str = "\
Examples:
  compband buy \"Nulva 61K\" --price 42 --inbound 5 --grade B --completeness usable --missing charger
  compband buy \"Bolv 83V\" --price 24 --asked 30 --grade A
  compband buy \"Bolv 83V\" --price 3 --parts --date yesterday --note \"flea market\"
  compband buy qn948 --price 30          a watched unit; with d7, another one like deal d7

Describe the unit as you will sell it. The estimate of the day is kept with the deal, and
`compband ledger` estimates the unit again while it is in stock. Entries in the ledger never change:
`compband ledger reverse ENTRY` reverses one, `compband ledger describe` describes a unit again.";

/// Record a purchase; this opens a deal
#[derive(Debug, Args)]
#[command(after_help = BUY_EXAMPLES)]
pub struct BuyArgs {
    /// Model of the unit, a watched unit by name, or a deal with such a unit
    #[arg(value_name = "MODEL", required_unless_present = "model_option")]
    model: Option<String>,
    #[arg(
        long = "model",
        id = "model_option",
        hide = true,
        conflicts_with = "model"
    )]
    model_option: Option<String>,
    /// What you paid the seller, without the cost of getting it to you (--inbound)
    #[arg(long, value_name = "AMOUNT")]
    price: String,
    /// What the seller asked; `compband bid --against` learns from it how far sellers come down
    #[arg(long, value_name = "AMOUNT")]
    asked: Option<String>,
    /// Cost of getting it to you: shipping, auction fees and the like [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    /// Old name of `--inbound`.
    #[arg(long, value_name = "AMOUNT", hide = true, conflicts_with = "inbound")]
    shipping: Option<String>,
    /// Minutes you have worked on it so far
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    #[command(flatten)]
    facts: FactArgs,
    #[command(flatten)]
    entry: EntryArgs,
}

const SPEND_EXAMPLES: &str = "\
Examples:
  compband spend d7 14 \"new battery\" --minutes 30
  compband spend d7 --minutes 15 \"cleaned\"";

/// Record money or time spent on a unit in stock; it adds to the unit's cost
#[derive(Debug, Args)]
#[command(after_help = SPEND_EXAMPLES)]
pub struct SpendArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// What you spent; leave it out if it was only time
    #[arg(value_name = "AMOUNT")]
    amount: Option<String>,
    /// What for
    #[arg(value_name = "WHAT")]
    what: Option<String>,
    /// Minutes of work
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

const SOLD_EXAMPLES: &str = "\
Examples:
  compband sold d7 --price 131 --outlet parcel --offers 3 --log-comp
  compband sold d7 --price 131 --shipping 4.90 --fees 12.40 --sending 5.20
  compband sold d7 --at-asking            at its asking price (`compband list`)

For a unit that is up for sale, the outlet comes from its listing, and the offers you noted count.
Fees, shipping and packing are worked out as in `compband net`; give --fees and --sending if you
know the real amounts. The estimate of the day, from earlier sales only, is kept with the sale.";

/// Record the sale of a unit; this closes its deal
#[derive(Debug, Args)]
#[command(after_help = SOLD_EXAMPLES)]
pub struct SoldArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Price, without the shipping that the buyer pays on top
    #[arg(long, value_name = "AMOUNT", required_unless_present = "at_asking")]
    price: Option<String>,
    /// It sold for its asking price
    #[arg(long, conflicts_with = "price")]
    at_asking: bool,
    #[command(flatten)]
    sale: SaleArgs,
    /// Fees you paid in all, outlet and payment [default: by the outlet]
    #[arg(long, value_name = "AMOUNT")]
    fees: Option<String>,
    /// What shipping and packing cost you [default: by the weight]
    #[arg(long, value_name = "AMOUNT")]
    sending: Option<String>,
    /// Number of offers you got, with the accepted one [default: those noted]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(..=100_000))]
    offers: Option<u32>,
    /// How it was sold: bid, fixed price or haggled
    #[arg(long, value_name = "HOW")]
    how_sold: Option<String>,
    /// Minutes spent on listing and packing
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// Record the sale as a comp too, so that estimates use it
    #[arg(long)]
    log_comp: bool,
    #[command(flatten)]
    entry: EntryArgs,
}

const SCRAP_HELP: &str = "\
--for is money you really got. If you keep parts of the unit, take it apart instead:
`compband harvest d4 \"display = 18; battery = 6\"` moves its cost to the parts.";

/// Record that a unit was thrown away, given away or sold as scrap; this closes its deal
#[derive(Debug, Args)]
#[command(after_help = SCRAP_HELP)]
pub struct ScrapArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// What you got for it as scrap [default: 0]
    #[arg(long = "for", value_name = "AMOUNT")]
    fetched: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// What every entry can be given.
#[derive(Debug, Args)]
pub struct EntryArgs {
    /// Date of the entry: 2026-11-20, 20.11.2026, yesterday, monday, "3 days ago" [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    pub date: Option<WrittenDate>,
    /// A note to keep with it
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

impl EntryArgs {
    /// The given day, if any.
    ///
    /// # Errors
    /// A day in the future, or too long ago.
    pub fn day_given(&self, book: &Book) -> Result<Option<NaiveDate>, CliError> {
        let day = self.date.map(|given| day_of(given, book.settings()));
        if let Some(day) = day {
            checks::day(day, today()).map_err(|wrong| AppError::Refused {
                message: format!("--date: expected {}", wrong.expected),
                next: wrong.fix,
            })?;
        }
        Ok(day)
    }

    /// The given day, or today.
    ///
    /// # Errors
    /// Those of [`EntryArgs::day_given`].
    pub fn day(&self, book: &Book) -> Result<NaiveDate, CliError> {
        Ok(self.day_given(book)?.unwrap_or_else(today))
    }

    /// The note, valid for one cell.
    ///
    /// # Errors
    /// Text that no cell can contain.
    pub fn note(&self) -> Result<String, CliError> {
        Ok(one_line(
            "--note",
            self.note.as_deref().unwrap_or_default(),
        )?)
    }

    /// The day, by default today, and the note.
    ///
    /// # Errors
    /// Those of [`EntryArgs::day`] and [`EntryArgs::note`].
    pub fn dated(&self, book: &Book) -> Result<Dated, CliError> {
        Ok(Dated {
            on: self.day(book)?,
            today: today(),
            note: self.note()?,
        })
    }
}

/// Reports an action, with the number of its entry and the resulting balances.
///
/// # Errors
/// If output fails.
pub fn report_entered(
    entered: &Entered,
    currency: &Currency,
    done: &str,
    lines: &[String],
) -> Result<(), CliError> {
    let money = balances(entered, currency);
    let lines: Vec<&str> = lines.iter().map(String::as_str).chain([&*money]).collect();
    print(&report(done, &lines, entered.number))
}

/// The report of an action with the number of its entry.
pub fn report(done: &str, lines: &[&str], number: u32) -> String {
    let mut text = format!("{}\n", fitted(&strong(done), ""));
    for line in lines {
        text.push_str(&format!("{}\n", fitted(line, "  ")));
    }
    text + &taken_back(number)
}

/// How to reverse an entry.
pub fn taken_back(number: u32) -> String {
    format!("Ledger entry {number}. To reverse it: compband ledger reverse {number}\n")
}

/// Reads minutes of work.
///
/// # Errors
/// Anything but a number from 0 to 100 000.
pub fn minutes(given: Option<&String>) -> Result<Decimal, CliError> {
    Ok(amounts::minutes("--minutes", given.map(String::as_str))?)
}

/// `compband buy`.
///
/// # Errors
/// Invalid values, or a book that cannot be written.
pub fn buy(args: &BuyArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let (settings, dated) = (book.settings(), args.entry.dated(&book)?);
    let currency = &settings.currency;
    let meant = match (&args.model, &args.model_option) {
        (Some(word), _) => {
            let word = one_line("MODEL", word)?;
            meant_to_buy(
                &book,
                &word,
                args.facts.description("", settings)?,
                &mut notice,
            )?
        }
        (None, model) => {
            let model = one_line("MODEL", model.as_deref().unwrap_or_default())?;
            Meant {
                kind: Kind::Model,
                description: args.facts.description(&model, settings)?,
            }
        }
    };
    let (given, doubt) = sure_of_model(&book, meant)?;
    let subject = subject(&given, settings, &mut notice)?;
    fit_to_keep(&subject)?;
    let unit = sheet::unit(&subject);
    if args.shipping.is_some() {
        notice(
            "with buy, --shipping is now --inbound: what you pay to get a unit to you; the old name still works here",
        );
    }
    let inbound = args
        .inbound
        .as_ref()
        .map(|text| ("--inbound", text))
        .or(args.shipping.as_ref().map(|text| ("--shipping", text)));
    let inbound = inbound.map(|(flag, text)| money(flag, text, currency));
    let bought = Bought {
        subject,
        price: money("--price", &args.price, currency)?,
        asked: money_if("--asked", args.asked.as_ref(), currency)?,
        inbound: inbound.transpose()?.unwrap_or_default(),
        minutes: minutes(args.minutes.as_ref())?,
    };
    let on = dated.on;
    let OfDeal { deal, entered } = Books::open(&book, &mut notice)?.buy(bought, dated)?;
    let done = format!(
        "Bought {}: {unit}, on {on} for {} {}",
        deal.name(),
        amount(currency, deal.paid),
        currency.code
    );
    let estimate = deal.foreseen.as_ref();
    let line = estimate.map(|made| format!("Estimate of the day: {}.", foreseen(made, currency)));
    report_entered(&entered, currency, &done, line.as_slice())?;
    if let Some(doubt) = doubt {
        let number = entered.number;
        notice(&format!(
            "{doubt} If so: compband ledger reverse {number}, and buy it under that name"
        ));
    }
    Ok(())
}

/// The unit to buy. A new model that is nearly a known one is asked about on a terminal, and elsewhere
/// comes with a doubt to note.
fn sure_of_model(book: &Book, meant: Meant) -> Result<(Description, Option<String>), CliError> {
    let mut given = meant.description;
    if meant.kind != Kind::Model {
        return Ok((given, None));
    }
    let Some(near) = nearly_known(book, &given.model, &mut notice)? else {
        return Ok((given, None));
    };
    if !at_terminal() {
        let doubt = doubt_of_model(&given.model, &near);
        return Ok((given, Some(doubt)));
    }
    let question = format!(
        "The book has no model {}. Is it {}?",
        quoted(&given.model),
        quoted(&near)
    );
    match confirm(&question, true)? {
        Some(true) => given.model = near,
        Some(false) => {}
        None => {
            return Err(AppError::Refused {
                message: "nothing was recorded".into(),
                next: String::new(),
            }
            .into());
        }
    }
    Ok((given, None))
}

/// `compband spend`.
///
/// # Errors
/// Invalid values, a deal that is not in stock, or a book that cannot be written.
pub fn spend(args: &SpendArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    // If only time was spent, the first word is its purpose.
    let only_time = args.amount.as_ref().filter(|text| {
        args.what.is_none()
            && args.minutes.is_some()
            && !text.contains(|c: char| c.is_ascii_digit())
    });
    let (spent, what) = match only_time {
        Some(what) => (None, Some(what)),
        None => (args.amount.as_ref(), args.what.as_ref()),
    };
    let spent = money_if("AMOUNT", spent, currency);
    let spent = spent.map_err(|error| no_overhead(error, &args.deal, currency))?;
    let spent = spent.unwrap_or_default();
    let what = one_line("WHAT", what.map_or("", String::as_str))?;
    let minutes = minutes(args.minutes.as_ref())?;
    let mut dated = args.entry.dated(&book)?;
    let note = [what.as_str(), dated.note.as_str()].into_iter();
    let note: Vec<&str> = note.filter(|text| !text.is_empty()).collect();
    dated.note = note.join("; ");
    let made = Books::open(&book, &mut notice)?.spend(&args.deal, (spent, minutes), dated);
    let OfDeal { deal, entered } =
        made.map_err(|error| no_overhead(error, &args.deal, currency))?;
    let what = after(" on ", &what);
    let done = format!(
        "Spent {} {} and {} min{what} for {}",
        amount(currency, spent),
        currency.code,
        minutes.normalize(),
        deal.name()
    );
    report_entered(&entered, currency, &done, &[cost_so_far(&deal, currency)])
}

/// Points to overheads if an amount stands where the deal is expected.
fn no_overhead(error: AppError, deal: &str, currency: &Currency) -> AppError {
    if money("DEAL", deal, currency).is_err() {
        return error;
    }
    let hint = |next: String| {
        let and = if next.is_empty() { "" } else { "; " };
        format!(
            "{next}{and}write the deal first; an expense that belongs to no unit is an overhead: \
             `compband ledger overhead {deal}`"
        )
    };
    match error {
        AppError::Absent { message, next } => AppError::Absent {
            message,
            next: hint(next),
        },
        AppError::Refused { message, next } => AppError::Refused {
            message,
            next: hint(next),
        },
        other => other,
    }
}

/// `compband sold`.
///
/// # Errors
/// Invalid values, a deal that is not in stock, or a book that cannot be written.
pub fn sold(args: &SoldArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let outlet = args.sale.outlet.as_deref();
    let stocked = to_be_sold(&book, &args.deal, outlet, on, &mut notice)?;
    let given = args.typed().read(book.settings(), stocked.as_ref())?;
    let sold = Books::open(&book, &mut notice)?.sold(&args.deal, &given, dated)?;
    let OfDeal { deal, entered } = &sold.of_deal;
    let money = |value| amount(currency, value);
    let figures = &sold.figures;
    let outlet = &sold.comp.venue;
    let through = after(" through ", outlet);
    let beside = if figures.shipping.is_zero() {
        String::new()
    } else {
        format!(" and {} for shipping", money(figures.shipping))
    };
    let done = format!(
        "Sold {}: {}, on {on}{through} for {} {}{beside}",
        deal.name(),
        sheet::unit(&sold.subject),
        money(figures.price),
        currency.code,
    );
    let hourly = hourly(deal, currency).map_or(String::new(), |text| format!(", {text} an hour"));
    let mut lines = vec![format!(
        "Fees {}, shipping and packing {}.",
        money(figures.fees),
        money(figures.postage)
    )];
    // What an earlier sale took whose unit came back is in the profit too.
    let earlier = (
        deal.sum(Account::Fees) - figures.fees,
        deal.sum(Account::Postage) - figures.postage,
    );
    if earlier != (Decimal::ZERO, Decimal::ZERO) {
        lines.push(format!(
            "For the earlier sale that came back: fees {}, shipping and packing {}.",
            money(earlier.0),
            money(earlier.1)
        ));
    }
    lines.push(format!(
        "Cost {}, profit {} {}{hourly}; {} in stock.",
        money(deal.cost()),
        money(deal.profit()),
        currency.code,
        count(
            usize::try_from(deal.days_held(on)).unwrap_or_default(),
            "day"
        )
    ));
    if let (None, Some(offers)) = (args.offers, deal.offers) {
        lines.push(format!("Offers, this one included: {offers}."));
    }
    let estimate = sold.estimate.as_ref();
    lines
        .extend(estimate.map(|made| format!("Estimate of the day: {}.", foreseen(made, currency))));
    report_entered(entered, currency, &done, &lines)?;
    match sold.recorded {
        Some(recorded) => report_recorded(recorded),
        None => print(&format!(
            "To use this sale in estimates:\n  {}\n",
            log_command(&sold.comp, currency)
        )),
    }
}

impl SoldArgs {
    /// The figures of the sale as typed.
    fn typed(&self) -> Typed<'_> {
        Typed {
            deal: &self.deal,
            price: self.price.as_ref(),
            sale: self.sale.typed(),
            fees: self.fees.as_ref(),
            sending: self.sending.as_ref(),
            how_sold: self.how_sold.as_deref(),
            offers: self.offers,
            minutes: self.minutes.as_deref(),
            log_comp: self.log_comp,
        }
    }
}

/// The command line that records a comp.
fn log_command(comp: &Comp, currency: &Currency) -> String {
    let mut text = "compband log".to_string();
    let mut flag = |name: &str, value: &str| {
        if !value.is_empty() {
            let plain = value
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b"-.=".contains(&b));
            let value = if plain {
                value.to_string()
            } else {
                format!("\"{}\"", value.replace(['"', '\\', '$', '`'], " "))
            };
            text.push_str(&format!(" --{name} {value}"));
        }
    };
    let cells = comp.cells();
    for (column, cell) in COLUMNS.iter().zip(&cells) {
        match *column {
            "comp_id" | "works" | "currency" | "lot_size" => {}
            "shipping" if comp.shipping.is_zero() => {}
            "price" => flag("price", &currency.exact(comp.price)),
            "shipping" => flag("shipping", &currency.exact(comp.shipping)),
            column => flag(&column.replace('_', "-"), cell),
        }
    }
    for (attribute, value) in comp.attributes.iter() {
        flag("set", &format!("{attribute}={value}"));
    }
    if !comp.works {
        text.push_str(" --parts");
    }
    text
}

/// `compband scrap`.
///
/// # Errors
/// Invalid values, a deal that is not in stock, or a book that cannot be written.
pub fn scrap(args: &ScrapArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let fetched = money_if("--for", args.fetched.as_ref(), currency)?.unwrap_or_default();
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let OfDeal { deal, entered } =
        Books::open(&book, &mut notice)?.scrap(&args.deal, fetched, dated)?;
    let done = format!(
        "Scrapped {}: {}, on {on} for {} {}",
        deal.name(),
        deal.unit.model,
        amount(currency, fetched),
        currency.code
    );
    let result = format!(
        "Cost {}, profit {} {}.",
        amount(currency, deal.cost()),
        amount(currency, deal.profit()),
        currency.code
    );
    report_entered(&entered, currency, &done, &[result])
}
