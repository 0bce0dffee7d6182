//! Statistics of the owner's own deals: how far sellers come down, how often offers come, and what
//! money earns in a week.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::funds::opening;
use crate::deal::bid::Sellers;
use crate::deal::earning::{Recorded, weekly};
use crate::deal::haggle::Discounts;
use crate::deal::ledger::Ledger;
use crate::deal::waiting::{Patience, Rate, posterior};
use crate::fit::design::DAYS_PER_MONTH;
use crate::settings::Settings;
use crate::settings::selling::DealSettings;
use crate::trade::range::Range;

const WEEKS_PER_YEAR: f64 = 12.0 * DAYS_PER_MONTH / 7.0;

/// Fewest weeks over which a return of the ledger is taken.
const LEAST_WEEKS: f64 = 4.0;

/// Statistics of the ledger of a book on a day, combined with the rules of thumb.
#[derive(Debug, Clone)]
pub struct Practice {
    /// Sellers of whom units are bought.
    pub sellers: Sellers,
    /// Offers per week for a unit at the likely price, without an outlet.
    offers: Rate,
    /// The same at each outlet.
    offers_at: BTreeMap<String, Rate>,
    /// Alternative return on money.
    pub earns: Earns,
    /// Cost of holding a unit for a week.
    pub holding: Decimal,
}

/// Return on the money of a sale: the price of waiting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Earns {
    /// As given, per cent per year.
    PerYear(Decimal),
    /// The rule of thumb, per cent per week.
    Rule(Decimal),
    /// From the ledger and the rule of thumb.
    Ledger {
        /// The return recorded in the ledger.
        recorded: Recorded,
        /// The rule of thumb, per cent per week.
        rule: Decimal,
        /// Both together, as a share per week.
        weekly: f64,
    },
}

impl Earns {
    /// The return: as given per year, or else by the ledger and the rule of thumb.
    pub fn of(
        ledger: &Ledger,
        per_year: Option<Decimal>,
        deal: &DealSettings,
        day: NaiveDate,
    ) -> Self {
        if let Some(per_year) = per_year {
            return Self::PerYear(per_year);
        }
        let rule = deal.return_per_week;
        let recorded = recorded(ledger, deal.bankroll, day);
        match (recorded, weekly(share(rule), recorded)) {
            (Some(recorded), (weekly, true)) => Self::Ledger {
                recorded,
                rule,
                weekly,
            },
            _ => Self::Rule(rule),
        }
    }

    /// As a share per week.
    pub fn per_week(&self) -> f64 {
        match self {
            Self::PerYear(percent) => (1.0 + share(*percent)).powf(1.0 / WEEKS_PER_YEAR) - 1.0,
            Self::Rule(percent) => share(*percent),
            Self::Ledger { weekly, .. } => *weekly,
        }
    }

    /// As a share per year, with what is earned earning as well.
    pub fn per_year(&self) -> f64 {
        (1.0 + self.per_week()).powf(WEEKS_PER_YEAR) - 1.0
    }
}

/// The cost of waiting, for a return per week as a share and a cost of holding a unit for a week.
pub fn patience(per_week: f64, holding: Decimal) -> Patience {
    Patience {
        discount: 1.0 / (1.0 + per_week),
        cost: holding.to_f64().unwrap_or_default(),
    }
}

/// Offers per week for a unit at the likely price, at an outlet.
#[derive(Debug, Clone, Copy)]
pub struct OffersAt {
    /// The rate.
    pub rate: Rate,
    /// Number of offers in the ledger for earlier sales, and the weeks in which they came.
    pub noted: (u32, f64),
    /// Whether the outlet has a rate of its own, and with it buyers of its own.
    pub own: bool,
}

