//! How long a unit takes to sell, and what becomes of its price in that time.
//!
//! Unless it is given, the time is that of the asking policy ([`crate::deal::asking`]): the mean number of
//! weeks to a sale if the best price of each week is asked and offers are taken from the lowest that is
//! worth it. It is worked out with fewer levels, buyers and prices than for an asking price, and with nets
//! between those of a few prices, as `compare` needs it for every listing; a test compares it with the
//! result of `ask`.
//!
//! A sale on a later day is at the price of that day: the log prices move by the trend of the estimate,
//! and their distances from the median grow so that their variance grows by that of the trend over this
//! time. The trend is followed for a year at most, as in the asking policy. That the level of today and
//! the trend are estimated from the same sales is left out.

use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;

use super::ask::levels::{buyers, float, levels_of};
use super::practice::Practice;
use super::unit::AskedUnit;
use crate::band::estimate::{Estimate, Spread};
use crate::deal::asking::{Asks, Level, Market, TREND_WEEKS};
use crate::deal::prospect::Sale;
use crate::fit::design::DAYS_PER_MONTH;
use crate::select::order::NORMAL_DECILE;
use crate::settings::selling::DealSettings;

/// Number of levels and of buyers of the policy.
const COARSE: (usize, usize) = (5, 20);

/// Step of its asking prices, as a share of the likely price.
const STEP: f64 = 0.025;

/// Number of prices whose nets are worked out; those between lie on a line.
const NETS: usize = 24;

/// Source of the weeks to a sale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeeksFrom {
    /// The user or the settings.
    Stated,
    /// The asking policy.
    Policy,
}

/// The time from paying for a unit to being paid for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SaleTime {
    /// Weeks; above 0.
    pub weeks: Decimal,
    /// Their source.
    pub from: WeeksFrom,
    /// Change of prices over them, per cent.
    pub change: f64,
    /// Cost of holding the unit over them.
    pub holding: Decimal,
}

impl SaleTime {
    /// The time of a unit; as given, or else that of the asking policy, to a tenth of a week and at
    /// most a year. `levels` are those of [`coarse_levels`].
    pub fn of(
        unit: &AskedUnit<'_>,
        made: &Estimate,
        levels: &[Level],
        sale: &Sale<'_>,
        given: Option<Decimal>,
        practice: &Practice,
    ) -> Self {
        let (weeks, from) = match given {
            Some(weeks) => (weeks, WeeksFrom::Stated),
            None => (
                by_policy(unit, made, levels, sale, practice),
                WeeksFrom::Policy,
            ),
        };
        let trend = made.evidence.trend_percent.as_ref();
        Self {
            weeks,
            from,
            change: 100.0 * moved(trend, weeks).0.exp_m1(),
            holding: (practice.holding * weeks).round_dp(made.currency.decimals()),
        }
    }
}

/// Change of the log price over some weeks by a trend per month in per cent, and its standard
/// deviation.
fn moved(trend: Option<&Spread>, weeks: Decimal) -> (f64, f64) {
    let Some(trend) = trend else {
        return (0.0, 0.0);
    };
    let weeks = float(weeks).min(TREND_WEEKS as f64);
    let months = 7.0 * weeks / DAYS_PER_MONTH;
    let log = |percent: f64| (percent / 100.0).ln_1p();
    let sd = (log(trend.high) - log(trend.low)) / (2.0 * NORMAL_DECILE);
    (months * log(trend.value), months * sd)
}

/// Moves equally likely log prices, ascending, on by some weeks.
pub fn later(quantiles: &mut [f64], trend: Option<&Spread>, weeks: Decimal) {
    let (by, sd) = moved(trend, weeks);
    let at = |p: f64| quantiles[(p * quantiles.len() as f64) as usize];
    if quantiles.is_empty() {
        return;
    }
    // Probability up to one standard deviation above the mean of a normal.
    let above = 0.841_344_746;
    let (median, own) = (at(0.5), (at(above) - at(1.0 - above)) / 2.0);
    let wider = if own > 0.0 {
        (sd / own).hypot(1.0)
    } else {
        1.0
    };
    for price in quantiles {
        *price = median + by + wider * (*price - median);
    }
}

/// The levels that a unit may have, with the buyers at each, for the time to its sale at any outlet.
pub fn coarse_levels(made: &Estimate, deal: &DealSettings) -> Vec<Level> {
    levels_of(made, float(deal.buyers_per_sale), COARSE)
}

/// Weeks to a sale by the asking policy.
fn by_policy(
    unit: &AskedUnit<'_>,
    made: &Estimate,
    levels: &[Level],
    sale: &Sale<'_>,
    practice: &Practice,
) -> Decimal {
    let deal = &unit.settings.deal;
    let outlet = unit.subject.venue.as_deref();
    let minutes = outlet.and_then(|name| Some(unit.settings.outlets.get(name)?.minutes));
    let work = float(deal.wage * minutes.unwrap_or_default()) / 60.0;
    let likely = float(made.median);
    let offers = practice.offers(outlet).mean();
    let buyers = buyers(levels, deal, offers, likely);
    let trend = made.evidence.trend_percent.as_ref();
    let drift = moved(trend, Decimal::ONE).0.exp();
    let prices = levels.iter().flat_map(|level| &level.most);
    let (low, high) = prices.fold((f64::MAX, 0.0_f64), |(low, high), one| {
        (low.min(one.money), high.max(one.money))
    });
    let reach = drift.powi(TREND_WEEKS as i32);
    let nets = Nets::between(
        low * buyers.offered * reach.min(1.0) * (1.0 - STEP),
        high * reach.max(1.0) * (1.0 + STEP),
        |price| {
            let exact = made.currency.from_statistics(price).unwrap_or_default();
            float(sale.net(exact)) - work
        },
    );
    let market = Market {
        buyers,
        net: &|price| nets.at(price),
        asks: Asks::Within {
            step: STEP * likely,
            most: float(made.high),
        },
        drift,
        patience: practice.patience(),
        deadline: None,
    };
    let most = TREND_WEEKS as f64;
    let weeks = market.plan().weeks().unwrap_or(most).clamp(0.1, most);
    Decimal::from_f64(weeks).unwrap_or_default().round_dp(1)
}

/// Nets of prices, on lines between those of a few.
struct Nets {
    low: f64,
    step: f64,
    nets: Vec<f64>,
}

impl Nets {
    fn between(low: f64, high: f64, net: impl Fn(f64) -> f64) -> Self {
        let step = (high - low).max(f64::MIN_POSITIVE) / (NETS - 1) as f64;
        let nets = (0..NETS).map(|k| net(low + k as f64 * step)).collect();
        Self { low, step, nets }
    }

    fn at(&self, price: f64) -> f64 {
        let place = ((price - self.low) / self.step).max(0.0);
        let cell = (place as usize).min(NETS - 2);
        let (one, next) = (self.nets[cell], self.nets[cell + 1]);
        one + (place - cell as f64) * (next - one)
    }
}
