//! The trait of charts, and the chart of an estimate.

use super::ChartError;
use crate::render::chart::scene;
use crate::trade::Currency;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// A chart that can be drawn.
pub trait Chart {
    /// Its title.
    fn title(&self) -> &str;

    /// Its shapes; later ones cover earlier ones.
    ///
    /// # Errors
    /// [`ChartError`]: a number that is not finite or out of range.
    fn shapes(&self) -> Result<Vec<scene::Shape>, ChartError>;
}

/// One sale on the chart of an estimate.
#[derive(Debug, Clone)]
pub struct Dot {
    /// Price adjusted to this unit and to today.
    pub adjusted: f64,
    /// Price adjusted to this unit, at the price level of its date, if it has one.
    pub at_date: f64,
    /// Day of the sale; without one it is not drawn over time.
    pub sold_on: Option<NaiveDate>,
    /// Weight relative to the largest, 0 to 1.
    pub weight: f64,
    /// Whether the sale informs the estimate.
    pub used: bool,
}

/// Largest amount that axes support.
pub(crate) const MOST: f64 = 1e15;

pub(crate) fn require(
    holds: bool,
    what: &'static str,
    value: f64,
    expected: &'static str,
) -> Result<(), ChartError> {
    holds.then_some(()).ok_or(ChartError::Value {
        what,
        value,
        expected,
    })
}

/// Refuses an amount that no axis can show.
pub(crate) fn require_amount(what: &'static str, value: f64) -> Result<(), ChartError> {
    require(value.abs() <= MOST, what, value, "an amount up to 1e15")
}

/// A decimal amount for an axis.
pub(crate) fn float(money: Decimal) -> f64 {
    money.to_f64().unwrap_or(f64::NAN)
}

/// Content of the chart of an estimate. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct BandChart {
    /// The unit.
    pub title: String,
    /// Date, number of comps, price basis.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// Level of the band, in per cent.
    pub level: u8,
    /// Likely price.
    pub median: f64,
    /// Lower end of the band.
    pub low: f64,
    /// Upper end of the band.
    pub high: f64,
    /// Predictive density at prices in ascending order: (price, density in any unit). May be empty.
    pub density: Vec<(f64, f64)>,
    /// The sales, used and dropped.
    pub dots: Vec<Dot>,
    /// Fitted price of this unit by date. May be empty.
    pub trend: Vec<(NaiveDate, f64)>,
}
