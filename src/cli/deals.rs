//! `compband buy`, `spend`, `sold` and `scrap`; what they share with `compband ledger`.

use std::path::Path;

use chrono::NaiveDate;
use clap::Args;
use rust_decimal::Decimal;

use super::log::tell_recorded;
use super::net::{SaleArgs, tell_unsure};
use super::unit::FactArgs;
use super::{CliError, fitted, notice, parse_day, print, strong, today};
use crate::app::AppError;
use crate::app::amounts::{money, money_if, quantity};
use crate::app::reader::{Asked, Reader};
use crate::app::record::record_sale;
use crate::book::ledger::PUT_BACK;
use crate::book::{Book, BookError, BookLock};
use crate::deal::ledger::{Deal, Ledger, Purchase, Sale, State, name};
use crate::deal::outlet::Item;
use crate::render::ledger::{foreseen, hourly};
use crate::render::numbers::amount;
use crate::render::sheet;
use crate::select::Subject;
use crate::settings::Settings;
use crate::trade::cells::Wrong;
use crate::trade::checks;
use crate::trade::entry::{Account, Entry, Foreseen};
use crate::trade::names::composed;
use crate::trade::names::match_key;
use crate::trade::text::{nearest_few, quoted, shorten};
use crate::trade::unit::Unit;
use crate::trade::{Comp, HowSold, Problem};

/// Deals named in an error.
const NAMED: usize = 5;

const BUY_EXAMPLES: &str = "\
Examples:
  compband buy \"Nerrow F4\" --price 42 --shipping 5 --grade B --completeness usable --missing charger
  compband buy \"Brask M2\" --price 3 --parts --date yesterday --note \"flea market\"

Describe the unit as it will be sold: the estimate of the day is kept beside the deal, and while
the unit is in stock `compband ledger` estimates it anew. Nothing is ever changed in the ledger:
`compband ledger reverse ENTRY` takes an entry back, `compband ledger describe` tells a unit anew.";

/// Record a purchase: opens a deal
#[derive(Debug, Args)]
#[command(after_help = BUY_EXAMPLES)]
pub struct BuyArgs {
    /// Model of the unit
    #[arg(value_name = "MODEL", required_unless_present = "model_said")]
    model: Option<String>,
    #[arg(
        long = "model",
        id = "model_said",
        hide = true,
        conflicts_with = "model"
    )]
    model_said: Option<String>,
    /// What was paid, shipping left out
    #[arg(long, value_name = "AMOUNT")]
    price: String,
    /// Shipping, fees of an auction and whatever else it took to get it here [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    shipping: Option<String>,
    /// Minutes of work so far
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

/// Record money or time spent on a unit in stock: it adds to what the unit cost
#[derive(Debug, Args)]
#[command(after_help = SPEND_EXAMPLES)]
pub struct SpendArgs {
    /// The deal: its number, or the model where only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// What was spent; may be left out where only time was
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

Fees, sending and packing are reckoned as by `compband net`; --fees and --sending say what was
really taken. The estimate of the day is kept beside the sale, from sales of days before it.";

/// Record the sale of a unit: closes a deal
#[derive(Debug, Args)]
#[command(after_help = SOLD_EXAMPLES)]
pub struct SoldArgs {
    /// The deal: its number, or the model where only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Price, without shipping that the buyer pays beside it
    #[arg(long, value_name = "AMOUNT")]
    price: String,
    #[command(flatten)]
    sale: SaleArgs,
    /// Fees of outlet and payment in all [default: by the outlet]
    #[arg(long, value_name = "AMOUNT")]
    fees: Option<String>,
    /// What sending and packing cost [default: by the weight]
    #[arg(long, value_name = "AMOUNT")]
    sending: Option<String>,
    /// Offers that came in before it sold, the one taken among them
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(..=100_000))]
    offers: Option<u32>,
    /// How it was sold
    #[arg(long, value_name = "HOW", value_enum)]
    how_sold: Option<HowSold>,
    /// Minutes of work for listing and packing
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// Record the sale as a comp too
    #[arg(long)]
    log_comp: bool,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Record that a unit was thrown away, given away or sold as scrap: closes a deal
