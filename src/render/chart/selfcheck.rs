//! The chart of a check: past estimates and the prices then paid.
//!
//! Three panels. Left: the estimate against the price paid, both on logarithmic scales, with the
//! line of equality and each sale's band as a vertical bar, which crosses the line if the band
//! covered the price. Right: the histogram of probability integral transforms in tenths, with the
//! number expected of calibrated estimates and its range by chance. Below: the ratio of estimate to
//! price, on a logarithmic scale, by day of the sale, with medians.
//!
//! Sales inside their band are blue discs, those outside it amber diamonds. If there are very many,
//! marks are small and translucent, and only a share of the bars is drawn.

mod scales;

use plotters::style::{Color, RGBAColor, RGBColor};
use scales::money_range;

use self::scales::{
    MONTH_LEAST, centre, count_ticks, log_labels, medians_by_month, one_bar_in, ratio_range,
};
use super::axis::{self, Axis};
use super::canvas::{
    AMBER, BLUE, Canvas, FRAME, INK, LEGEND_LINE, MARGIN, PAPER, RIGHT, SHADE, SMALL, edge_place,
    mark_size, plain, widest,
};
use super::scene::{self, Align, Point, Shape};
use super::{Chart, ChartError, MOST, require};
use crate::backtest::ratio::Interval;
use crate::trade::Currency;
pub use scales::CheckedSale;

/// Content of the chart of a check. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct CheckChart {
    /// The checked model or group.
    pub title: String,
    /// Number of sales, method of prediction, price basis.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// Level of the bands, in per cent.
    pub level: u8,
    /// The predicted sales.
    pub sales: Vec<CheckedSale>,
    /// Median of estimate over price paid.
    pub median_ratio: f64,
    /// Numbers of sales by probability integral transform: bars of equal width from 0 to 100 %.
    pub histogram: Vec<usize>,
    /// Range of the count of a bar for calibrated estimates, 19 times in 20; `None` without sales.
    pub by_chance: Option<Interval>,
}

impl Chart for CheckChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<Shape>, ChartError> {
        check(self)?;
        compose(self)
    }
}

/// Refuses numbers that no axis can show.
fn check(chart: &CheckChart) -> Result<(), ChartError> {
    const AMOUNT: &str = "an amount above 0 and up to 1e15";
    let money = |what, value: f64| {
        let shown = value > 0.0 && value.is_normal() && value <= MOST;
        require(shown, what, value, AMOUNT)
    };
    for sale in &chart.sales {
        money("the price paid for a sale", sale.paid)?;
        money("the estimate of a sale", sale.estimate)?;
        let Interval { low, high } = sale.band;
        money("the low end of the range of a sale", low)?;
        money("the high end of the range of a sale", high)?;
        let ordered = "an amount not below its low end";
        require(
            low <= high,
            "the high end of the range of a sale",
            high,
            ordered,
        )?;
    }
    money("the median ratio", chart.median_ratio)?;
    for end in chart
        .by_chance
        .iter()
        .flat_map(|range| [range.low, range.high])
    {
        let counted = (0.0..=MOST).contains(&end);
        require(
            counted,
            "a number of sales by chance",
            end,
            "a number from 0",
        )?;
    }
    Ok(())
}

/// Text at the foot of the chart.
const FOOTER: &str = "How estimates did on past sales; not a promise for the next one.";

/// Text in a panel without sales.
const NOTHING: &str = "No sales to show.";

/// Number of sales from which lines cover the marks.
const CLOUD: usize = 300;

/// Number of sales from which marks are translucent.
const CROWD: usize = 1000;

/// Bands that did not cover the price.
const AMBER_SHADE: RGBColor = RGBColor(0xf0, 0xc4, 0xa0);

/// Opacity of the strip of the range by chance.
const STRIP: f64 = 0.22;

/// Radius of the triangle of a sale beyond the axes.
const POINTER: f64 = 10.0;

/// Radius of a diamond relative to a disc of about the same area.
const DIAMOND: f64 = 1.25;

/// Baselines and edges, from top to bottom.
mod rows {
    pub const HEADINGS: f64 = 200.0;
    pub const AXIS_TITLES: f64 = 232.0;
    pub const UPPER: (f64, f64) = (250.0, 624.0);
    pub const UPPER_TICKS: f64 = 656.0;
    pub const UPPER_TITLES: f64 = 690.0;
    pub const LEGEND: [f64; 2] = [738.0, 772.0];
    pub const RATIO_HEADING: f64 = 832.0;
    pub const RATIO_TITLE: f64 = 863.0;
    pub const RATIOS: (f64, f64) = (880.0, 1060.0);
    pub const DATE_TICKS: f64 = 1092.0;
    pub const DATE_TITLE: f64 = 1124.0;
}

