//! Chooses among several listings for one budget.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::reader::{Asked, Reader};
use super::unit::AskedUnit;
use super::weigh::weigh;
use crate::deal::bid::{Aim, Case, Choice, Costs, Judged, binding, choose};
use crate::deal::outlet::Terms;
use crate::select::Subject;
use crate::settings::Settings;

/// One listing, with its costs.
#[derive(Debug)]
pub struct Listing<'a> {
    /// Its name in the table, or its row.
    pub name: String,
    /// The unit as it will be sold.
    pub subject: Subject,
    /// The asking price.
    pub asked: Decimal,
    /// The costs of buying and repairing it.
    pub costs: Costs,
    /// The terms of its sale; none if the book has no outlet.
    pub terms: Option<Terms<'a>>,
}

/// The aims of each purchase, and the available money.
#[derive(Debug, Clone, Copy)]
pub struct Means<'a> {
    /// Aims that each purchase must meet.
    pub aims: &'a [Aim],
    /// The bankroll, if known.
    pub bankroll: Option<Decimal>,
    /// The budget for all of the listings.
    pub budget: Decimal,
}

/// Listings judged at their asking prices.
#[derive(Debug)]
pub struct Compared {
    /// The result for each, in their order, or the reason why there is none.
    pub judged: Vec<Result<Judged, String>>,
    /// Positions of the listings to buy.
    pub bought: Vec<usize>,
}

/// Judges listings, all with the same comps, and chooses among them.
///
/// # Errors
/// If the book cannot be read. A listing that cannot be estimated is among the results.
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

/// Judges a listing at its asking price.
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