#[derive(Debug, Args)]
pub struct ScrapArgs {
    /// The deal: its number, or the model where only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// What it fetched as scrap [default: 0]
    #[arg(long = "for", value_name = "AMOUNT")]
    fetched: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// What every entry can be given.
#[derive(Debug, Args)]
pub struct EntryArgs {
    /// Day of it: YYYY-MM-DD, today, yesterday, monday or "3 days ago" [default: today]
    #[arg(long, value_name = "DAY", value_parser = parse_day)]
    pub date: Option<NaiveDate>,
    /// Anything else
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

impl EntryArgs {
    /// The day that was said, if any.
    ///
    /// # Errors
    /// A day that has not come, or of long ago.
    pub fn day_said(&self) -> Result<Option<NaiveDate>, CliError> {
        if let Some(day) = self.date {
            checks::day(day, today()).map_err(|wrong| CliError::Refused {
                message: format!("--date: expected {}", wrong.expected),
                next: wrong.mend,
            })?;
        }
        Ok(self.date)
    }

    /// The day that was said, or today.
    ///
    /// # Errors
    /// As [`EntryArgs::day_said`].
    pub fn day(&self) -> Result<NaiveDate, CliError> {
        Ok(self.day_said()?.unwrap_or_else(today))
    }

    /// The note, fit for one cell.
    ///
    /// # Errors
    /// Text that no cell can hold.
    pub fn note(&self) -> Result<String, CliError> {
        one_line("--note", self.note.as_deref().unwrap_or_default())
    }
}

/// Text for one cell, trimmed.
///
/// # Errors
/// More than a line, control characters, or more than a cell can hold.
pub fn one_line(flag: &str, text: &str) -> Result<String, CliError> {
    let text = text.trim();
    checks::text("model", text).map_err(|wrong| not_kept(flag, wrong))?;
    Ok(composed(text).into_owned())
}

fn not_kept(flag: &str, wrong: Wrong) -> CliError {
    CliError::Refused {
        message: format!("{flag}: expected {}", wrong.expected),
        next: wrong.mend,
    }
}

/// Refuses what is said of a unit where it cannot be kept: as [`one_line`], flag by flag.
///
/// # Errors
/// The flag, and what was expected.
pub fn fit_to_keep(unit: &Subject) -> Result<(), CliError> {
    let said = [
        ("--variant", unit.variant.clone().unwrap_or_default()),
        ("--missing", unit.missing.to_string()),
        ("--extra", unit.extras.to_string()),
        ("--defect", unit.defects.to_string()),
    ];
    said.iter().try_for_each(|(flag, text)| {
        checks::text("variant", text).map_err(|wrong| not_kept(flag, wrong))
    })
}

/// The ledger of a book.
///
/// # Errors
/// Where it cannot be read, or an entry does not follow on those before it.
pub fn read_ledger(book: &Book) -> Result<Ledger, CliError> {
    let mut ledger = Ledger::new(book.settings().currency.decimals());
    for (row, entry) in book.ledger(&mut notice)? {
        ledger.enter(entry).map_err(|refusal| {
            BookError::Rows(vec![Problem {
                file: book.display_name(&book.ledger_path()),
                row,
                column: String::new(),
                value: String::new(),
                expected: format!("an entry that follows on those before it, but {refusal}"),
                mend: PUT_BACK.into(),
            }])
        })?;
    }
    Ok(ledger)
}

/// A book that is being written to.
pub struct Writing {
    /// The book.
    pub book: Book,
    /// Its ledger so far.
    pub ledger: Ledger,
    lock: BookLock,
}

impl Writing {
    /// Takes the book and reads its ledger.
    ///
    /// # Errors
    /// Where the book is held by another run or its ledger is wrong.
    pub fn begin(book: Option<&Path>) -> Result<Self, CliError> {
        let book = Book::open(book)?;
        let lock = book.lock(&mut notice)?;
        book.repair_ledger(&lock, &mut notice)?;
        let ledger = read_ledger(&book)?;
        Ok(Self { book, ledger, lock })
    }

    /// Settings of the book.
    pub fn settings(&self) -> &Settings {
        self.book.settings()
    }

