//! `compband list` and `unlist`: units put up for sale; the lines about a listing beside `ask` and `offer`.

use std::path::Path;

use clap::Args;
use rust_decimal::Decimal;

use super::deals::{EntryArgs, report, taken_back};
use super::{CliError, fitted, notice, open, print};
use crate::app::Book;
use crate::app::amounts::money;
use crate::app::deals::Books;
use crate::app::listed::{How, ListingEnded, ListingMade, OfferNoted, Stocked, place};
use crate::render::listed::so_far;
use crate::render::numbers::amount;
use crate::render::sheet;
use crate::settings::Settings;

const LIST_EXAMPLES: &str = "\
Examples:
  compband list d7 --ask 162
  compband list d7 --ask 155              change the asking price
  compband list d7 --ask 140 --outlet doorstep --date yesterday

The price is with or without shipping as `compband ask` gives it (price_basis in the settings). From
then on `compband ask d7`, `offer d7 131` and `sold d7` know the outlet, the asking price and since
when; offers per week count from this date. A listing moves no money.";

/// Put a unit in stock up for sale, or change its asking price
#[derive(Debug, Args)]
#[command(after_help = LIST_EXAMPLES)]
pub struct ListArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Asking price
    #[arg(long, value_name = "AMOUNT")]
    ask: String,
    /// Outlet where you list it [default: the one set, or the only one]
    #[arg(long, value_name = "NAME")]
    outlet: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// Take a unit down that has not sold
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  compband unlist d7
  compband unlist d7 --outlet doorstep --date monday

You need not do this after a sale: a sale ends the listings of its unit.")]
pub struct UnlistArgs {
    /// The deal: its number, or the model if only one of it is in stock
    #[arg(value_name = "DEAL")]
    deal: String,
    /// Outlet where it is listed [default: the only one]
    #[arg(long, value_name = "NAME")]
    outlet: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// `compband list`.
///
/// # Errors
/// Invalid values, a deal that is not in stock, or a book that cannot be written.
pub fn list(args: &ListArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let ask = money("--ask", &args.ask, currency)?;
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let made =
        Books::open(&book, &mut notice)?.list(&args.deal, ask, args.outlet.as_deref(), dated)?;
    let ListingMade {
        of_deal,
        how,
        outlet,
        left,
    } = &made;
    let deal = &of_deal.deal;
    let name = deal.name();
    let price = format!("{} {}", amount(currency, ask), currency.code);
    let at = place(outlet);
    let done = match how {
        How::Listed => format!(
            "Listed {name}: {}, on {on}{at} for {price}",
            sheet::unit(&deal.unit)
        ),
        How::Repriced(before) => {
            let before = before.map_or(String::new(), |before| {
                format!(" instead of {}", amount(currency, before))
            });
            format!(
                "Repriced {name}: {}, now {price}{before} from {on} on{at}",
                deal.unit.model
            )
        }
        How::Relisted(ended) => format!(
            "Relisted {name}: {}, on {on}{at} for {price}; the earlier listing ended on {ended}",
            sheet::unit(&deal.unit)
        ),
    };
    let mut lines: Vec<String> = Vec::new();
    lines.extend(left.map(|left| {
        format!(
            "Sold at that price through {outlet}, you keep {} {}.",
            amount(currency, left),
            currency.code
        )
    }));
    lines.push(format!(
        "What to ask, and which offer to accept: compband ask {name}"
    ));
    let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
    print(&report(&done, &lines, of_deal.entered.number))
}

/// `compband unlist`.
///
/// # Errors
/// A unit that is not listed, several listings of which none is given, or a book that cannot be written.
pub fn unlist(args: &UnlistArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let currency = &book.settings().currency;
    let dated = args.entry.dated(&book)?;
    let on = dated.on;
    let ended =
        Books::open(&book, &mut notice)?.unlist(&args.deal, args.outlet.as_deref(), dated)?;
    let ListingEnded { of_deal, was } = &ended;
    let done = format!(
        "No longer up for sale{}: {}, {}, since {on}",
        place(&was.outlet),
        of_deal.deal.name(),
        of_deal.deal.unit.model
    );
    let line = format!("It was up from {} on: {}.", was.from, so_far(was, currency));
    print(&report(&done, &[&line], of_deal.entered.number))
}

/// The line about the listing of a unit in stock.
pub fn up_to_now(stocked: &Stocked, settings: &Settings) -> String {
    let name = stocked.deal.name();
    let currency = &settings.currency;
    let text = stocked.up.as_ref().map_or_else(
        || format!("the ledger does not have {name} up for sale: `compband list {name} --ask PRICE` lists it"),
        |up| {
            let ask = up
                .ask
                .map_or(String::new(), |ask| format!(", now for {}", amount(currency, ask)));
            format!(
                "{name} is up{} since {}{ask}: {}",
                place(&up.outlet),
                up.from,
                so_far(up, currency)
            )
        },
    );
    format!("{}\n", fitted(&text, ""))
}

/// An offer that was noted, with the words about it.
pub struct Noted {
    /// Number of its entry.
    pub entry: u32,
    /// The words.
    pub text: String,
}

/// Notes an offer for a unit in stock.
///
/// # Errors
/// Invalid values, or a book that cannot be written.
pub fn note_offer(
    book: &Book,
    stocked: &Stocked,
    (offer, outlet): (Decimal, &str),
    entry: &EntryArgs,
) -> Result<Noted, CliError> {
    let dated = entry.dated(book)?;
    let on = dated.on;
    let OfferNoted { of_deal, same_as } =
        Books::open(book, &mut notice)?.offer(stocked.deal.id, offer, outlet, dated)?;
    let number = of_deal.entered.number;
    if let Some(same) = same_as {
        notice(&format!(
            "an offer of this amount on {on} is noted already, as ledger entry {same}: if it is the same offer, reverse this one"
        ));
    }
    let currency = &book.settings().currency;
    let text = format!(
        "Noted: an offer of {} {} for {}{} on {on}.",
        amount(currency, offer),
        currency.code,
        stocked.deal.name(),
        place(outlet)
    );
    Ok(Noted {
        entry: number,
        text: format!("{}\n{}", fitted(&text, ""), taken_back(number)),
    })
}
