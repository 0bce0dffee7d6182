//! `compband compare`: chooses among several listings for one budget.

use std::path::{Path, PathBuf};

use clap::Args;

use super::bid::AimArgs;
use super::{CliError, day_or_today, notice, parse_day, print};
use crate::app::Book;
use crate::app::amounts::{money, money_if};
use crate::app::compare::{Means, compare};
use crate::app::listings::{Wish, listings, parse_wish};
use crate::app::selling::unsure;
use crate::parse::dates::WrittenDate;
use crate::render::compare::{Candidate, Told, sheet};
use crate::render::document;
use crate::render::table::terminal_width;

const EXAMPLES: &str = "\
Examples:
  compband compare listings.csv --budget 300
  compband compare listings.csv --budget 300 --profit 15 --loss 10 --json
  compband compare seen.xlsx --budget 300 --map \"Wanted=asked\" --map \"Seller=note\"

The table has a row for each listing, described as it will be sold, with the columns of comps
(model, grade, completeness, missing, extras, defects, attr.…) and besides: listing (its name),
asked, repairs (\"new battery: parts 14, minutes 30, success 0.9; …\"), salvage, minutes, inbound,
premium, premium_fixed, tax, weeks, outlet, weight, shipping, note, link. Only model and asked are
needed. Usual other names are known: a column price is taken for asked, postage for inbound. Columns
that are not known are not used. Notes and links are printed with their listings.
Of the listings that keep every aim at the price asked, those are bought that together earn most
a week (with --total: in total) within the budget, the cash and what their risk allows together:
exactly, by trying no less than all that could. Not a promise.";

/// Choose among several listings with one budget
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompareArgs {
    /// Table of the listings: CSV, a spreadsheet (.xlsx, .xls, .ods), or - for text from a pipe
    #[arg(value_name = "LISTINGS")]
    file: PathBuf,
    /// Take their column as ours; THEIRS=- leaves it out
    #[arg(long, value_name = "THEIRS=OURS", value_parser = parse_wish)]
    map: Vec<Wish>,
    /// The money there is for all of them
    #[arg(long, value_name = "AMOUNT")]
    budget: String,
    /// Choose what earns most in total, not most a week, which takes it that short deals can be
    /// repeated
    #[arg(long)]
    total: bool,
    #[command(flatten)]
    aims: AimArgs,
    /// Outlet where the table says none [default: the book's, or the only one]
    #[arg(long, value_name = "NAME")]
    outlet: Option<String>,
    /// What an hour of work costs [default: the book's, 0]
    #[arg(long, value_name = "AMOUNT")]
    wage: Option<String>,
    /// Day of the estimates: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// If the book or the table cannot be read, or a value is invalid.
pub fn run(args: &CompareArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let mut settings = book.settings().clone();
    let currency = settings.currency.clone();
    let budget = money("--budget", &args.budget, &currency)?;
    let aims = args.aims.read(&currency)?;
    let as_of = day_or_today(args.as_of, book.settings());
    let ground = aims.with_book(&book, &settings, as_of, &mut notice)?;
    if let Some(wage) = money_if("--wage", args.wage.as_ref(), &currency)? {
        settings.deal.wage = wage;
    }
    let table = (args.file.as_path(), args.map.as_slice());
    let listings = listings(table, args.outlet.as_deref(), &settings, &mut notice)?;
    let means = Means {
        aims: &ground.aims,
        funds: ground.funds,
        practice: &ground.practice,
        budget,
        total: args.total,
    };
    let compared = compare(&book, &listings, &means, &settings, as_of, &mut notice)?;
    let candidates: Vec<Candidate> = listings
        .iter()
        .zip(compared.judged)
        .map(|(listing, judged)| Candidate {
            name: listing.name.clone(),
            asked: listing.asked,
            weeks: listing.costs.weeks,
            note: listing.note.clone(),
            link: listing.link.clone(),
            judged,
        })
        .collect();
    let content = Told {
        currency: &currency,
        means: &means,
        bought: compared.bought,
        risk: compared.risk,
        candidates: &candidates,
    };
    if args.json {
        return print(&document::text(&document::compare::document(&content))?);
    }
    print(&sheet(&content, terminal_width()))?;
    if listings.iter().any(|listing| listing.terms.is_none()) {
        unsure(None).into_iter().for_each(notice);
    }
    Ok(())
}
