//! `compband buy-lot`: several units bought at one price.

use std::path::Path;

use clap::Args;

use super::deals::EntryArgs;
use super::{CliError, fitted, notice, print, strong};
use crate::app::Book;
use crate::app::amounts::{money, shipping_if};
use crate::app::deals::Books;
use crate::app::lot::{Lot, read_split, read_units};
use crate::render::lot::{self, Bought};
use crate::render::numbers::amount;
use crate::render::table::terminal_width;

const EXAMPLES: &str = "\
Examples:
  compband buy-lot \"Nulva 61K: grade B\" \"Bolv 83V x2: parts\" --price 100 --inbound 6
  compband buy-lot \"Nulva 61K: boxed\" \"Bolv 83V\" --price 80 --split \"60; 20\"
  compband buy-lot \"Nulva 61K\" \"Old box\" --price 70 --split \"estimate; 5\" --dry-run

A unit is its model and, behind a colon, what `compband buy` takes as flags: variant, completeness,
grade, missing, extra, defect, set, how-sold with their values, and parts; x2 behind the model means
two of them. A letter of the grades and a level of completeness need no word before them.

By estimate, a unit's share of the price is in proportion to what it is likely to sell for; what
there is no estimate for needs a share by hand. What it took to get all here follows the shares.
Each unit is then a deal of its own.";

/// Record several units bought at one price: opens a deal for each
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct LotArgs {
    /// A unit: "MODEL x2: grade B, missing charger, parts"
    #[arg(value_name = "UNIT", required = true)]
    units: Vec<String>,
    /// What was paid for all, without what it took to get them here (--inbound)
    #[arg(long, value_name = "AMOUNT")]
    price: String,
    /// Shipping to you and whatever else it took to get all of them here [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    /// The share of each unit in the price: estimate, or amounts apart by semicolons
    #[arg(long, value_name = "SHARES", default_value = "estimate")]
    split: String,
    /// Show the shares and record nothing
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    entry: EntryArgs,
}

/// `compband buy-lot`.
///
/// # Errors
/// Invalid values, a price that cannot be shared out, or a book that cannot be written.
pub fn run(args: &LotArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let (settings, dated) = (book.settings(), args.entry.dated(&book)?);
    let currency = &settings.currency;
    let mut units = Vec::new();
    for text in &args.units {
        units.extend(read_units(text, settings, &mut notice)?);
    }
    let lot = Lot {
        units,
        split: read_split(&args.split, currency)?,
        price: money("--price", &args.price, currency)?,
        inbound: shipping_if("--inbound", args.inbound.as_ref(), currency)?.unwrap_or_default(),
    };
    let on = dated.on;
    let notice = &mut notice;
    let mut books = Books::open(&book, notice)?;
    let (made, entered) = if args.dry_run {
        (books.share_out(&lot, &dated)?, None)
    } else {
        let (made, entered) = books.buy_lot(&lot, dated)?;
        (made, Some(entered))
    };
    let done = format!(
        "{} {} units on {on} for {} {}",
        if args.dry_run { "Would buy" } else { "Bought" },
        made.len(),
        amount(currency, lot.price + lot.inbound),
        currency.code
    );
    let bought = Bought {
        currency,
        units: &made,
        entered,
    };
    let table = lot::text(&bought, terminal_width());
    print(&format!("{}\n{table}", fitted(&strong(&done), "")))
}