    /// Enters an entry and writes it down; tells where the cash has run out.
    ///
    /// # Errors
    /// Where it does not follow on those before it, or cannot be written.
    pub fn enter(&mut self, entry: Entry) -> Result<(), CliError> {
        let spends = entry.postings.get(Account::Cash) < Decimal::ZERO;
        self.ledger.enter(entry.clone())?;
        self.book.append_to_ledger(&self.lock, &entry)?;
        let cash = self.ledger.totals().get(Account::Cash);
        if spends && cash < Decimal::ZERO {
            notice(&format!(
                "by the ledger cash is {}: record what you put in with `compband ledger fund`",
                amount(&self.settings().currency, cash)
            ));
        }
        Ok(())
    }

    /// Tells what was done, with the number of the entry that did it and where it leaves the
    /// money.
    ///
    /// # Errors
    /// Where output fails.
    pub fn tell(&self, done: &str, lines: &[String]) -> Result<(), CliError> {
        let currency = &self.settings().currency;
        let totals = self.ledger.totals();
        let number = self.ledger.next_number() - 1;
        let mut text = format!("{}\n", fitted(&strong(done), ""));
        let money = format!(
            "Cash {}, stock at cost {}, bankroll {} {}.",
            amount(currency, totals.get(Account::Cash)),
            amount(currency, totals.get(Account::Stock)),
            amount(currency, self.ledger.bankroll()),
            currency.code
        );
        for line in lines.iter().chain([&money]) {
            text.push_str(&format!("{}\n", fitted(line, "  ")));
        }
        text.push_str(&format!(
            "Entry {number}. To take it back: compband ledger reverse {number}\n"
        ));
        print(&text)
    }
}

/// Which deals a command is about.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// Units in stock.
    InStock,
    /// Units sold.
    Sold,
    /// Any.
    Any,
}

/// The deal of a number (`d7` or `7`), or the only one of a model that is wanted.
///
/// # Errors
/// Where there is none, or there are several.
pub fn find_deal<'a>(ledger: &'a Ledger, text: &str, wanted: Wanted) -> Result<&'a Deal, CliError> {
    let text = text.trim();
    let digits = text.strip_prefix(['d', 'D']).unwrap_or(text);
    let number = digits.parse().ok();
    if let Some(deal) = number.and_then(|id| ledger.deal(id)) {
        return Ok(deal);
    }
    let wanted: Vec<&Deal> = ledger
        .deals()
        .filter(|deal| match wanted {
            Wanted::InStock => deal.state == State::Open,
            Wanted::Sold => deal.state == State::Sold,
            Wanted::Any => true,
        })
        .collect();
    let of_model: Vec<&Deal> = wanted
        .iter()
        .copied()
        .filter(|deal| match_key(&deal.unit.model) == match_key(text))
        .collect();
    match of_model.as_slice() {
        [deal] => Ok(deal),
        [] => Err(no_deal(text, &wanted)),
        several => Err(CliError::Refused {
            message: format!(
                "there are {} deals of {}",
                several.len(),
                quoted(&shorten(text, 60))
            ),
            next: format!("say which: {}", listed(several)),
        }),
    }
}

/// `d3 (Nerrow F4), d5 (Brask M2)`.
fn listed(deals: &[&Deal]) -> String {
    let shown = deals.iter().take(NAMED);
    let mut text = shown
        .map(|deal| format!("{} ({})", deal.name(), deal.unit.model))
        .collect::<Vec<_>>()
        .join(", ");
    if deals.len() > NAMED {
        text.push_str(", …");
    }
    text
}

fn no_deal(asked: &str, wanted: &[&Deal]) -> CliError {
    let models = wanted.iter().map(|deal| deal.unit.model.as_str());
    let near = nearest_few(asked, models, NAMED);
    let of_near: Vec<&Deal> = wanted
        .iter()
        .copied()
        .filter(|deal| near.contains(&deal.unit.model.as_str()))
        .collect();
    let shown = if of_near.is_empty() { wanted } else { &of_near };
    CliError::Absent {
        message: format!("there is no deal {}", quoted(&shorten(asked, 60))),
        next: if shown.is_empty() {
            "there is none that this could be about; `compband buy` opens one, `compband ledger` shows all".into()
        } else {
            format!("there is {}", listed(shown))
        },
    }
}

