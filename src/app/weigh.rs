//! Proceeds of a unit to be resold.

use crate::trade::Unit;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::practice::Practice;
use super::sale_time::{SaleTime, later};
use super::unit::AskedUnit;
use crate::band::estimate::{Estimate, Spread};
use crate::deal::bid::Costs;
use crate::deal::outlet::Terms;
use crate::deal::prospect::{Failed, Plan, Prospect, RUNGS, Sale};

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
    let time = SaleTime::of(unit, &made, &sale, costs.weeks, practice);
    let mut quantiles = made.outcome.quantiles(RUNGS);
    if let Some(working) = made.working {
        no_more_than(&mut quantiles, working.ln());
    }
    later(&mut quantiles, trend(&made), time.weeks);
    let parts_quantiles = parts.as_ref().map(|parts| {
        let mut quantiles = parts.outcome.quantiles(RUNGS);
        no_more_than(&mut quantiles, made.outcome.median());
        later(&mut quantiles, trend(parts), time.weeks);
        quantiles
    });
    let share = costs.salvage.and_then(|share| share.to_f64());
    let prospect = Plan {
        sale: &sale,
        mended: &quantiles,
        failed: parts_quantiles
            .as_deref()
            .map_or(Failed::Share(share.unwrap_or_default()), Failed::Prices),
        repairs: &costs.repairs,
        minutes: costs.minutes,
        wage: costs.wage,
        lost: (unit.settings.deal.lost / Decimal::ONE_HUNDRED)
            .to_f64()
            .unwrap_or_default(),
        holding: time.holding,
        donor: costs.donor.as_ref(),
    }
    .prospect();
    Ok(Weighed {
        time,
        made,
        parts,
        prospect,
    })
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
fn for_parts(unit: &AskedUnit<'_>) -> Result<Estimate, AppError> {
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
