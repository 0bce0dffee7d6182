//! Proceeds of a unit to be resold.

use crate::trade::Unit;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::practice::Practice;
use super::sale_time::{SaleTime, coarse_levels, later};
use super::unit::AskedUnit;
use crate::band::estimate::{Estimate, Spread};
use crate::deal::asking::Level;
use crate::deal::bid::Costs;
use crate::deal::outlet::Terms;
use crate::deal::prospect::{Failed, Plan, Prospect, RUNGS, Sale};
use crate::settings::Settings;

/// A unit with the distribution of its proceeds.
#[derive(Debug)]
pub struct Weighed {
    /// Its estimate in the condition in which it will be sold.
    pub made: Estimate,
    /// Its estimate for parts, if a repair can fail and no salvage share is given.
    pub parts: Option<Estimate>,
    /// The distribution of its proceeds.
    pub prospect: Prospect,
    /// The time to its sale.
    pub time: SaleTime,
}

/// Computes the proceeds of a unit, sold at the prices of the day on which it is sold.
///
/// # Errors
/// If neither a comp nor a rule of thumb informs its price.
pub fn weigh(
    unit: &AskedUnit<'_>,
    terms: Option<&Terms<'_>>,
    costs: &Costs,
    practice: &Practice,
) -> Result<Weighed, AppError> {
    let made = unit.estimate(unit.selection()?)?;
    let can_fail = costs.repairs.iter().any(|repair| repair.success < 1.0);
    let parts = if can_fail && costs.salvage.is_none() {
        Some(for_parts(unit)?)
    } else {
        None
    };
    let sale = Sale {
        terms,
        basis: unit.settings.price_basis,
        currency: &unit.settings.currency,
    };
    let ladder = Ladder::of(&made, parts.as_ref(), &unit.settings);
    let held = ladder.held(unit, &sale, costs.weeks, practice);
    let prospect = held.plan(&sale, costs, &unit.settings).prospect();
    Ok(Weighed {
        time: held.time,
        made,
        parts,
        prospect,
    })
}

/// Prices of a unit on the day of its estimate, as they enter its proceeds at any outlet.
#[derive(Debug)]
pub struct Ladder<'e> {
    made: &'e Estimate,
    parts: Option<&'e Estimate>,
    /// Equally likely log prices.
    prices: Vec<f64>,
    /// The same of the unit for parts.
    parts_prices: Option<Vec<f64>>,
    /// The levels that it may have, for the time to its sale.
    levels: Vec<Level>,
}

/// The time to the sale of a unit at an outlet, and its prices then.
#[derive(Debug)]
pub struct Held {
    /// The time to its sale.
    pub time: SaleTime,
    prices: Vec<f64>,
    parts_prices: Option<Vec<f64>>,
}

impl<'e> Ladder<'e> {
    /// The prices of a unit with these estimates, in the condition in which it will be sold and, if a repair can
    /// fail, for parts.
    pub fn of(made: &'e Estimate, parts: Option<&'e Estimate>, settings: &Settings) -> Self {
        let mut prices = made.outcome.quantiles(RUNGS);
        if let Some(working) = made.working {
            no_more_than(&mut prices, working.ln());
        }
        let parts_prices = parts.map(|parts| {
            let mut prices = parts.outcome.quantiles(RUNGS);
            no_more_than(&mut prices, made.outcome.median());
            prices
        });
        Self {
            made,
            parts,
            prices,
            parts_prices,
            levels: coarse_levels(made, &settings.deal),
        }
    }

    /// The time to a sale on these terms, as given or by the asking policy, and the prices on that day. `unit` is
    /// to be sold at the outlet.
    pub fn held(
        &self,
        unit: &AskedUnit<'_>,
        sale: &Sale<'_>,
        weeks: Option<Decimal>,
        practice: &Practice,
    ) -> Held {
        let time = SaleTime::of(unit, self.made, &self.levels, sale, weeks, practice);
        let mut prices = self.prices.clone();
        later(&mut prices, trend(self.made), time.weeks);
        let mut parts_prices = self.parts_prices.clone();
        if let (Some(prices), Some(parts)) = (&mut parts_prices, self.parts) {
            later(prices, trend(parts), time.weeks);
        }
        Held {
            time,
            prices,
            parts_prices,
        }
    }
}

impl Held {
    /// Everything that determines the proceeds of the unit at these costs.
    pub fn plan<'p>(
        &'p self,
        sale: &'p Sale<'p>,
        costs: &'p Costs,
        settings: &Settings,
    ) -> Plan<'p> {
        let share = costs.salvage.and_then(|share| share.to_f64());
        let parts = self.parts_prices.as_deref();
        Plan {
            sale,
            repaired: &self.prices,
            failed: parts.map_or(Failed::Share(share.unwrap_or_default()), Failed::Prices),
            repairs: &costs.repairs,
            minutes: costs.minutes,
            wage: costs.wage,
            lost: (settings.deal.lost / Decimal::ONE_HUNDRED)
                .to_f64()
                .unwrap_or_default(),
            holding: self.time.holding,
            donor: costs.donor.as_ref(),
        }
    }
}

/// Change of prices per month, per cent.
fn trend(made: &Estimate) -> Option<&Spread> {
    made.evidence.trend_percent.as_ref()
}

/// Limits log prices of a unit for parts to its price in working order: with few sales the tail is
/// much longer, and would dominate the mean.
fn no_more_than(quantiles: &mut [f64], working: f64) {
    for price in quantiles {
        *price = price.min(working);
    }
}

/// The estimate of the same unit, not working.
///
/// # Errors
/// If neither a comp nor a rule of thumb informs its price.
pub fn for_parts(unit: &AskedUnit<'_>) -> Result<Estimate, AppError> {
    let parts = AskedUnit {
        settings: unit.settings.clone(),
        subject: Unit {
            works: false,
            ..unit.subject.clone()
        },
        as_of: unit.as_of,
        comps: unit.comps.clone(),
        keep: &[],
        drop: unit.drop,
        context: unit.context.clone(),
    };
    parts.estimate(parts.selection()?)
}
