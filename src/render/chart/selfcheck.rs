//! The chart of a check: what past estimates said of sales, and what these then fetched.
//!
//! Three panels. Left, the estimate against the price paid, both by logarithm, with the line where
//! they are the same and each sale's band as an upright bar: a bar that meets the line held. Right,
//! how often prices fell into each tenth of what was predicted (probability integral transform), with
//! the number expected of estimates that hold what they say and where chance alone puts it. Below,
//! the ratio of estimate to price, by logarithm, over the day of the sale, with medians.
//!
//! Sales within their band are blue discs, those outside it amber diamonds. Where there are very many,
//! marks are small and let others shine through, and only a share of the bars is drawn.

use std::collections::BTreeMap;

use chrono::{Datelike, Months, NaiveDate};
use plotters::style::{Color, RGBAColor, RGBColor};

use super::axis::{self, Axis};
use super::canvas::{
    AMBER, BLUE, Canvas, FRAME, GREY, INK, LEGEND_GAP, LEGEND_LINE, MARGIN, PAPER, RIGHT, SHADE,
    SMALL, edge_place, mark_size, plain, widest,
};
use super::scene::{self, Align, Point, Shape};
use super::{Chart, ChartError, MOST, require};
use crate::backtest::ratio::{self, Interval};
use crate::select::order::quantile;
use crate::trade::Currency;

/// What the chart of a check shows. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct CheckChart {
    /// What was checked.
    pub title: String,
    /// How many sales, how they were predicted, price basis.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// Chance of the bands, in per cent.
    pub level: u8,
    /// The sales that were predicted.
    pub sales: Vec<CheckedSale>,
    /// Median of estimate over price paid.
    pub median_ratio: f64,
    /// Sales by where in the predicted distribution they fell: bars of equal width from 0 to 100 %.
    pub histogram: Vec<usize>,
    /// Where chance alone puts the sales of a bar, 19 times in 20; `None` of no sales.
    pub by_chance: Option<Interval>,
}

/// One sale on the chart of a check.
#[derive(Debug, Clone)]
pub struct CheckedSale {
    /// What it fetched.
    pub paid: f64,
    /// What was predicted.
    pub estimate: f64,
    /// The band that was predicted.
    pub band: Interval,
    /// Day of the sale, if recorded.
    pub sold_on: Option<NaiveDate>,
}

impl CheckedSale {
    fn held(&self) -> bool {
        self.band.contains(self.paid)
    }

    fn ratio(&self) -> f64 {
        self.estimate / self.paid
    }
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
        money("the low end of the band of a sale", low)?;
        money("the high end of the band of a sale", high)?;
        let ordered = "an amount not below its low end";
        require(
            low <= high,
            "the high end of the band of a sale",
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

/// What stands at the foot of the chart.
const FOOTER: &str = "How estimates did on recorded sales; not a promise for the next one.";

/// Said in a panel without sales.
const NOTHING: &str = "No sales to show.";

/// Fewest sales of a month whose median is shown.
const MONTH_LEAST: usize = 5;

/// From this many sales on, lines lie over the marks.
const CLOUD: usize = 300;

/// From this many sales on, marks let others shine through.
const CROWD: usize = 1000;

/// Most bands drawn as bars.
const MOST_BARS: usize = 500;

/// Bands that did not hold.
const AMBER_SHADE: RGBColor = RGBColor(0xf0, 0xc4, 0xa0);

/// How strongly the strip of what chance explains is drawn.
const STRIP: f64 = 0.22;

/// Radius of the triangle of a sale beyond the axes.
const POINTER: f64 = 10.0;

/// Radius of a diamond to that of a disc of about the same area.
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

/// Where the left panel ends and the right one begins.
const LEFT_PANEL_END: f64 = 836.0;
const RIGHT_PANEL: f64 = 916.0;

/// Least room between the middles of labels one above the other.
const LABEL_ROW: f64 = 32.0;

/// Lays the whole chart out.
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

/// Where a value goes on an axis.
struct Place {
    /// Canvas position, at the edge for one beyond it.
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

/// A chart being laid out.
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
        self.canvas.text(at, align, SMALL, GREY, text);
    }

    /// Estimates against prices; tells whether sales lie beyond the axes.
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

    /// Ticks of an upright axis by logarithm, its title above it: tells where its panel begins.
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

    /// The band of a sale as an upright bar, as far as the axes go.
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

    /// Every sale at its place, those within their band first; tells whether some lie beyond the axes.
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

    /// A disc for a sale within its band, a diamond for one outside, a triangle where it lies
    /// `beyond` the axes.
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
        self.canvas
            .line(vec![(left, top), (left, foot)], 1.5, FRAME);
        self.canvas
            .line(vec![(left, foot), (right, foot)], 1.5, FRAME);
    }

