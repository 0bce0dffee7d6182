//! The frame that the charts of amounts over time share: headings, an axis of amounts, an axis of
//! days, and the names of the lines at their right ends.

use plotters::style::RGBColor;

use super::ChartError;
use super::axis::{self, Axis};
use super::canvas::{
    Canvas, FRAME, LEGEND_LINE, MARGIN, RIGHT, SMALL, labelled_ticks, plain, widest,
};
use super::scene::Align;
use crate::trade::Currency;

/// Baselines and edges, from top to bottom.
const AXIS_TITLE: f64 = 214.0;
const PANEL: (f64, f64) = (240.0, 980.0);
const DATE_TICKS: f64 = 1014.0;
pub(super) const LEGEND: f64 = 1082.0;

/// Height of the middle of a mark in the legend.
pub(super) const LEGEND_MIDDLE: f64 = LEGEND - 8.0;

/// Smallest distance between the centres of labels one above the other.
const LABEL_ROW: f64 = 30.0;

/// The right end of a line: its amount, its label and its colour.
pub(super) type End = (f64, String, RGBColor);

/// The label of the end of a line: its name and its amount.
pub(super) fn end_label(currency: &Currency, name: &str, value: f64) -> String {
    // Avoids a negative zero in a sum of exact amounts.
    let value = if value == 0.0 { 0.0 } else { value };
    let decimals = match value.abs() >= 1e5 {
        true => 0,
        false => currency.decimals() as usize,
    };
    format!("{name} {}", plain(value, decimals))
}

/// A chart of amounts over time during layout.
pub(super) struct Frame {
    pub(super) canvas: Canvas,
    pub(super) dates: Axis,
    pub(super) money: Axis,
    /// Left and right edge of the panel.
    pub(super) sides: (f64, f64),
    /// The ends of the lines, from the top down.
    ends: Vec<End>,
}

impl Frame {
    /// The axes for ranges of amounts and of days (see [`axis::day`]), with room for the labels of
    /// the ends.
    ///
    /// # Errors
    /// [`ChartError::Drawing`] if the embedded font cannot be read.
    pub(super) fn new(
        headings: [&str; 3],
        currency: &Currency,
        (amounts, days): ((f64, f64), (f64, f64)),
        ends: Vec<End>,
    ) -> Result<Self, ChartError> {
        let [title, subtitle, footer] = headings;
        let mut canvas = Canvas::new()?;
        canvas.headings(title, subtitle, footer);
        canvas.small((MARGIN, AXIS_TITLE), Align::Left, currency.code.clone());
        let money = Axis {
            range: amounts,
            ends: (PANEL.1, PANEL.0),
        };
        let (ticks, labels) = labelled_ticks(money.range, 8);
        let left = MARGIN + widest(&labels) + 16.0;
        let names: Vec<String> = ends.iter().map(|(_, name, _)| name.clone()).collect();
        let right = RIGHT - widest(&names) * 1.1 - 20.0;
        for (tick, label) in ticks.into_iter().zip(labels) {
            canvas.level(money.place(tick), (left, right), label);
        }
        let dates = Axis {
            range: days,
            ends: (left, right),
        };
        canvas.dates(&dates, PANEL, DATE_TICKS);
        Ok(Self {
            canvas,
            dates,
            money,
            sides: (left, right),
            ends,
        })
    }

    /// Draws the axes: the left edge of the panel, and a level line at an amount.
    pub(super) fn axes(&mut self, level: f64) {
        self.canvas.upwards(self.sides.0, PANEL, 1.5, FRAME);
        let y = self
            .money
            .place(level.clamp(self.money.range.0, self.money.range.1));
        self.canvas.across(self.sides, y, 1.5, FRAME);
    }

    /// Writes that there is nothing to show.
    pub(super) fn nothing(&mut self, text: &str) {
        let (left, right) = self.sides;
        let middle = ((left + right) / 2.0, (PANEL.0 + PANEL.1) / 2.0);
        self.canvas.nothing(middle, text);
    }

    /// Writes the labels of the ends of the lines, each as near to its amount as the others allow.
    pub(super) fn name_ends(&mut self) {
        let wanted: Vec<f64> = self
            .ends
            .iter()
            .map(|end| self.money.place(end.0))
            .collect();
        let bounds = (PANEL.0 - LABEL_ROW, PANEL.1 + LABEL_ROW);
        let places = axis::spread(&wanted, &vec![LABEL_ROW; wanted.len()], 0.0, bounds);
        for (place, (_, text, ink)) in places.into_iter().zip(std::mem::take(&mut self.ends)) {
            let at = (self.sides.1 + 12.0, place + 8.0);
            self.canvas.text(at, Align::Left, SMALL, ink, text);
        }
    }

    /// A level line of the legend that begins at `x`.
    pub(super) fn legend_line(&mut self, x: f64, width: f64, ink: RGBColor) {
        let y = LEGEND_MIDDLE;
        self.canvas.across((x, x + LEGEND_LINE), y, width, ink);
    }

    /// An area of the legend that begins at `x`.
    pub(super) fn legend_area(&mut self, x: f64, ink: RGBColor) {
        let (top, foot) = (LEGEND_MIDDLE - 11.0, LEGEND_MIDDLE + 11.0);
        self.canvas.box_area((x, top), (x + LEGEND_LINE, foot), ink);
    }

    /// Text of the legend after a mark that begins at `x`; returns where the next mark begins.
    pub(super) fn legend_text(&mut self, x: f64, text: &str) -> f64 {
        self.canvas
            .legend_text((x + LEGEND_LINE + 2.0, LEGEND), text)
    }
}
