//! Charts: of an estimate ([`BandChart`]), where the price of this unit is likely to fall and the
//! sales behind it; of a check of past estimates ([`CheckChart`]); of a bankroll over time
//! ([`BankrollChart`]); and of the estimates of a watched unit over time ([`HistoryChart`]).
//!
//! That of an estimate has two panels on a white ground. Above, the density of the predictive distribution with the band
//! shaded, and under it each sale as a dot at its price brought to this unit and to today. Below,
//! the sales against their dates with the trend, and the band at the right edge.
//!
//! Colours: blue for the band and the sales that count, amber for the likely price and the trend,
//! grey for what was dropped. The two hues stay apart for readers with red-green or blue-yellow
//! blindness, nothing is told by colour alone (dropped sales are hollow, the median is a thick line),
//! and every text has a contrast of at least 4.5 to 1 on white, every mark at least 3 to 1 (WCAG 2.1,
//! success criteria 1.4.3 and 1.4.11).

mod axis;
mod bankroll;
mod canvas;
mod history;
mod layout;
mod scene;
mod selfcheck;

use std::io;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use crate::book::files::write_whole;
use crate::trade::Currency;

pub use bankroll::{BankrollChart, BankrollPoint};
pub use history::{HistoryChart, HistoryPoint};
pub use selfcheck::{CheckChart, CheckedSale};

/// A chart that can be drawn.
pub trait Chart {
    /// What it is called.
    fn title(&self) -> &str;

    /// Its shapes, the later ones over the earlier ones.
    ///
    /// # Errors
    /// [`ChartError`]: a number that is not finite or out of reach.
    fn shapes(&self) -> Result<Vec<scene::Shape>, ChartError>;
}

/// What a chart shows. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct BandChart {
    /// The unit.
    pub title: String,
    /// Date, number of comps, price basis.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// Chance of the band, in per cent.
    pub chance: u8,
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

impl Chart for BandChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<scene::Shape>, ChartError> {
        check(self)?;
        layout::compose(self)
    }
}

/// One sale on the chart of an estimate.
#[derive(Debug, Clone)]
pub struct Dot {
    /// Price brought to this unit and to today.
    pub adjusted: f64,
    /// Price brought to this unit, at the price level of its own date, where it has one.
    pub at_date: f64,
    /// Day of the sale; without one it is not drawn over time.
    pub sold_on: Option<NaiveDate>,
    /// Weight relative to the heaviest sale, 0 to 1.
    pub weight: f64,
    /// Whether the sale informs the estimate.
    pub used: bool,
}

/// Why a chart could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The file name does not say which kind of picture is wanted.
    #[error(
        "{}: a chart is written as PNG or SVG; end the file name in .png or .svg",
        path.display()
    )]
    Format {
        /// The file as named.
        path: PathBuf,
    },
    /// A number that no axis can show.
    #[error("chart: {what} is {value}; expected {expected}")]
    Value {
        /// Which number.
        what: &'static str,
        /// The number.
        value: f64,
        /// What would have been accepted.
        expected: &'static str,
    },
    /// The file could not be written.
    #[error("{}: cannot write the chart: {source}; see that the folder exists and has room", path.display())]
    Io {
        /// The file as named.
        path: PathBuf,
        /// The system's own error.
        source: io::Error,
    },
    /// The drawing library failed.
    #[error("chart: cannot draw: {0}")]
    Drawing(String),
}

/// Kind of picture, by the extension of the file name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Png,
    Svg,
}

impl Format {
    fn of(path: &Path) -> Result<Self, ChartError> {
        let extension = path
            .extension()
            .and_then(|e| e.to_str())
            .unwrap_or_default();
        if extension.eq_ignore_ascii_case("png") {
            Ok(Self::Png)
        } else if extension.eq_ignore_ascii_case("svg") {
            Ok(Self::Svg)
        } else {
            Err(ChartError::Format {
                path: path.to_path_buf(),
            })
        }
    }
}

/// Draws the chart into a file: PNG (1600 × 1200) or SVG by the extension, case ignored.
/// The file appears whole or not at all.
///
/// # Errors
/// [`ChartError`]: another extension, a number that is not finite or out of reach, or a failure to write.
pub fn draw(chart: &impl Chart, path: &Path) -> Result<(), ChartError> {
    let picture = match Format::of(path)? {
        Format::Png => to_png(chart)?,
        Format::Svg => to_svg(chart)?.into_bytes(),
    };
    write_whole(path, &picture).map_err(|source| ChartError::Io {
        path: path.to_path_buf(),
        source,
    })
}

/// Checks that a chart can be written under this name, before the work of making it.
///
/// # Errors
/// [`ChartError::Format`]: another extension than those of PNG and SVG.
pub fn check_name(path: &Path) -> Result<(), ChartError> {
    Format::of(path).map(|_| ())
}

/// The chart as an SVG document, shown at 800 × 600 unless scaled.
///
/// # Errors
/// [`ChartError`]: a number that is not finite or out of reach.
pub fn to_svg(chart: &impl Chart) -> Result<String, ChartError> {
    scene::to_svg(&chart.shapes()?, chart.title())
}

/// The chart as a PNG file of 1600 × 1200 pixels, 200 to the inch.
///
/// # Errors
/// [`ChartError`]: a number that is not finite or out of reach.
pub fn to_png(chart: &impl Chart) -> Result<Vec<u8>, ChartError> {
    scene::to_png(&chart.shapes()?)
}

/// Largest amount the axes are made for.
const MOST: f64 = 1e15;

/// Refuses numbers that no axis can show.
fn check(chart: &BandChart) -> Result<(), ChartError> {
    let money = |what, value: f64| {
        let expected = "an amount between -1e15 and 1e15";
        require(value.abs() <= MOST, what, value, expected)
    };
    money("the low end of the band", chart.low)?;
    money("the likely price", chart.median)?;
    money("the high end of the band", chart.high)?;
    let ordered = "an amount within the band";
    require(
        (chart.low..=chart.high).contains(&chart.median),
        "the likely price",
        chart.median,
        ordered,
    )?;
    for &(price, density) in &chart.density {
        money("a price of the density", price)?;
        require(
            density.is_finite() && density >= 0.0,
            "a density",
            density,
            "a number of at least 0",
        )?;
    }
    for pair in chart.density.windows(2) {
        require(
            pair[0].0 <= pair[1].0,
            "a price of the density",
            pair[1].0,
            "prices in ascending order",
        )?;
    }
    for dot in &chart.dots {
        money("the adjusted price of a sale", dot.adjusted)?;
        money("the price of a sale at its date", dot.at_date)?;
        require(
            (0.0..=1.0).contains(&dot.weight),
            "the weight of a sale",
            dot.weight,
            "a number from 0 to 1",
        )?;
    }
    chart
        .trend
        .iter()
        .try_for_each(|&(_, price)| money("a price of the trend", price))
}

fn require(
    holds: bool,
    what: &'static str,
    value: f64,
    expected: &'static str,
) -> Result<(), ChartError> {
    if holds {
        Ok(())
    } else {
        Err(ChartError::Value {
            what,
            value,
            expected,
        })
    }
}

#[cfg(test)]
mod tests;
