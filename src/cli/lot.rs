//! `compband buy-lot`: several units bought at one price.

use std::path::Path;

use clap::Args;

use super::deals::EntryArgs;
use super::{CliError, fitted, notice, open, print, strong};
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

Write a unit as its model, a colon, and what `compband buy` takes as flags: variant, completeness,
grade, missing, extra, defect, set and how-sold with their values, and parts. x2 after the model
means two of them. A grade or a level of completeness needs no word before it.

With \"estimate\", each unit's share of the price follows its likely price; a unit without an estimate
needs a share from you. The cost of getting them to you is split the same way. Each unit is then a
deal of its own.";

/// Record several units bought at one price; this opens a deal for each
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct LotArgs {
    /// A unit: "MODEL x2: grade B, missing charger, parts"
    #[arg(value_name = "UNIT", required = true)]
    units: Vec<String>,
    /// What you paid for all of them, without the cost of getting them to you (--inbound)
    #[arg(long, value_name = "AMOUNT")]
    price: String,
    /// Cost of getting all of them to you [default: 0]
    #[arg(long, value_name = "AMOUNT")]
    inbound: Option<String>,
    /// Each unit's share of the price: estimate, or amounts separated by semicolons
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
    let book = open(book)?;
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
