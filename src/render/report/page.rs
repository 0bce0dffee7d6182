//! What the report shows of a unit and of the book.

use chrono::NaiveDate;

use crate::backtest::selfcheck::Figures;
use crate::backtest::verdict::Verdict;
use crate::band::estimate::Estimate;
use crate::render::html::Place;
use crate::render::sheet::unit;
use crate::settings::Settings;

/// What stands on the page.
#[derive(Debug)]
pub struct Page<'a> {
    /// The units in their order.
    pub units: &'a [Unit<'a>],
    /// What was to be on the page and is not, and why, a sentence each.
    pub absent: &'a [String],
    /// Day of the estimates.
    pub as_of: NaiveDate,
    /// The hash of the book that it was made from.
    pub fingerprint: u64,
    /// The command that makes this page.
    pub command: &'a str,
}

/// What is told of one unit.
#[derive(Debug)]
pub struct Unit<'a> {
    /// Where it stands, which its sections of bid and ask have to be made for.
    pub place: Place,
    /// The name it is watched by, and the flags that describe it.
    pub watched: Option<(&'a str, &'a str)>,
    /// The estimate.
    pub estimate: &'a Estimate,
    /// How each of its comps is named, in its order.
    pub ids: &'a [&'a str],
    /// Its chart as an SVG document that says nothing a user wrote.
    pub chart: &'a str,
    /// The figures of past estimates, where they were asked for.
    pub check: Option<&'a Check>,
    /// What to bid, where that was asked: made by [`bid_section`].
    pub bid: Option<&'a str>,
    /// What to ask, where that was asked: made by [`ask_section`].
    pub ask: Option<&'a str>,
    /// The settings in force.
    pub settings: &'a Settings,
}

impl Unit<'_> {
    /// What it is, behind the name it is watched by.
    pub(super) fn title(&self) -> String {
        let unit = unit(&self.estimate.subject);
        self.watched
            .map_or_else(|| unit.clone(), |(name, _)| format!("{name}: {unit}"))
    }
}

/// Past estimates of the model held against what was paid.
#[derive(Debug)]
pub struct Check {
    /// How many were predicted, and from what.
    pub told: String,
    /// Their figures.
    pub figures: Figures,
    /// What they mean.
    pub verdicts: Vec<Verdict>,
}

/// The text with a capital at its beginning.
pub(in crate::render) fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}

/// A note as a sentence.
pub(super) fn sentence(note: &str) -> String {
    let mut letters = note.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
