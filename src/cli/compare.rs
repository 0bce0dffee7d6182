//! `compband compare`: which of several listings to buy with one budget.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;
use polars::prelude::DataFrame;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::bid::{AimArgs, weigh};
use super::listings::{Listing, listings};
use super::net::SaleArgs;
use super::net::tell_unsure;
use super::{CliError, notice, parse_day, say, today};
use crate::app::amounts::{money, money_if};
use crate::app::past;
use crate::app::related::comps_among;
use crate::app::unit::AskedUnit;
use crate::band::estimate::Aids;
use crate::band::own::Own;
use crate::book::store::Book;
use crate::deal::bid::{Aim, Case, Choice, Judged, binding, choose};
use crate::render::compare::{Candidate, Told, sheet};
use crate::render::document;
use crate::render::table::terminal_width;
use crate::settings::Settings;
use crate::trade::names::match_key;

const EXAMPLES: &str = "\
Examples:
  compband compare listings.csv --budget 300
  compband compare listings.csv --budget 300 --profit 15 --loss 10 --json

The table has a row for each listing, described as it will be sold, with the columns of comps
(model, grade, completeness, missing, extras, defects, attr.…) and besides: listing (its name),
asked, repairs (\"new battery: parts 14, minutes 30, success 0.9; …\"), salvage, minutes, inbound,
premium, premium_fixed, tax, weeks, outlet, weight, shipping, note. Only model and asked are needed.
Of the listings that keep every aim at the price asked, those are bought that together earn most
a week within the budget: exactly, by trying no less than all that could. Not a promise.";

/// Choose among several listings with one budget
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompareArgs {
    /// Table of the listings (CSV)
    #[arg(value_name = "LISTINGS")]
    file: PathBuf,
    /// The money there is for all of them
    #[arg(long, value_name = "AMOUNT")]
    budget: String,
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
    as_of: Option<NaiveDate>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// Where the book or the table cannot be read, or a value is wrong.
pub fn run(args: &CompareArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let mut settings = book.settings().clone();
    let currency = settings.currency.clone();
    let budget = money("--budget", &args.budget, &currency)?;
    let (aims, bankroll) = args.aims.read(&book, &settings.deal)?;
    if let Some(wage) = money_if("--wage", args.wage.as_ref(), &currency)? {
        settings.deal.wage = wage;
    }
    let usual = SaleArgs {
        outlet: args.outlet.clone(),
        ..SaleArgs::default()
    };
    let listings = listings(&args.file, &usual, &settings)?;
    let as_of = args.as_of.unwrap_or_else(today);
    let mut frames = HashMap::new();
    let own = past::own(&book, as_of, &mut notice)?;
    let mut candidates = Vec::new();
    for listing in &listings {
        let found = among(
            &mut frames,
            &book,
            &listing.subject.model,
            as_of,
            own,
            &settings,
        )?;
        let judged = judge(listing, found, &aims, bankroll, as_of, &settings);
        candidates.push(Candidate {
            name: listing.name.clone(),
            asked: listing.asked,
            weeks: listing.costs.weeks,
            judged: match judged {
                Err(CliError::Absent { message, .. }) => Err(message),
                other => Ok(other?),
            },
        });
    }
    let choices: Vec<Option<Choice>> = candidates
        .iter()
        .map(|candidate| {
            candidate
                .judged
                .as_ref()
                .ok()
                .and_then(|judged| judged.choice(candidate.weeks))
        })
        .collect();
    let told = Told {
        currency: &currency,
        budget,
        aims: &aims,
        bought: choose(&choices, budget, &currency),
        candidates: &candidates,
    };
    if args.json {
        return say(&document::text(&document::compare::document(&told))?);
    }
    say(&sheet(&told, terminal_width()))?;
    if listings.iter().any(|listing| listing.terms.is_none()) {
        tell_unsure(None);
    }
    Ok(())
}

/// The comps of a model and what is known besides.
type Among = (DataFrame, Aids);

/// These of a model, read once.
fn among(
    known: &mut HashMap<String, Among>,
    book: &Book,
    model: &str,
    as_of: NaiveDate,
    own: Option<Own>,
    settings: &Settings,
) -> Result<Among, CliError> {
    let key = match_key(model);
    if let Some(found) = known.get(&key) {
        return Ok(found.clone());
    }
    let (comps, pool) = comps_among(book, model, as_of, settings, &mut notice)?;
    let found = (comps, Aids { own, pool });
    known.insert(key, found.clone());
    Ok(found)
}

/// Judges a listing at the price asked.
fn judge(
    listing: &Listing<'_>,
    (comps, aids): Among,
    aims: &[Aim],
    bankroll: Option<Decimal>,
    as_of: NaiveDate,
    settings: &Settings,
) -> Result<Judged, CliError> {
    let unit = AskedUnit {
        settings: settings.clone(),
        subject: listing.subject.clone(),
        as_of,
        comps,
        keep: &[],
        drop: &[],
        aids,
    };
    let weighed = weigh(&unit, listing.terms.as_ref(), &listing.costs)?;
    let case = Case {
        prospect: &weighed.prospect,
        buying: &listing.costs.buying,
        currency: &settings.currency,
        weeks: listing.costs.weeks.to_f64().unwrap_or(1.0),
        bankroll,
    };
    let limits = case.limits(aims);
    let most = binding(&limits).and_then(|limit| limit.most);
    Ok(case.judge(aims, listing.asked, most, settings.deal.haggle))
}