/// The unit of a deal as the subject of an estimate.
pub fn subject(unit: &Unit) -> Subject {
    let said = |text: &str| (!text.is_empty()).then(|| text.to_string());
    Subject {
        model: unit.model.clone(),
        variant: said(&unit.variant),
        completeness: said(&unit.completeness),
        grade: said(&unit.grade),
        missing: unit.missing.clone(),
        extras: unit.extras.clone(),
        defects: unit.defects.clone(),
        attributes: unit.attributes.clone(),
        works: !unit.parts,
        how_sold: unit.how_sold,
    }
}

/// What the ledger keeps of a subject.
pub fn unit_of(subject: Subject) -> Unit {
    Unit {
        model: subject.model,
        variant: subject.variant.unwrap_or_default(),
        completeness: subject.completeness.unwrap_or_default(),
        grade: subject.grade.unwrap_or_default(),
        missing: subject.missing,
        extras: subject.extras,
        defects: subject.defects,
        attributes: subject.attributes,
        parts: !subject.works,
        how_sold: subject.how_sold,
    }
}

/// What an estimate as of a day says of a unit; none, and why, where nothing speaks of it.
///
/// # Errors
/// Where the book cannot be read.
pub fn foresee(
    book: &Book,
    unit: &Unit,
    as_of: NaiveDate,
) -> Result<Result<Foreseen, String>, CliError> {
    let subject = subject(unit);
    let settings = book.settings();
    let reader = Reader::new(book, as_of, [subject.model.as_str()], &mut notice)?;
    let unit = reader.unit(Asked {
        settings: settings.clone(),
        subject,
        keep: &[],
        drop: &[],
    })?;
    match unit.selection().and_then(|found| unit.estimate(found)) {
        Ok(made) => Ok(Ok(Foreseen {
            likely: made.median,
            low: made.low,
            high: made.high,
            level: made.level,
            basis: made.basis,
        })),
        Err(AppError::Absent { message, next }) => Ok(Err(format!("{message} ({next})"))),
        Err(other) => Err(other.into()),
    }
}

/// As [`foresee`], what is lacking being told.
fn foresee_told(book: &Book, unit: &Unit, as_of: NaiveDate) -> Result<Option<Foreseen>, CliError> {
    Ok(match foresee(book, unit, as_of)? {
        Ok(foreseen) => Some(foreseen),
        Err(why) => {
            notice(&format!("no estimate is kept beside the deal: {why}"));
            None
        }
    })
}

/// Reads minutes of work.
///
/// # Errors
/// Anything but a number from 0 to 100 000.
pub fn minutes(given: Option<&String>) -> Result<Decimal, CliError> {
    let most = Decimal::from(100_000);
    let check = |minutes: Decimal| {
        let within = (Decimal::ZERO..=most).contains(&minutes);
        within
            .then_some(minutes)
            .ok_or_else(|| "minutes from 0 to 100000".to_string())
    };
    given.map_or(Ok(Decimal::ZERO), |text| {
        Ok(quantity("--minutes", text, "min", check)?)
    })
}

/// `compband buy`.
///
/// # Errors
/// Values that are wrong, or a book that cannot be written.
pub fn buy(args: &BuyArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let (settings, on) = (writing.settings().clone(), args.entry.day()?);
    let currency = &settings.currency;
    let model = args.model.as_deref().or(args.model_said.as_deref());
    let model = one_line("MODEL", model.unwrap_or_default())?;
    let subject = args.facts.subject(&model, &settings)?;
    fit_to_keep(&subject)?;
    let price = money("--price", &args.price, currency)?;
    let inbound = money_if("--shipping", args.shipping.as_ref(), currency)?;
    let unit = unit_of(subject.clone());
    let estimate = foresee_told(&writing.book, &unit, on)?;
    let paid = price + inbound.unwrap_or_default();
    let purchase = Purchase {
        paid,
        unit,
        estimate,
    };
    let entry = Entry {
        minutes: minutes(args.minutes.as_ref())?,
        note: args.entry.note()?,
        ..writing.ledger.buy(on, purchase)
    };
    let deal = entry.deal.unwrap_or_default();
    writing.enter(entry)?;
    let done = format!(
        "Bought {}: {}, on {on} for {} {}",
        name(deal),
        sheet::unit(&subject),
        amount(currency, paid),
        currency.code
    );
    let told = estimate.map(|made| format!("Estimate of the day: {}.", foreseen(&made, currency)));
    writing.tell(&done, &told.into_iter().collect::<Vec<_>>())
}

