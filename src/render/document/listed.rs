//! Listings and time on the market, as parts of the document of the ledger.

use chrono::NaiveDate;
use serde::Serialize;

use super::Money;
use crate::deal::ledger::{self as deal, Ended, OnMarket};
use crate::deal::survival::Curve;

/// A listing of a unit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Listing {
    /// Outlet, or empty.
    pub outlet: String,
    /// First day.
    pub from: String,
    /// Last day; null while it is up.
    pub until: Option<String>,
    /// `sold` through it, or `unsold`: ended, or sold elsewhere; null while it is up.
    pub ended: Option<&'static str>,
    /// Days, at least 1.
    pub days: i64,
    /// Asking prices with their first days, in order.
    pub asking: Vec<Asking>,
    /// Number of offers, the accepted one of a sale included.
    pub offers: u32,
    /// The best recorded offer; null if there is none.
    pub best_offer: Option<Money>,
}

/// An asking price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Asking {
    /// First day.
    pub from: String,
    /// The price.
    pub price: Money,
}

/// Time on the market, by the method of Kaplan and Meier: spells that are not seen to a sale count for as long as they
/// were seen.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct TimeOnMarket {
    /// Outlet; null for units at any outlet, where a unit that is up at several counts once.
    pub outlet: Option<String>,
    /// Number of times that a unit was listed.
    pub spells: usize,
    /// Number of these that ended with a sale.
    pub sold: usize,
    /// Number of these that are still up.
    pub still_up: usize,
    /// Number of these that ended without a sale, or with one elsewhere.
    pub ended_unsold: usize,
    /// Days within which a quarter sell; null if that is not reached.
    pub quarter_within_days: Option<i64>,
    /// Days within which half sell; null if that is not reached.
    pub half_within_days: Option<i64>,
    /// Days within which three quarters sell; null if that is not reached.
    pub three_quarters_within_days: Option<i64>,
    /// Lower end of the 80 % interval of the days within which half sell; null if there is none.
    pub half_low_days: Option<i64>,
    /// Upper end of it; null if there is none.
    pub half_high_days: Option<i64>,
    /// The curve: the probability that a unit is unsold after so many days, where it falls.
    pub unsold_after: Vec<Unsold>,
}

/// A point of the curve.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unsold {
    /// Days.
    pub days: i64,
    /// Probability that a unit is up for longer.
    pub chance: f64,
    /// Its standard error.
    pub error: f64,
}

/// The listings of a deal.
pub fn listings(deal: &deal::Deal, today: NaiveDate) -> Vec<Listing> {
    let listings = deal.listings.iter().enumerate();
    let of = |(at, one): (usize, &deal::Listing)| Listing {
        outlet: one.outlet.clone(),
        from: one.from.to_string(),
        until: one.ended.map(|(on, _)| on.to_string()),
        ended: one.ended.map(|(_, how)| match how {
            Ended::Sold => "sold",
            Ended::Unsold => "unsold",
        }),
        days: one.days(today),
        asking: one
            .asks
            .iter()
            .map(|(from, price)| Asking {
                from: from.to_string(),
                price: (*price).into(),
            })
            .collect(),
        offers: deal.offers_at(at),
        best_offer: deal
            .offers_to(at)
            .iter()
            .map(|offer| offer.amount)
            .max()
            .map(Money::from),
    };
    listings.map(of).collect()
}

/// Time on the market of all units and, where there are several outlets, at each of them.
pub fn time_on_market(ledger: &deal::Ledger, today: NaiveDate) -> Vec<TimeOnMarket> {
    let mut all = vec![ledger.on_market(today)];
    let outlets = ledger.on_market_at_outlets(today);
    if outlets.len() > 1 {
        all.extend(outlets);
    }
    all.into_iter().filter_map(one).collect()
}

fn one(of: OnMarket) -> Option<TimeOnMarket> {
    let curve = Curve::of(&of.spells)?;
    let range = curve.range(0.5);
    Some(TimeOnMarket {
        outlet: of.outlet,
        spells: curve.spells,
        sold: curve.ended,
        still_up: of.still_up,
        ended_unsold: curve.spells - curve.ended - of.still_up,
        quarter_within_days: curve.within(0.25),
        half_within_days: curve.within(0.5),
        three_quarters_within_days: curve.within(0.75),
        half_low_days: range.map(|(low, _)| low),
        half_high_days: range.and_then(|(_, high)| high),
        unsold_after: curve
            .steps
            .iter()
            .map(|step| Unsold {
                days: step.days,
                chance: step.lasting,
                error: step.error,
            })
            .collect(),
    })
}
