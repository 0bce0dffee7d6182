//! The distribution of the level of a unit's prices, with the buyers at each level.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::band::estimate::Estimate;
use crate::deal::asking::{Buyers, Level, buyers_behind};
use crate::deal::waiting::Chance;
use crate::settings::selling::DealSettings;

/// Number of prices that represent the distribution of prices paid at one level.
const BUYERS: usize = 60;

/// Of so many prices paid at a level the highest is left out: what somebody paid once by mistake or in a hurry
/// is no price to wait for.
const TOP: usize = 20;

/// Number of levels that represent what is believed of the unit's level.
const LEVELS: usize = 9;

/// Standard deviation of the unit's level, log price, below which it counts as known.
const KNOWN: f64 = 0.003;

/// Probability of the levels that count; those beyond are set to its ends. The long tails of rules of thumb
/// are ignorance, and no price to speculate on.
const COUNTED: f64 = 0.8;

/// Probability within one standard deviation of a normal mean.
const ONE_SD: f64 = 0.682_689_492;

/// So many levels, from these or from the only one.
pub(super) fn as_many(levels: &[Level], count: usize) -> Vec<Level> {
    match levels {
        [only] => vec![
            Level {
                chance: 1.0 / count as f64,
                ..only.clone()
            };
            count
        ],
        levels => levels.to_vec(),
    }
}

/// The levels that the unit may have, equally likely, with the buyers at each.
pub(super) fn levels(made: &Estimate, per_sale: f64) -> Vec<Level> {
    levels_of(made, per_sale, (LEVELS, BUYERS))
}

/// The same with so many levels and buyers.
pub fn levels_of(made: &Estimate, per_sale: f64, (count, buyers): (usize, usize)) -> Vec<Level> {
    let mut sale = made.outcome.sale().quantiles(buyers);
    sale.truncate(buyers - buyers / TOP);
    let centre = made.outcome.centre();
    let (low, high) = centre.band(ONE_SD);
    let levels = if high - low < 2.0 * KNOWN {
        vec![made.outcome.median()]
    } else {
        let (least, most) = centre.band(COUNTED);
        let levels = centre.quantiles(count).into_iter();
        levels.map(|level| level.clamp(least, most)).collect()
    };
    let chance = 1.0 / levels.len() as f64;
    let of = |level: &f64| {
        let paid: Vec<f64> = sale.iter().map(|sale| (level + sale).exp()).collect();
        Level {
            chance,
            most: buyers_behind(&paid, per_sale),
            end: 0.0,
        }
    };
    levels.iter().map(of).collect()
}

/// The price paid in the middle at a level, from the limits of the buyers there.
pub(super) fn middle(most: &[Chance]) -> f64 {
    most.get(most.len() / 2).map_or(0.0, |one| one.money)
}

/// The buyers of a market in which this number of offers a week come where the likely price is asked.
pub fn buyers<'l>(
    levels: &'l [Level],
    deal: &DealSettings,
    offers: f64,
    likely: f64,
) -> Buyers<'l> {
    let share = |percent: Decimal| float(percent) / 100.0;
    let mut buyers = Buyers {
        levels,
        rate: offers,
        haggling: share(deal.buyers_who_offer),
        offered: share(deal.offered),
        least: share(deal.least_offer),
    };
    buyers.rate /= buyers.counted(likely);
    buyers
}

/// An amount for the statistics.
pub(in crate::app) fn float(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or_default()
}