/// `compband spend`.
///
/// # Errors
/// Values that are wrong, a deal that is not in stock, or a book that cannot be written.
pub fn spend(args: &SpendArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let currency = writing.settings().currency.clone();
    // Where only time was spent, the first word says what for.
    let only_time = args.amount.as_ref().filter(|text| {
        args.what.is_none()
            && args.minutes.is_some()
            && !text.contains(|c: char| c.is_ascii_digit())
    });
    let (spent, what) = match only_time {
        Some(what) => (None, Some(what)),
        None => (args.amount.as_ref(), args.what.as_ref()),
    };
    let what = what.map_or("", String::as_str);
    let spent = money_if("AMOUNT", spent, &currency)?.unwrap_or_default();
    let deal = find_deal(&writing.ledger, &args.deal, Wanted::InStock)?.id;
    let what = one_line("WHAT", what)?;
    let minutes = minutes(args.minutes.as_ref())?;
    let note = [what.as_str(), args.entry.note()?.as_str()]
        .into_iter()
        .filter(|text| !text.is_empty())
        .collect::<Vec<_>>()
        .join("; ");
    let entry = Entry {
        note,
        ..writing
            .ledger
            .spend(args.entry.day()?, deal, spent, minutes)
    };
    writing.enter(entry)?;
    let what = if what.is_empty() {
        String::new()
    } else {
        format!(" on {what}")
    };
    let done = format!(
        "Spent {} {} and {} min{what} for {}",
        amount(&currency, spent),
        currency.code,
        minutes.normalize(),
        name(deal)
    );
    let cost = writing.ledger.deal(deal).map(|deal| {
        format!(
            "{} has cost {} {} and {} min.",
            deal.unit.model,
            amount(&currency, deal.cost()),
            currency.code,
            deal.minutes.normalize()
        )
    });
    writing.tell(&done, &cost.into_iter().collect::<Vec<_>>())
}

/// `compband sold`.
///
/// # Errors
/// Values that are wrong, a deal that is not in stock, or a book that cannot be written.
pub fn sold(args: &SoldArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let (settings, on) = (writing.settings().clone(), args.entry.day()?);
    let currency = &settings.currency;
    let deal = find_deal(&writing.ledger, &args.deal, Wanted::InStock)?;
    let (id, mut unit) = (deal.id, deal.unit.clone());
    let (outlet, sale) = args.figures(&settings)?;
    let blank = writing.ledger.sold(on, id, &sale);
    // Before anything is foreseen: a deal that is not in stock is to be told as such.
    writing.ledger.clone().enter(blank.clone())?;
    let before = on.pred_opt().unwrap_or(on);
    let estimate = foresee_told(&writing.book, &unit, before)?;
    let entry = Entry {
        minutes: minutes(args.minutes.as_ref())?,
        outlet: outlet.clone(),
        offers: args.offers,
        estimate,
        note: args.entry.note()?,
        ..blank
    };
    unit.how_sold = args.how_sold.or(unit.how_sold);
    let comp = Comp {
        venue: outlet.clone(),
        ..unit.comp(on, sale.price, sale.shipping, &currency.code)
    };
    // The comp first: should the run end between the two, the same command again finds it recorded
    // and enters the sale, while a deal once sold cannot be sold again.
    let recorded = args
        .log_comp
        .then(|| record_sale(&writing.book, &writing.lock, comp.clone(), &mut notice));
    let recorded = recorded.transpose()?;
    if let Err(error) = writing.enter(entry) {
        if recorded.is_some() {
            notice(
                "the sale is among the comps, but not in the ledger: the same command again enters it",
            );
        }
        return Err(error);
    }
    let money = |value| amount(currency, value);
    let through = if outlet.is_empty() {
        String::new()
    } else {
        format!(" through {outlet}")
    };
    let beside = if sale.shipping.is_zero() {
        String::new()
    } else {
        format!(" and {} for shipping", money(sale.shipping))
    };
    let done = format!(
        "Sold {}: {}, on {on}{through} for {} {}{beside}",
        name(id),
        sheet::unit(&subject(&unit)),
        money(sale.price),
        currency.code,
    );
    let mut lines = vec![format!(
        "Fees {}, sending and packing {}.",
        money(sale.fees),
        money(sale.postage)
    )];
    if let Some(deal) = writing.ledger.deal(id) {
        let hourly =
            hourly(deal, currency).map_or(String::new(), |text| format!(", {text} an hour"));
        lines.push(format!(
            "Cost {}, profit {} {}{hourly}; {} in stock.",
            money(deal.cost()),
            money(deal.profit()),
            currency.code,
            super::count(
                usize::try_from(deal.days_held(on)).unwrap_or_default(),
                "day"
            )
        ));
    }
    lines.extend(
        estimate.map(|made| format!("Estimate of the day: {}.", foreseen(&made, currency))),
    );
    writing.tell(&done, &lines)?;
    if let Some(recorded) = recorded {
        return tell_recorded(recorded);
    }
    print(&format!(
        "To let it inform estimates:\n  {}\n",
        log_command(&comp)
    ))
}