/// End of the left panel, and beginning of the right one.
const LEFT_PANEL_END: f64 = 836.0;
const RIGHT_PANEL: f64 = 916.0;

/// Smallest distance between the centres of labels one above the other.
const LABEL_ROW: f64 = 32.0;

/// Lays out the whole chart.
fn compose(chart: &CheckChart) -> Result<Vec<Shape>, ChartError> {
    let mut sheet = Sheet {
        chart,
        size: mark_size(chart.sales.len(), 8.0, 3.0),
        canvas: Canvas::new()?,
    };
    sheet.canvas.headings(&chart.title, &chart.subtitle, FOOTER);
    let clipped_left = sheet.against_paid();
    sheet.histogram();
    let clipped_below = sheet.over_time();
    sheet.legend(clipped_left || clipped_below);
    Ok(sheet.canvas.into_shapes())
}

/// Position of a value on an axis.
struct Place {
    /// Canvas position; at the edge for a value beyond it.
    at: f64,
    /// As [`Axis::beyond`].
    beyond: i8,
}

impl Place {
    fn on(axis: &Axis, value: f64) -> Self {
        Self {
            at: edge_place(axis, value, POINTER),
            beyond: axis.beyond(value),
        }
    }
}

/// A chart during layout.
struct Sheet<'a> {
    chart: &'a CheckChart,
    /// Radius of a disc.
    size: f64,
    canvas: Canvas,
}

