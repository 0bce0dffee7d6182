//! `compband compare`: chooses among several listings for one budget.

use std::path::{Path, PathBuf};

use clap::Args;

use super::bid::AimArgs;
use super::{CliError, day_or_today, notice, open, parse_day, print};
use crate::app::amounts::{money, money_if};
use crate::app::compare::{Means, compare};
use crate::app::listings::{Wish, listings, parse_wish};
use crate::app::selling::unsure;
use crate::parse::dates::WrittenDate;
use crate::render::compare::{Candidate, Content, sheet};
use crate::render::document;
use crate::render::table::terminal_width;

const EXAMPLES: &str = "\
Examples:
  compband compare listings.csv --budget 300
  compband compare listings.csv --budget 300 --profit 15 --loss 10 --json
  compband compare seen.xlsx --budget 300 --map \"Wanted=asked\" --map \"Seller=note\"

The file has one row per listing. Describe each unit as you will sell it, with the columns of sales
(model, grade, completeness, missing, extras, defects, attr.…) and these: listing (its name), asked,
repairs (\"new battery: parts 14, minutes 30, success 0.9; …\"), salvage, minutes, inbound, premium,
premium_fixed, tax, weeks, outlet, weight, shipping, note, link. Only model and asked are required.
Common other names are known: a column price is read as asked, postage as inbound. Unknown columns
are not used. Notes and links are printed with their listings.
compband leaves out listings that miss one of your aims at the asking price. Of the others it picks
those that together earn most a week (with --total: in total) within the budget, the cash and the
risk you allow. It looks at every combination, so no choice earns more. Not a promise.";

/// Choose which of several listings to buy with one budget
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompareArgs {
    /// File of the listings: CSV, a spreadsheet (.xlsx, .xls, .ods), or - for text from a pipe
    #[arg(value_name = "LISTINGS")]
    file: PathBuf,
    /// Read their column as ours; THEIRS=- leaves it out
    #[arg(long, value_name = "THEIRS=OURS", value_parser = parse_wish)]
    map: Vec<Wish>,
    /// Money you have for all of them
    #[arg(long, value_name = "AMOUNT")]
    budget: String,
    /// Choose what earns most in total, instead of most a week
    #[arg(long)]
    total: bool,
    #[command(flatten)]
    aims: AimArgs,
    /// Outlet for rows without one [default: the one set, or the only one]
    #[arg(long, value_name = "NAME")]
    outlet: Option<String>,
    /// Cost of an hour of your work [default: 0, unless set]
    #[arg(long, value_name = "AMOUNT")]
    wage: Option<String>,
    /// Estimate as of this date: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Print JSON instead, with all details
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// If the book or the table cannot be read, or a value is invalid.
pub fn run(args: &CompareArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
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
    let content = Content {
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