impl SoldArgs {
    /// Name of the outlet, empty where there is none, and the figures of the sale.
    fn figures(&self, settings: &Settings) -> Result<(String, Sale), CliError> {
        let currency = &settings.currency;
        let price = money("--price", &self.price, currency)?;
        let fees = money_if("--fees", self.fees.as_ref(), currency)?;
        let sending = money_if("--sending", self.sending.as_ref(), currency)?;
        let all_said = fees.is_some() && sending.is_some() && self.sale.outlet.is_none();
        let outlet = if all_said {
            None
        } else {
            self.sale.outlet(settings)?
        };
        let Some((name, outlet)) = outlet else {
            let paid = money_if("--shipping", self.sale.shipping.as_ref(), currency)?;
            if fees.is_none() {
                notice(
                    "compband.toml has no outlet, so no fees are counted: say --fees, and --sending",
                );
            }
            let sale = Sale {
                price,
                shipping: paid.unwrap_or_default(),
                fees: fees.unwrap_or_default(),
                postage: sending.unwrap_or_default(),
            };
            return Ok((String::new(), sale));
        };
        let terms = self.sale.terms(outlet, settings)?;
        if sending.is_none() {
            tell_unsure(Some(&terms));
        }
        let net = terms.without_returns(price);
        let sum = |which: fn(Item) -> bool| -> Decimal {
            let lines = net.lines.iter().filter(|line| which(line.item));
            lines.map(|line| line.amount).sum()
        };
        let by_fees = |item| {
            use Item::*;
            matches!(
                item,
                Fee | FixedFee | Payment | FixedPayment | Promotion | FixedPromotion
            )
        };
        let by_sending = |item| matches!(item, Item::Postage | Item::Packing);
        let sale = Sale {
            price,
            shipping: terms.shipping_paid,
            fees: fees.unwrap_or_else(|| -sum(by_fees)),
            postage: sending.unwrap_or_else(|| -sum(by_sending)),
        };
        Ok((name.to_string(), sale))
    }
}

/// The command line that records a comp.
fn log_command(comp: &Comp) -> String {
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
    for (column, cell) in crate::trade::comp::COLUMNS.iter().zip(&cells) {
        match *column {
            "comp_id" | "works" | "currency" | "lot_size" => {}
            "shipping" if comp.shipping.is_zero() => {}
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
/// Values that are wrong, a deal that is not in stock, or a book that cannot be written.
pub fn scrap(args: &ScrapArgs, book: Option<&Path>) -> Result<(), CliError> {
    let mut writing = Writing::begin(book)?;
    let currency = writing.settings().currency.clone();
    let fetched = money_if("--for", args.fetched.as_ref(), &currency)?.unwrap_or_default();
    let deal = find_deal(&writing.ledger, &args.deal, Wanted::InStock)?;
    let (id, model) = (deal.id, deal.unit.model.clone());
    let on = args.entry.day()?;
    let entry = Entry {
        note: args.entry.note()?,
        ..writing.ledger.scrap(on, id, fetched)
    };
    writing.enter(entry)?;
    let done = format!(
        "Scrapped {}: {model}, on {on} for {} {}",
        name(id),
        amount(&currency, fetched),
        currency.code
    );
    let result = writing.ledger.deal(id).map(|deal| {
        format!(
            "Cost {}, profit {} {}.",
            amount(&currency, deal.cost()),
            amount(&currency, deal.profit()),
            currency.code
        )
    });
    writing.tell(&done, &result.into_iter().collect::<Vec<_>>())
}
