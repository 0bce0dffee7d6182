//! `compband pocket`: a page for the phone, with the figures of every unit that one may meet.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{CliError, count, day_or_today, notice, open, parse_day, progress_of};
use crate::app::pocket::{Wanted, outlets, pocket};
use crate::app::write;
use crate::parse::dates::WrittenDate;
use crate::render::pocket::page;
use crate::trade::money::grouped;

const EXAMPLES: &str = "\
Examples:
  compband pocket --out pocket.html
  compband pocket --out pocket.html \"Nulva 61K\" \"Bolv 83V\"
  compband pocket --out pocket.html --outlet parcel --outlet table

Save the file on the phone, or send it to yourself; it needs no network. Tap the grade, what is
missing, extras and defects: it shows the likely price, its range, what you keep at the outlet, and
the most to pay for your aims, with parts to buy and the chance that a repair works. The figures are
those of `compband estimate` and `compband bid` on the day it was made. With three or more things
missing, extra or defective, prices are marked \"about\" (within 1 % or 0.50), and the most to pay is
left open. After 30 days the page asks to be made again. It has no sales, notes, venues, costs or
bankroll in it; the most to pay keeps to your cash, as in `compband bid`.";

/// Write a page for the phone: what units would sell for, and the most to pay
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct PocketArgs {
    /// Models [default: every model that has sales]
    #[arg(value_name = "MODEL")]
    models: Vec<String>,
    /// The page: one HTML file; an existing one is replaced
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Outlet where you sell; repeat it to choose among several on the page [default: the one set, or all]
    #[arg(long, value_name = "NAME")]
    outlet: Vec<String>,
    /// Estimate as of this date: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
}

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a model or an outlet does not exist, no model can be estimated, or the page cannot be
/// written.
pub fn run(args: &PocketArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let settings = book.settings();
    let wanted = Wanted {
        models: args.models.clone(),
        as_of: day_or_today(args.as_of, settings),
    };
    let outlets = outlets(&args.outlet, settings, &mut notice)?;
    let bar = progress_of("combinations");
    let made = pocket(
        &book,
        &wanted,
        &outlets,
        &|done, of| {
            let _ = bar(done, of);
        },
        &mut notice,
    )?;
    let page = page(&made)?;
    write(&args.out, page.as_bytes())?;
    for model in &made.left_out {
        notice(&format!(
            "{model:?} is left out: there is too little to go by"
        ));
    }
    let worked_out: usize = made.sheets.iter().map(|sheet| sheet.worked_out).sum();
    notice(&format!(
        "page written to {}: {}, {} kB, {} units worked out",
        args.out.display(),
        count(made.sheets.len(), "model"),
        page.len().div_ceil(1000),
        grouped(&worked_out.to_string()),
    ));
    Ok(())
}
