//! Charts: of an estimate ([`BandChart`]), with the likely price of the unit and the sales behind
//! it; of a check of past estimates ([`CheckChart`]); of a bankroll over time ([`BankrollChart`]);
//! and of the estimates of a watched unit over time ([`HistoryChart`]).
//!
//! The chart of an estimate has two panels on white. The upper one shows the density of the
//! predictive distribution with the band shaded, and below it each sale as a dot at its price
//! adjusted to this unit and to today. The lower one shows the sales by date with the trend, and
//! the band at the right edge.
//!
//! Colours: blue for the band and the used sales, amber for the likely price and the trend, grey
//! for dropped sales. Readers with red-green or blue-yellow blindness can distinguish the two hues.
//! Colour never carries information alone (dropped sales are hollow, the median is a thick line).
//! Every text has a contrast of at least 4.5 to 1 on white, every mark at least 3 to 1 (WCAG 2.1,
//! success criteria 1.4.3 and 1.4.11).

mod axis;
mod band;
mod bankroll;
mod canvas;
mod course;
mod error;
mod history;
mod kind;
mod layout;
mod scene;
mod selfcheck;
mod weeks;

pub use error::ChartError;
pub use kind::{BandChart, Chart, Dot};
use kind::{MOST, float, require, require_amount};
use std::path::Path;

use crate::book::files::write_whole;

pub use bankroll::{BankrollChart, BankrollPoint};
pub use history::{HistoryChart, HistoryPoint};
pub use selfcheck::{CheckChart, CheckedSale};
pub use weeks::{WeekShown, WeeksChart};

impl Chart for BandChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<scene::Shape>, ChartError> {
        check(self)?;
        layout::compose(self)
    }
}

/// Format of a picture, by the extension of its file name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Png,
    Svg,
}

impl Format {
    fn of(path: &Path) -> Result<Self, ChartError> {
        let extension = path.extension().and_then(|e| e.to_str());
        let extension = extension.unwrap_or_default();
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

/// Draws the chart into a file: PNG (1600 × 1200) or SVG by the extension, ignoring case. The file
/// appears whole or not at all.
///
/// # Errors
/// [`ChartError`]: another extension, a number that is not finite or out of range, or a failure to write.
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

/// Checks the file name of a chart before the work of making it.
///
/// # Errors
/// [`ChartError::Format`]: an extension other than those of PNG and SVG.
pub fn check_name(path: &Path) -> Result<(), ChartError> {
    Format::of(path).map(|_| ())
}

/// The chart as an SVG document, displayed at 800 × 600 unless scaled.
///
/// # Errors
/// [`ChartError`]: a number that is not finite or out of range.
pub fn to_svg(chart: &impl Chart) -> Result<String, ChartError> {
    scene::to_svg(&chart.shapes()?, chart.title())
}

/// The chart as a PNG file of 1600 × 1200 pixels, 200 per inch.
///
/// # Errors
/// [`ChartError`]: a number that is not finite or out of range.
pub fn to_png(chart: &impl Chart) -> Result<Vec<u8>, ChartError> {
    scene::to_png(&chart.shapes()?)
}

/// Refuses numbers that no axis can show.
fn check(chart: &BandChart) -> Result<(), ChartError> {
    let money = |what, value: f64| {
        let expected = "an amount between -1e15 and 1e15";
        require(value.abs() <= MOST, what, value, expected)
    };
    money("the low end of the range", chart.low)?;
    money("the likely price", chart.median)?;
    money("the high end of the range", chart.high)?;
    let (within, ordered) = (chart.low..=chart.high, "an amount within the range");
    let holds = within.contains(&chart.median);
    require(holds, "the likely price", chart.median, ordered)?;
    for &(price, density) in &chart.density {
        money("a price of the density", price)?;
        let holds = density.is_finite() && density >= 0.0;
        require(holds, "a density", density, "a number of at least 0")?;
    }
    for pair in chart.density.windows(2) {
        let (before, price, ordered) = (pair[0].0, pair[1].0, "prices in ascending order");
        require(before <= price, "a price of the density", price, ordered)?;
    }
    for dot in &chart.dots {
        money("the adjusted price of a sale", dot.adjusted)?;
        money("the price of a sale at its date", dot.at_date)?;
        let holds = (0.0..=1.0).contains(&dot.weight);
        require(
            holds,
            "the weight of a sale",
            dot.weight,
            "a number from 0 to 1",
        )?;
    }
    let mut trend = chart.trend.iter();
    trend.try_for_each(|&(_, price)| money("a price of the trend", price))
}

#[cfg(test)]
mod tests;
