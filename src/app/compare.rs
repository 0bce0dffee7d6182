//! Which of several listings to buy with one budget.

use crate::trade::Unit;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::reader::{Asked, Reader};
use super::unit::AskedUnit;
use super::weigh::weigh;
use crate::deal::bid::{Aim, Case, Choice, Costs, Judged, binding, choose};
use crate::deal::outlet::Terms;
use crate::settings::Settings;

/// One listing as it will be sold, with what it takes.
#[derive(Debug)]
pub struct Listing<'a> {
    /// What it is called in the table, or its row.
    pub name: String,
    /// The unit as it will be sold.
    pub subject: Unit,
    /// The price asked.
    pub asked: Decimal,
    /// What it takes to have and mend it.
    pub costs: Costs,
    /// How it will be sold; none where the book has no outlet.
    pub terms: Option<Terms<'a>>,
}

/// What a purchase must promise, and the money there is.
#[derive(Debug, Clone, Copy)]
pub struct Means<'a> {
    /// What each purchase must promise.
    pub aims: &'a [Aim],
    /// The money there is to trade with, where it is known.
    pub bankroll: Option<Decimal>,
    /// The money there is for all of the listings.
    pub budget: Decimal,
}

/// Listings judged at the prices asked.
#[derive(Debug)]
pub struct Compared {
    /// What was found of each, in their order, or why it could not be judged.
    pub judged: Vec<Result<Judged, String>>,
    /// Positions of those to buy.
    pub bought: Vec<usize>,
}

/// Judges listings, all on the same comps, and chooses among them.
///
/// # Errors
/// Where the book cannot be read. A listing of which nothing speaks is among the results.
pub fn compare(
    reader: &Reader<'_>,
    listings: &[Listing<'_>],
    means: &Means<'_>,
    settings: &Settings,
) -> Result<Compared, AppError> {
    let asked: Vec<Asked<'_>> = listings
        .iter()
        .map(|listing| Asked {
            settings: settings.clone(),
            subject: listing.subject.clone(),
            keep: &[],
            drop: &[],
        })
        .collect();
    let judged = reader.with_each(&asked, |at, unit| judge(&unit, &listings[at], means));
    let judged = judged
        .into_iter()
        .map(|judged| match judged {
            Err(AppError::Absent { message, .. }) => Ok(Err(message)),
            other => other.map(Ok),
        })
        .collect::<Result<Vec<Result<Judged, String>>, AppError>>()?;
    let choices: Vec<Option<Choice>> = judged
        .iter()
        .zip(listings)
        .map(|(judged, listing)| judged.as_ref().ok()?.choice(listing.costs.weeks))
        .collect();
    Ok(Compared {
        bought: choose(&choices, means.budget, &settings.currency),
        judged,
    })
}

/// Judges a listing at the price asked.
fn judge(
    unit: &AskedUnit<'_>,
    listing: &Listing<'_>,
    means: &Means<'_>,
) -> Result<Judged, AppError> {
    let weighed = weigh(unit, listing.terms.as_ref(), &listing.costs)?;
    let case = Case {
        prospect: &weighed.prospect,
        buying: &listing.costs.buying,
        currency: &unit.settings.currency,
        weeks: listing.costs.weeks.to_f64().unwrap_or(1.0),
        bankroll: means.bankroll,
    };
    let limits = case.limits(means.aims);
    let most = binding(&limits).and_then(|limit| limit.most);
    let haggle = unit.settings.deal.haggle;
    Ok(case.judge(means.aims, listing.asked, most, haggle))
}