/// The rate of offers at an outlet on a day, by the rule of thumb and the ledger without one listing, named by its
/// deal and its position there.
///
/// # Errors
/// If the rule of thumb is not a range of counts.
pub fn offers_at(
    ledger: &Ledger,
    settings: &Settings,
    outlet: Option<&str>,
    day: NaiveDate,
    left_out: Option<(u32, usize)>,
) -> Result<OffersAt, AppError> {
    let own = outlet.and_then(|name| settings.outlets.get(name)?.offers_per_week);
    let offers = |at: Option<&str>| ledger.offers_besides(day, at, left_out);
    let noted = match outlet.map(|name| offers(Some(name))) {
        Some(there) if there.1 > 0.0 || own.is_some() => there,
        _ => offers(None),
    };
    let rule = offers_by_rule(own.unwrap_or(settings.deal.offers_per_week))?;
    Ok(OffersAt {
        // The asking prices of earlier sales are assumed to be near the likely price.
        rate: posterior(rule, f64::from(noted.0), noted.1),
        noted,
        own: own.is_some(),
    })
}

/// The rule of thumb for offers per week.
fn offers_by_rule(range: Range) -> Result<Rate, AppError> {
    let end = |end: Decimal| end.to_f64().unwrap_or_default();
    Rate::from_range(end(range.low), end(range.high)).ok_or_else(|| AppError::Refused {
        message: format!("offers_per_week \"{range}\" is not a range of counts"),
        next: "write two different counts in compband.toml, such as \"1 to 4\"".into(),
    })
}

impl Practice {
    /// The statistics of a ledger on a day.
    ///
    /// # Errors
    /// If the rule of thumb for offers is not a range of counts.
    pub fn of(ledger: &Ledger, settings: &Settings, day: NaiveDate) -> Result<Self, AppError> {
        let deal = &settings.deal;
        let range = deal.seller_discount;
        let rate = |outlet| Ok::<_, AppError>(offers_at(ledger, settings, outlet, day, None)?.rate);
        let outlets = settings.outlets.keys();
        Ok(Self {
            sellers: Sellers {
                discounts: Discounts::from_range(share(range.low), share(range.high))
                    .learnt(&paid_of_asked(ledger)),
                breaks_off: share(deal.breaks_off),
            },
            offers: rate(None)?,
            offers_at: outlets
                .map(|name| Ok((name.clone(), rate(Some(name))?)))
                .collect::<Result<_, AppError>>()?,
            earns: Earns::of(ledger, deal.return_per_year, deal, day),
            holding: deal.cost_per_week,
        })
    }

    /// Offers per week for a unit at the likely price, at an outlet.
    pub fn offers(&self, outlet: Option<&str>) -> Rate {
        let there = outlet.and_then(|name| self.offers_at.get(name));
        *there.unwrap_or(&self.offers)
    }

    /// The cost of waiting.
    pub fn patience(&self) -> Patience {
        patience(self.earns.per_week(), self.holding)
    }
}

/// The return of a ledger up to a day: the profit of all deals per week on the average bankroll, idle
/// cash included. None if the bankroll is not known, as no money was paid in and the settings have none.
fn recorded(ledger: &Ledger, set: Decimal, day: NaiveDate) -> Option<Recorded> {
    let summary = ledger.summary(day);
    let average = summary.average + opening(ledger, set)?.to_f64()?;
    let weeks = summary.weeks.max(LEAST_WEEKS);
    (average > 0.0).then(|| Recorded {
        closed: summary.closed,
        weekly: summary.profit.to_f64().unwrap_or_default() / average / weeks,
    })
}

/// The price paid for each unit as a share of the asking price, where that was recorded; shipping to the
/// owner is in both.
fn paid_of_asked(ledger: &Ledger) -> Vec<f64> {
    let shares = ledger.deals().filter_map(|deal| {
        let asked = deal.asked.filter(|asked| *asked > Decimal::ZERO)?;
        (deal.paid / asked).to_f64()
    });
    shares.collect()
}

fn share(percent: Decimal) -> f64 {
    percent.to_f64().unwrap_or_default() / 100.0
}
