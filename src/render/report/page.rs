//! Content of the report about a unit and about the book.

use chrono::NaiveDate;

use crate::backtest::selfcheck::Figures;
use crate::backtest::verdict::Verdict;
use crate::band::estimate::Estimate;
use crate::render::html::Place;
use crate::render::sheet::unit;
use crate::settings::Settings;

/// Content of the page.
#[derive(Debug)]
pub struct Page<'a> {
    /// The units in their order.
    pub units: &'a [Unit<'a>],
    /// Omitted units and the reasons, one sentence each.
    pub absent: &'a [String],
    /// Day of the estimates.
    pub as_of: NaiveDate,
    /// Hash of the book.
    pub fingerprint: u64,
    /// The command that makes this page.
    pub command: &'a str,
}

/// Content of the page about one unit.
#[derive(Debug)]
pub struct Unit<'a> {
    /// Its place on the page, for which its sections of bid and ask were made.
    pub place: Place,
    /// Name of its watched unit, and the flags that describe it.
    pub watched: Option<(&'a str, &'a str)>,
    /// The estimate.
    pub estimate: &'a Estimate,
    /// Name of each of its comps, in order.
    pub ids: &'a [&'a str],
    /// Its chart as an SVG document without user text.
    pub chart: &'a str,
    /// The figures of past estimates, if requested.
    pub check: Option<&'a Check>,
    /// The section about the bid, if requested: made by [`bid_section`].
    pub bid: Option<&'a str>,
    /// The section about the asking price, if requested: made by [`ask_section`].
    pub ask: Option<&'a str>,
    /// The settings in force.
    pub settings: &'a Settings,
}

impl Unit<'_> {
    /// The name of its watched unit, and the unit.
    pub(super) fn title(&self) -> String {
        let unit = unit(&self.estimate.subject);
        self.watched
            .map_or_else(|| unit.clone(), |(name, _)| format!("{name}: {unit}"))
    }
}

/// Past estimates of the model, compared with the prices paid.
#[derive(Debug)]
pub struct Check {
    /// Number of predictions, and their data.
    pub predicted: String,
    /// Their figures.
    pub figures: Figures,
    /// Verdicts on them.
    pub verdicts: Vec<Verdict>,
}
