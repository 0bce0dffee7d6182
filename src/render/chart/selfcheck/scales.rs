//! The sales in the chart of past estimates, and its scales.

use std::collections::BTreeMap;

use chrono::{Datelike, Months, NaiveDate};

use crate::backtest::ratio::{self, Interval};
use crate::render::chart::axis::{self, Axis};
use crate::render::chart::canvas::plain;
use crate::select::order::quantile;

/// Most bands drawn as bars.
pub(super) const MOST_BARS: usize = 500;

/// Fewest sales in a month for its median.
pub(super) const MONTH_LEAST: usize = 5;

pub(super) fn centre((from, to): (f64, f64)) -> f64 {
    (from + to) / 2.0
}

/// Every how many sales a band is drawn.
pub(super) fn one_bar_in(sales: usize) -> usize {
    sales.div_ceil(MOST_BARS).max(1)
}

/// Range of an axis for some logarithms: the middle 90 % of each set, and others unless far from
/// these.
fn logs_shown(sets: &[Vec<f64>]) -> Option<(f64, f64)> {
    const REACH: f64 = 0.6;
    const LEAST_FACTOR: f64 = 1.25;
    let ends = sets.iter().flat_map(|set| {
        let mut sorted = set.clone();
        sorted.sort_by(f64::total_cmp);
        [0.05, 0.95].map(|p| quantile(&sorted, p))
    });
    let core = axis::extent(ends.flatten())?;
    let shown = axis::widen(core, sets.iter().flatten().copied(), REACH);
    Some(axis::with_air(shown, LEAST_FACTOR.ln()))
}

/// Logarithms of money in the upper panel: the prices, the estimates and the bands, unless these
/// are far wider.
pub(super) fn money_range(sales: &[CheckedSale]) -> (f64, f64) {
    const USELESS: f64 = 3.0;
    let logs = |of: fn(&CheckedSale) -> f64| sales.iter().map(|sale| of(sale).ln()).collect();
    let band = |of: fn(&CheckedSale) -> f64| {
        let end = |sale: &CheckedSale| {
            let middle = sale.estimate.ln();
            of(sale).ln().clamp(middle - USELESS, middle + USELESS)
        };
        sales.iter().map(end).collect()
    };
    let sets = [
        logs(|sale| sale.paid),
        logs(|sale| sale.estimate),
        band(|sale| sale.band.low),
        band(|sale| sale.band.high),
    ];
    logs_shown(&sets).unwrap_or((0.0, 1000.0_f64.ln()))
}

/// Logarithms of the ratios in the lower panel, always including 1 and the median.
pub(super) fn ratio_range(sales: &[CheckedSale], median_ratio: f64) -> (f64, f64) {
    let ratios = sales.iter().map(|sale| sale.ratio().ln()).collect();
    let fixed = vec![0.0, median_ratio.ln()];
    logs_shown(&[ratios, fixed]).unwrap_or((-0.1, 0.1))
}

/// Labels of a logarithmic axis with their positions: as many as have `room`.
pub(super) fn log_labels(axis: &Axis, room: impl Fn(&str) -> f64) -> Vec<(f64, String)> {
    let amounts = (axis.range.0.exp(), axis.range.1.exp());
    let labelled = |(tick, decimals): (f64, usize)| (tick.ln(), plain(tick, decimals));
    let choices = axis::log_ticks(amounts).into_iter();
    let choices = choices.map(|ticks| -> Vec<_> { ticks.into_iter().map(labelled).collect() });
    let fits = |ticks: &Vec<(f64, String)>| {
        ticks.windows(2).all(|pair| {
            let apart = (axis.place(pair[1].0) - axis.place(pair[0].0)).abs();
            apart >= (room(&pair[0].1) + room(&pair[1].1)) / 2.0
        })
    };
    // Among equal numbers, the first.
    let most = choices.filter(fits).rev().max_by_key(Vec::len);
    most.unwrap_or_default()
}

/// Ticks of an axis of counts from 0 to `top`.
pub(super) fn count_ticks(top: f64) -> Vec<f64> {
    let (ticks, _) = axis::amount_ticks((0.0, top), 6);
    ticks
        .into_iter()
        .filter(|tick| tick.fract() == 0.0)
        .collect()
}

/// First and last day (see [`axis::day`]) of each month with enough sales, and their median ratio.
pub(super) fn medians_by_month(sales: &[CheckedSale]) -> Vec<((f64, f64), f64)> {
    let mut months: BTreeMap<NaiveDate, Vec<f64>> = BTreeMap::new();
    for sale in sales {
        if let Some(first) = sale.sold_on.and_then(|day| day.with_day(1)) {
            months.entry(first).or_default().push(sale.ratio());
        }
    }
    let enough = months
        .into_iter()
        .filter(|month| month.1.len() >= MONTH_LEAST);
    enough
        .filter_map(|(first, ratios)| {
            let next = first.checked_add_months(Months::new(1))?;
            let days = (axis::day(first), axis::day(next) - 1.0);
            Some((days, ratio::median(&ratios)?))
        })
        .collect()
}

/// One sale on the chart of a check.
#[derive(Debug, Clone)]
pub struct CheckedSale {
    /// Price paid.
    pub paid: f64,
    /// Estimate.
    pub estimate: f64,
    /// Predicted band.
    pub band: Interval,
    /// Day of the sale, if recorded.
    pub sold_on: Option<NaiveDate>,
}

impl CheckedSale {
    pub(super) fn held(&self) -> bool {
        self.band.contains(self.paid)
    }

    pub(super) fn ratio(&self) -> f64 {
        self.estimate / self.paid
    }
}