    /// Where in the predicted distributions the prices fell.
    fn histogram(&mut self) {
        let chart = self.chart;
        let heading = "Where the price fell in what was predicted";
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
            self.canvas.line(vec![(from, y), (to, y)], 3.0, BLUE);
        }
        let sales: usize = chart.histogram.iter().sum();
        let expected = (upright.place(sales as f64 / bars), 3.0);
        let edges = by_chance.into_iter().flatten().map(|edge| (edge, 1.0));
        for (y, width) in edges.chain([expected]) {
            self.canvas.line(vec![(left, y), (right, y)], width, AMBER);
        }
    }

    /// Ratios by day; tells whether sales lie beyond the axes.
    fn over_time(&mut self) -> bool {
        let chart = self.chart;
        let heading = "Estimate over price paid, by day of the sale";
        self.heading(MARGIN, rows::RATIO_HEADING, heading);
        let upright = Axis {
            range: ratio_range(chart),
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
        self.canvas
            .line(vec![(sides.0, same), (sides.1, same)], 2.0, INK);
        let months = medians_by_month(&chart.sales);
        let medians = |sheet: &mut Self| {
            sheet.dashes(Place::on(upright, chart.median_ratio.ln()).at, sides);
            let (from, to) = days.range;
            for ((first, last), median) in &months {
                let ends = [first, last].map(|day| days.place(day.clamp(from, to)));
                sheet.month(ends, Place::on(upright, median.ln()).at);
            }
        };
        // Lines lie under single marks, which they would hide, and over a cloud, which would hide them.
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

    /// The median of a month as a thick level line.
    fn month(&mut self, [left, right]: [f64; 2], y: f64) {
        self.canvas.line(vec![(left, y), (right, y)], 9.0, PAPER);
        self.canvas
            .line(vec![(left + 3.0, y), (right - 3.0, y)], 5.0, AMBER);
    }

    /// A broken level line.
    fn dashes(&mut self, y: f64, (left, right): (f64, f64)) {
        const DASH: f64 = 12.0;
        const SPACE: f64 = 8.0;
        let count = ((right - left) / (DASH + SPACE)).ceil() as usize;
        for at in 0..count {
            let x = left + at as f64 * (DASH + SPACE);
            self.canvas
                .line(vec![(x, y), ((x + DASH).min(right), y)], 2.0, AMBER);
        }
    }

    /// What the marks and lines of the upper panels mean, for those that occur.
    fn legend(&mut self, clipped: bool) {
        let sales = &self.chart.sales;
        let held = sales.iter().filter(|sale| sale.held()).count();
        let [upper, lower] = rows::LEGEND;
        let mut x = MARGIN;
        let kinds = [
            (true, held, "in its band"),
            (false, sales.len() - held, "outside it"),
        ];
        for (held, count, text) in kinds.into_iter().filter(|kind| kind.1 > 0) {
            let ink = if held { BLUE } else { AMBER };
            self.shape((x + POINTER, upper - 8.0), held, 7.0, ink.to_rgba());
            let text = format!("{text} ({})", plain(count as f64, 0));
            x = self.canvas.legend_text((x + 2.0 * POINTER, upper), &text) + LEGEND_GAP;
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
        let mut text = format!("{} % band", self.chart.level);
        if one_bar_in(self.chart.sales.len()) > 1 {
            text = format!(
                "{text} (of one sale in {})",
                one_bar_in(self.chart.sales.len())
            );
        }
        x = self.canvas.legend_text((x, lower), &text) + LEGEND_GAP;
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
        self.canvas.line(
            vec![(ends.0, upper - 8.0), (ends.1, upper - 8.0)],
            3.0,
            AMBER,
        );
        self.canvas
            .legend_text((ends.1, upper), "expected where chances are right");
        self.canvas.box_area(
            (ends.0, lower - 19.0),
            (ends.1, lower + 3.0),
            AMBER.mix(STRIP),
        );
        self.canvas
            .legend_text((ends.1, lower), "19 in 20 bars would then end in here");
    }

    /// What the lines of the lower panel mean, and how many sales it does not show.
    fn ratio_legend(&mut self, months: bool) {
        let row = rows::RATIO_TITLE;
        let mut x = MARGIN + 120.0;
        self.dashes(row - 8.0, (x, x + LEGEND_LINE));
        let text = format!("median {:.2}", self.chart.median_ratio);
        x = self.canvas.legend_text((x + LEGEND_LINE, row), &text) + LEGEND_GAP;
        if months {
            self.month([x, x + LEGEND_LINE], row - 8.0);
            let text = format!("median of a month with {MONTH_LEAST} sales or more");
            x = self.canvas.legend_text((x + LEGEND_LINE, row), &text) + LEGEND_GAP;
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

fn centre((from, to): (f64, f64)) -> f64 {
    (from + to) / 2.0
}

/// Of how many sales one has its band drawn.
fn one_bar_in(sales: usize) -> usize {
    sales.div_ceil(MOST_BARS).max(1)
}

/// A square on its corner.
fn diamond((x, y): Point, radius: f64) -> Vec<Point> {
    vec![
        (x - radius, y),
        (x, y - radius),
        (x + radius, y),
        (x, y + radius),
    ]
}

/// What an axis shows of some logarithms: the middle 90 % of each set, and others unless far from
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

/// Logarithms of money in the upper panel, from the prices, the estimates and the bands, these as
/// far as they are of any use.
fn money_range(sales: &[CheckedSale]) -> (f64, f64) {
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

/// Logarithms of the ratios in the lower panel; 1 and the median are always among them.
fn ratio_range(chart: &CheckChart) -> (f64, f64) {
    let ratios = chart.sales.iter().map(|sale| sale.ratio().ln()).collect();
    let fixed = vec![0.0, chart.median_ratio.ln()];
    logs_shown(&[ratios, fixed]).unwrap_or((-0.1, 0.1))
}

/// Labels of an axis over logarithms, with their places on it: as many as have `room`.
fn log_labels(axis: &Axis, room: impl Fn(&str) -> f64) -> Vec<(f64, String)> {
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
    // Of equally many, the first.
    let most = choices.filter(fits).rev().max_by_key(Vec::len);
    most.unwrap_or_default()
}

/// Ticks of an axis of counts from 0 to `top`.
fn count_ticks(top: f64) -> Vec<f64> {
    let (ticks, _) = axis::amount_ticks((0.0, top), 6);
    ticks
        .into_iter()
        .filter(|tick| tick.fract() == 0.0)
        .collect()
}

/// First and last day (see [`axis::day`]) of each month with sales enough, and their median ratio.
fn medians_by_month(sales: &[CheckedSale]) -> Vec<((f64, f64), f64)> {
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

#[cfg(test)]
mod tests;