impl Sheet<'_> {
    fn heading(&mut self, x: f64, row: f64, text: &str) {
        self.canvas.bold((x, row), Align::Left, 24.0, INK, text);
    }

    fn axis_title(&mut self, at: Point, align: Align, text: impl Into<String>) {
        self.canvas.small(at, align, text);
    }

    /// Estimates against prices; returns whether sales lie beyond the axes.
    fn against_paid(&mut self) -> bool {
        let chart = self.chart;
        let code = &chart.currency.code;
        self.heading(MARGIN, rows::HEADINGS, "Estimate against price paid");
        let upright = Axis {
            range: money_range(&chart.sales),
            ends: (rows::UPPER.1, rows::UPPER.0),
        };
        let title = format!("Estimate ({code})");
        let left = self.logarithms(
            &upright,
            (MARGIN, LEFT_PANEL_END),
            rows::AXIS_TITLES,
            &title,
        );
        let level = Axis {
            range: upright.range,
            ends: (left, LEFT_PANEL_END),
        };
        let wide = |label: &str| 1.3 * scene::text_width(label, SMALL, false);
        for (value, label) in log_labels(&level, wide) {
            self.canvas
                .upright(level.place(value), rows::UPPER, rows::UPPER_TICKS, label);
        }
        let middle = (left + LEFT_PANEL_END) / 2.0;
        let title = format!("Price paid ({code})");
        self.axis_title((middle, rows::UPPER_TITLES), Align::Centre, title);
        let clipped = if chart.sales.is_empty() {
            self.canvas.nothing((middle, centre(rows::UPPER)), NOTHING);
            false
        } else {
            self.estimates(&level, &upright)
        };
        self.frame((left, LEFT_PANEL_END), rows::UPPER);
        clipped
    }

    /// Ticks of a vertical logarithmic axis, with its title above it; returns the left end of its
    /// panel.
    fn logarithms(&mut self, axis: &Axis, sides: (f64, f64), row: f64, title: &str) -> f64 {
        self.axis_title((sides.0, row), Align::Left, title);
        let ticks = log_labels(axis, |_| LABEL_ROW);
        let labels: Vec<String> = ticks.iter().map(|(_, label)| label.clone()).collect();
        let left = sides.0 + widest(&labels) + 16.0;
        for (value, label) in ticks {
            self.canvas.level(axis.place(value), (left, sides.1), label);
        }
        left
    }

    fn estimates(&mut self, level: &Axis, upright: &Axis) -> bool {
        let sales = &self.chart.sales;
        for held in [true, false] {
            let some = sales.iter().step_by(one_bar_in(sales.len()));
            for sale in some.filter(|sale| sale.held() == held) {
                self.band(level, upright, sale);
            }
        }
        let corner = |value: f64| (level.place(value), upright.place(value));
        let (low, high) = level.range;
        self.canvas.line(vec![corner(low), corner(high)], 2.0, INK);
        self.sales(|sale| {
            Some((
                Place::on(level, sale.paid.ln()),
                Place::on(upright, sale.estimate.ln()),
            ))
        })
    }

    /// The band of a sale as a vertical bar, clipped to the axes.
    fn band(&mut self, level: &Axis, upright: &Axis, sale: &CheckedSale) {
        let (low, high) = upright.range;
        let ends = [sale.band.low.ln(), sale.band.high.ln()];
        if level.beyond(sale.paid.ln()) != 0 || ends[1] < low || ends[0] > high {
            return;
        }
        let x = level.place(sale.paid.ln());
        let bar = ends.map(|end| (x, upright.place(end.clamp(low, high))));
        self.bar(bar, sale.held());
    }

    fn bar(&mut self, ends: [Point; 2], held: bool) {
        let ink = if held { SHADE } else { AMBER_SHADE };
        self.canvas.line(ends.to_vec(), 2.0, ink);
    }

    /// Every sale at its position, those inside their band first; returns whether some lie beyond
    /// the axes.
    fn sales(&mut self, place: impl Fn(&CheckedSale) -> Option<(Place, Place)>) -> bool {
        let chart = self.chart;
        let mut clipped = false;
        for held in [true, false] {
            for sale in chart.sales.iter().filter(|sale| sale.held() == held) {
                if let Some((x, y)) = place(sale) {
                    // Canvas y runs down.
                    let beyond = (f64::from(x.beyond), -f64::from(y.beyond));
                    clipped |= x.beyond != 0 || y.beyond != 0;
                    self.mark((x.at, y.at), held, beyond);
                }
            }
        }
        clipped
    }

    /// A disc for a sale inside its band, a diamond for one outside, a triangle if it lies `beyond`
    /// the axes.
    fn mark(&mut self, centre: Point, held: bool, beyond: Point) {
        let ink = if held { BLUE } else { AMBER };
        if beyond != (0.0, 0.0) {
            self.canvas
                .pointer(centre, POINTER, beyond, PAPER, ink, 2.0);
        } else if self.chart.sales.len() > CROWD {
            self.shape(centre, held, self.size, ink.mix(0.35));
        } else {
            self.shape(centre, held, self.size + 1.0, PAPER.to_rgba());
            self.shape(centre, held, self.size, ink.to_rgba());
        }
    }

    fn shape(&mut self, centre: Point, held: bool, radius: f64, ink: RGBAColor) {
        if held {
            self.canvas.disc(centre, radius, ink);
        } else {
            self.canvas.area(diamond(centre, radius * DIAMOND), ink);
        }
    }

    /// The axes of a panel.
    fn frame(&mut self, (left, right): (f64, f64), (top, foot): (f64, f64)) {
        self.canvas.upwards(left, (top, foot), 1.5, FRAME);
        self.canvas.across((left, right), foot, 1.5, FRAME);
    }

    /// The histogram of probability integral transforms.
    fn histogram(&mut self) {
        let chart = self.chart;
        let heading = "Where the price fell in its predicted range";
        self.heading(RIGHT_PANEL, rows::HEADINGS, heading);
        self.axis_title((RIGHT_PANEL, rows::AXIS_TITLES), Align::Left, "Sales");
        let most = chart.histogram.iter().copied().max().unwrap_or(0) as f64;
        let top = most
            .max(chart.by_chance.map_or(0.0, |range| range.high))
            .max(1.0)
            * 1.06;
        let upright = Axis {
            range: (0.0, top),
            ends: (rows::UPPER.1, rows::UPPER.0),
        };
        let ticks = count_ticks(top);
        let labels: Vec<String> = ticks.iter().map(|tick| plain(*tick, 0)).collect();
        let left = RIGHT_PANEL + widest(&labels) + 16.0;
        for (tick, label) in ticks.into_iter().zip(labels) {
            self.canvas.level(upright.place(tick), (left, RIGHT), label);
        }
        let level = Axis {
            range: (0.0, 1.0),
            ends: (left, RIGHT),
        };
        for tenth in [0, 2, 4, 6, 8, 10] {
            let x = level.place(f64::from(tenth) / 10.0);
            let rows = (rows::UPPER.1, rows::UPPER.1);
            self.canvas
                .upright(x, rows, rows::UPPER_TICKS, (tenth * 10).to_string());
        }
        let title = "Predicted chance of at most the price paid (%)";
        let middle = (left + RIGHT) / 2.0;
        self.axis_title((middle, rows::UPPER_TITLES), Align::Centre, title);
        self.bars(&level, &upright);
        self.frame((left, RIGHT), rows::UPPER);
    }

    fn bars(&mut self, level: &Axis, upright: &Axis) {
        const GAP: f64 = 8.0;
        let chart = self.chart;
        let bars = chart.histogram.len().max(1) as f64;
        let (left, right) = level.ends;
        let by_chance = chart
            .by_chance
            .map(|range| [range.high, range.low].map(|end| upright.place(end)));
        if let Some([high, low]) = by_chance {
            self.canvas
                .box_area((left, high), (right, low), AMBER.mix(STRIP));
        }
        let counts = chart.histogram.iter().enumerate();
        for (at, count) in counts.filter(|(_, count)| **count > 0) {
            let [from, to] = [at, at + 1].map(|end| level.place(end as f64 / bars));
            let (from, to, y) = (from + GAP, to - GAP, upright.place(*count as f64));
            self.canvas.box_area((from, y), (to, rows::UPPER.1), SHADE);
            self.canvas.across((from, to), y, 3.0, BLUE);
        }
        let sales: usize = chart.histogram.iter().sum();
        let expected = (upright.place(sales as f64 / bars), 3.0);
        let edges = by_chance.into_iter().flatten().map(|edge| (edge, 1.0));
        for (y, width) in edges.chain([expected]) {
            self.canvas.across((left, right), y, width, AMBER);
        }
    }

    /// Ratios by day; returns whether sales lie beyond the axes.
    fn over_time(&mut self) -> bool {
        let chart = self.chart;
        let heading = "Estimate over price paid, by day of the sale";
        self.heading(MARGIN, rows::RATIO_HEADING, heading);
        let upright = Axis {
            range: ratio_range(&chart.sales, chart.median_ratio),
            ends: (rows::RATIOS.1, rows::RATIOS.0),
        };
        let left = self.logarithms(&upright, (MARGIN, RIGHT), rows::RATIO_TITLE, "Ratio");
        let middle = (left + RIGHT) / 2.0;
        self.axis_title((middle, rows::DATE_TITLE), Align::Centre, "Day of the sale");
        let recorded = chart.sales.iter().filter_map(|sale| sale.sold_on);
        let clipped = match axis::extent(recorded.map(axis::day)) {
            None => {
                let text = if chart.sales.is_empty() {
                    NOTHING
                } else {
                    "No day of sale is recorded."
                };
                self.canvas.nothing((middle, centre(rows::RATIOS)), text);
                false
            }
            Some(days) => {
                let days = Axis {
                    range: axis::days_with_room(days),
                    ends: (left + 16.0, RIGHT - 16.0),
                };
                self.ratios(&days, &upright, (left, RIGHT))
            }
        };
        self.frame((left, RIGHT), rows::RATIOS);
        clipped
    }

    fn ratios(&mut self, days: &Axis, upright: &Axis, sides: (f64, f64)) -> bool {
        let chart = self.chart;
        self.canvas.dates(days, rows::RATIOS, rows::DATE_TICKS);
        let same = upright.place(0.0);
        self.canvas.across(sides, same, 2.0, INK);
        let months = medians_by_month(&chart.sales);
        let medians = |sheet: &mut Self| {
            sheet.dashes(Place::on(upright, chart.median_ratio.ln()).at, sides);
            let (from, to) = days.range;
            for ((first, last), median) in &months {
                let ends = [first, last].map(|day| days.place(day.clamp(from, to)));
                sheet.month(ends, Place::on(upright, median.ln()).at);
            }
        };
        // Lines lie under single marks, which they would hide, and over a dense cloud, which would
        // hide them.
        let crowded = chart.sales.len() > CLOUD;
        if !crowded {
            medians(self);
        }
        let clipped = self.sales(|sale| {
            let day = axis::day(sale.sold_on?);
            Some((Place::on(days, day), Place::on(upright, sale.ratio().ln())))
        });
        if crowded {
            medians(self);
        }
        self.ratio_legend(!months.is_empty());
        clipped
    }

    /// The median of a month as a thick horizontal line.
    fn month(&mut self, [left, right]: [f64; 2], y: f64) {
        self.canvas.across((left, right), y, 9.0, PAPER);
        self.canvas.across((left + 3.0, right - 3.0), y, 5.0, AMBER);
    }

    /// A dashed horizontal line.
    fn dashes(&mut self, y: f64, (left, right): (f64, f64)) {
        const DASH: f64 = 12.0;
        const SPACE: f64 = 8.0;
        let count = ((right - left) / (DASH + SPACE)).ceil() as usize;
        for at in 0..count {
            let x = left + at as f64 * (DASH + SPACE);
            self.canvas
                .across((x, (x + DASH).min(right)), y, 2.0, AMBER);
        }
    }

    /// Legend of the marks and lines of the upper panels that occur.
    fn legend(&mut self, clipped: bool) {
        let sales = &self.chart.sales;
        let held = sales.iter().filter(|sale| sale.held()).count();
        let [upper, lower] = rows::LEGEND;
        let mut x = MARGIN;
        let kinds = [
            (true, held, "in its range"),
            (false, sales.len() - held, "outside it"),
        ];
        for (held, count, text) in kinds.into_iter().filter(|kind| kind.1 > 0) {
            let ink = if held { BLUE } else { AMBER };
            self.shape((x + POINTER, upper - 8.0), held, 7.0, ink.to_rgba());
            let text = format!("{text} ({})", plain(count as f64, 0));
            x = self.canvas.legend_text((x + 2.0 * POINTER, upper), &text);
        }
        if clipped {
            self.mark((x + POINTER, upper - 8.0), true, (1.0, 0.0));
            self.canvas
                .legend_text((x + 2.0 * POINTER, upper), "beyond the axis");
        }
        x = MARGIN + POINTER;
        for (held, _, _) in kinds.into_iter().filter(|kind| kind.1 > 0) {
            self.bar([(x, lower - 19.0), (x, lower + 3.0)], held);
            x += 8.0;
        }
        let mut text = format!("{} % range", self.chart.level);
        if one_bar_in(self.chart.sales.len()) > 1 {
            text = format!(
                "{text} (of one sale in {})",
                one_bar_in(self.chart.sales.len())
            );
        }
        x = self.canvas.legend_text((x, lower), &text);
        self.canvas.line(
            vec![(x, lower + 1.0), (x + LEGEND_LINE, lower - 17.0)],
            2.0,
            INK,
        );
        self.canvas
            .legend_text((x + LEGEND_LINE, lower), "estimate = price paid");
        self.histogram_legend();
    }

    fn histogram_legend(&mut self) {
        let [upper, lower] = rows::LEGEND;
        let ends = (RIGHT_PANEL, RIGHT_PANEL + LEGEND_LINE);
        self.canvas.across(ends, upper - 8.0, 3.0, AMBER);
        self.canvas
            .legend_text((ends.1, upper), "expected if the chances are right");
        self.canvas.box_area(
            (ends.0, lower - 19.0),
            (ends.1, lower + 3.0),
            AMBER.mix(STRIP),
        );
        self.canvas
            .legend_text((ends.1, lower), "19 in 20 bars would then end here");
    }

    /// Legend of the lines of the lower panel, with the number of sales that it does not show.
    fn ratio_legend(&mut self, months: bool) {
        let row = rows::RATIO_TITLE;
        let mut x = MARGIN + 120.0;
        self.dashes(row - 8.0, (x, x + LEGEND_LINE));
        let text = format!("median {:.2}", self.chart.median_ratio);
        x = self.canvas.legend_text((x + LEGEND_LINE, row), &text);
        if months {
            self.month([x, x + LEGEND_LINE], row - 8.0);
            let text = format!("median of each month with {MONTH_LEAST} sales or more");
            x = self.canvas.legend_text((x + LEGEND_LINE, row), &text);
        }
        let undated = self
            .chart
            .sales
            .iter()
            .filter(|sale| sale.sold_on.is_none());
        let undated = undated.count();
        if undated > 0 {
            let text = format!("without a day, not shown: {}", plain(undated as f64, 0));
            self.canvas.legend_text((x, row), &text);
        }
    }
}

/// A square standing on its corner.
fn diamond((x, y): Point, radius: f64) -> Vec<Point> {
    vec![
        (x - radius, y),
        (x, y - radius),
        (x + radius, y),
        (x, y + radius),
    ]
}

#[cfg(test)]
mod tests;
