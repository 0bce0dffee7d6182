//! Layout of the chart of an estimate. Lengths are canvas units.

use crate::render::numbers;

use super::ChartError;
use super::axis::{self, Axis};
use super::canvas::{
    AMBER, BLUE, Canvas, FRAME, GREY, INK, LEGEND_LINE, MARGIN, PAPER, RIGHT, SHADE, SMALL, TAIL,
    edge_place, labelled_ticks, mark_size, widest,
};
use super::kind::{BandChart, Dot};
use super::scene::{self, Align, Point, Shape};

/// Text at the foot of every chart of an estimate.
const FOOTER: &str = "An estimate from recorded sales, not a promise.";

/// Baselines and edges, from top to bottom.
mod rows {
    pub const CAPTIONS: f64 = 194.0;
    pub const AMOUNTS: f64 = 228.0;
    pub const LEADERS: (f64, f64) = (240.0, 262.0);
    pub const CURVE: (f64, f64) = (268.0, 496.0);
    pub const STRIP: (f64, f64) = (502.0, 606.0);
    pub const PRICE_TICKS: f64 = 636.0;
    pub const PRICE_CAPTION: f64 = 672.0;
    pub const LEGEND: f64 = 730.0;
    pub const DATES_HEADING: f64 = 796.0;
    pub const SALES: (f64, f64) = (816.0, 1082.0);
    pub const DATE_TICKS: f64 = 1114.0;
}

/// Lays out the whole chart.
///
/// # Errors
/// [`ChartError::Drawing`] if the embedded font cannot be read.
pub fn compose(chart: &BandChart) -> Result<Vec<Shape>, ChartError> {
    let mut sheet = Sheet {
        chart,
        dot_size: mark_size(chart.dots.len(), 12.0, 4.5),
        canvas: Canvas::new()?,
    };
    sheet.canvas.headings(&chart.title, &chart.subtitle, FOOTER);
    let clipped_above = sheet.price_panel();
    let clipped_below = sheet.sales_panel();
    sheet.legend(clipped_above || clipped_below);
    Ok(sheet.canvas.into_shapes())
}

/// A chart during layout.
struct Sheet<'a> {
    chart: &'a BandChart,
    dot_size: f64,
    canvas: Canvas,
}

impl Sheet<'_> {
    /// The upper panel; returns whether sales lie beyond its axis.
    fn price_panel(&mut self) -> bool {
        let axis = Axis {
            range: price_range(self.chart),
            ends: (MARGIN, RIGHT),
        };
        self.price_ticks(&axis);
        self.curve(&axis);
        self.band_labels(&axis);
        self.strip(&axis)
    }

    fn price_ticks(&mut self, axis: &Axis) {
        let (ticks, labels) = ticks_side_by_side(axis);
        for (tick, label) in ticks.into_iter().zip(labels) {
            let rows = (rows::CURVE.0, rows::STRIP.1);
            self.canvas
                .upright(axis.place(tick), rows, rows::PRICE_TICKS, label);
        }
        self.canvas
            .across((MARGIN, RIGHT), rows::STRIP.1, 1.5, FRAME);
        let code = &self.chart.currency.code;
        let caption =
            format!("Price in {code}. Each dot is a sale, adjusted to this unit and date.");
        self.canvas
            .small((MARGIN, rows::PRICE_CAPTION), Align::Left, caption);
    }

    /// Density and band.
    fn curve(&mut self, axis: &Axis) {
        let (top, foot) = rows::CURVE;
        let (low, median, high) = (self.chart.low, self.chart.median, self.chart.high);
        let peak = self
            .chart
            .density
            .iter()
            .map(|point| point.1)
            .fold(0.0, f64::max);
        let tops = |from: f64, to: f64| -> Vec<Point> {
            let height = |density: f64| foot - density / peak * (foot - top);
            let points = cut(&self.chart.density, from, to);
            points
                .into_iter()
                .map(|(price, density)| (axis.place(price), height(density)))
                .collect()
        };
        let whole = if peak > 0.0 {
            tops(axis.range.0, axis.range.1)
        } else {
            Vec::new()
        };
        let within = if peak > 0.0 {
            tops(low, high)
        } else {
            Vec::new()
        };
        if whole.len() < 2 {
            self.canvas.box_area(
                (axis.place(low), (top + foot) / 2.0),
                (axis.place(high), foot),
                SHADE,
            );
        } else {
            self.canvas.area(down_to(foot, &whole), TAIL);
            self.canvas.area(down_to(foot, &within), SHADE);
        }
        for end in [low, high] {
            self.canvas
                .upwards(axis.place(end), (rows::LEADERS.1, rows::STRIP.1), 2.0, BLUE);
        }
        self.canvas.line(whole, 3.0, BLUE);
        self.canvas.across((MARGIN, RIGHT), foot, 1.0, FRAME);
        self.canvas.upwards(
            axis.place(median),
            (rows::LEADERS.1, rows::STRIP.1),
            4.0,
            AMBER,
        );
    }

    /// The ends of the band and the likely price in money, each with a leader to its place on the
    /// axis.
    fn band_labels(&mut self, axis: &Axis) {
        let chart = self.chart;
        let range = format!("{} % range", chart.level);
        let labels = [
            (format!("{range} from"), chart.low, BLUE),
            ("likely price".to_string(), chart.median, AMBER),
            (format!("{range} to"), chart.high, BLUE),
        ];
        let amounts = labels
            .each_ref()
            .map(|(_, amount, _)| format!("{} {}", self.money(*amount), chart.currency.code));
        let widths: Vec<f64> = labels
            .iter()
            .zip(&amounts)
            .map(|((caption, _, _), amount)| {
                scene::text_width(caption, SMALL, false).max(scene::text_width(amount, 30.0, true))
            })
            .collect();
        let places = labels.each_ref().map(|(_, amount, _)| axis.place(*amount));
        let centres = axis::spread(&places, &widths, 56.0, (MARGIN, RIGHT));
        for (at, ((caption, _, ink), amount)) in labels.into_iter().zip(amounts).enumerate() {
            let centre = centres[at];
            self.canvas
                .small((centre, rows::CAPTIONS), Align::Centre, caption);
            self.canvas
                .bold((centre, rows::AMOUNTS), Align::Centre, 30.0, ink, amount);
            let (from, to) = rows::LEADERS;
            self.canvas.line(
                vec![(centre, from), (places[at], to)],
                if at == 1 { 4.0 } else { 2.0 },
                ink,
            );
        }
    }

    /// The sales under the curve; returns whether some lie beyond the axis.
    fn strip(&mut self, axis: &Axis) -> bool {
        let (top, foot) = rows::STRIP;
        let middle = (top + foot) / 2.0;
        let discs: Vec<Point> = self
            .chart
            .dots
            .iter()
            .map(|dot| {
                (
                    edge_place(axis, dot.adjusted, self.dot_size),
                    self.radius(dot),
                )
            })
            .collect();
        let offsets = axis::swarm(&discs, (foot - top) / 2.0 - 4.0);
        let mut clipped = false;
        for at in painting_order(&self.chart.dots) {
            let dot = &self.chart.dots[at];
            let centre = (discs[at].0, middle + offsets[at]);
            let side = axis.beyond(dot.adjusted);
            clipped |= side != 0;
            self.sale(centre, dot, (f64::from(side), 0.0));
        }
        clipped
    }

    fn radius(&self, dot: &Dot) -> f64 {
        if dot.used {
            (self.dot_size * dot.weight.sqrt()).max(3.0)
        } else {
            (self.dot_size * 0.55).max(3.5)
        }
    }

    /// A disc, or a triangle that points `beyond` the axis; hollow if the sale was dropped.
    fn sale(&mut self, centre: Point, dot: &Dot, beyond: Point) {
        let radius = self.radius(dot);
        let (outer, inner) = if dot.used {
            (PAPER, BLUE)
        } else {
            (GREY, PAPER)
        };
        let rim = if dot.used { 1.0 } else { 0.0 };
        if beyond == (0.0, 0.0) {
            self.canvas.disc(centre, radius + rim, outer);
            self.canvas
                .disc(centre, (radius - 2.0 + 2.0 * rim).max(1.0), inner);
        } else {
            let radius = radius.max(9.0) + 2.0 * rim;
            self.canvas
                .pointer(centre, radius, beyond, outer, inner, 4.0 - 2.0 * rim);
        }
    }

    /// The lower panel; returns whether sales lie beyond its axes.
    fn sales_panel(&mut self) -> bool {
        let chart = self.chart;
        let range = sales_range(chart);
        let prices = Axis {
            range,
            ends: (rows::SALES.1, rows::SALES.0),
        };
        let (ticks, labels) = labelled_ticks(range, 6);
        let ends = [chart.high, chart.median, chart.low].map(|amount| self.money(amount));
        let left = MARGIN + widest(&labels) + 16.0;
        let right =
            RIGHT - widest(&ends).max(scene::text_width("100 % range", SMALL, false)) - 52.0;
        let heading = "Sales by date, adjusted to this unit at the prices of their day";
        self.canvas.bold(
            (MARGIN, rows::DATES_HEADING),
            Align::Left,
            24.0,
            INK,
            format!("{heading} ({})", chart.currency.code),
        );
        self.undated_note();
        for (tick, label) in ticks.into_iter().zip(labels) {
            self.canvas.level(prices.place(tick), (left, right), label);
        }
        let clipped = match date_range(chart) {
            Some(range) => self.sales(
                &prices,
                &Axis {
                    range,
                    ends: (left + 16.0, right - 24.0),
                },
            ),
            None => {
                let middle = ((left + right) / 2.0, (rows::SALES.0 + rows::SALES.1) / 2.0);
                let text = if chart.dots.is_empty() {
                    "No recorded sales to show."
                } else {
                    "No sale is dated."
                };
                self.canvas.nothing(middle, text);
                false
            }
        };
        self.canvas.across((left, right), rows::SALES.1, 1.5, FRAME);
        self.band_bar(&prices, right + 18.0, &ends);
        clipped
    }

    /// Notes the number of sales without a date.
    fn undated_note(&mut self) {
        let dots = &self.chart.dots;
        let undated = dots.iter().filter(|dot| dot.sold_on.is_none()).count();
        if undated > 0 {
            let note = format!("undated, shown above only: {undated}");
            let at = (RIGHT, rows::DATES_HEADING);
            self.canvas.small(at, Align::Right, note);
        }
    }

    fn sales(&mut self, prices: &Axis, dates: &Axis) -> bool {
        self.canvas.dates(dates, rows::SALES, rows::DATE_TICKS);
        let mut clipped = false;
        // The line lies under single dots, which it would hide, and over a dense cloud, which would
        // hide it.
        let crowded = self.chart.dots.len() > 300;
        if !crowded {
            self.trend(prices, dates);
        }
        for at in painting_order(&self.chart.dots) {
            clipped |= self.dated_sale(prices, dates, &self.chart.dots[at]);
        }
        if crowded {
            self.trend(prices, dates);
        }
        clipped
    }

    fn trend(&mut self, prices: &Axis, dates: &Axis) {
        let mut trend = self.chart.trend.clone();
        trend.sort_by_key(|(date, _)| *date);
        let place =
            |(date, price): &(_, f64)| (dates.place(axis::day(*date)), prices.place(*price));
        let trend: Vec<Point> = trend.iter().map(place).collect();
        self.canvas.line(trend.clone(), 6.0, PAPER);
        self.canvas.line(trend, 4.0, AMBER);
    }

    fn dated_sale(&mut self, prices: &Axis, dates: &Axis, dot: &Dot) -> bool {
        let Some(day) = dot.sold_on.map(axis::day) else {
            return false;
        };
        let centre = (
            edge_place(dates, day, self.dot_size),
            edge_place(prices, dot.at_date, self.dot_size),
        );
        // Canvas y runs down.
        let beyond = (
            f64::from(dates.beyond(day)),
            -f64::from(prices.beyond(dot.at_date)),
        );
        self.sale(centre, dot, beyond);
        beyond != (0.0, 0.0)
    }

    /// The band of today as a vertical bar at `x`, with its ends and the likely price in money next
    /// to it.
    fn band_bar(&mut self, prices: &Axis, x: f64, amounts: &[String; 3]) {
        const WIDE: f64 = 14.0;
        let chart = self.chart;
        let places = [chart.high, chart.median, chart.low].map(|amount| prices.place(amount));
        self.canvas
            .box_area((x, places[0]), (x + WIDE, places[2]), SHADE);
        for end in [places[0], places[2]] {
            self.canvas.across((x, x + WIDE), end, 3.0, BLUE);
        }
        self.canvas.line(
            vec![(x - 4.0, places[1]), (x + WIDE + 4.0, places[1])],
            4.0,
            AMBER,
        );
        let centres = axis::spread(&places, &[20.0; 3], 8.0, rows::SALES);
        let inks = [BLUE, AMBER, BLUE];
        for ((amount, centre), (place, ink)) in amounts
            .iter()
            .zip(centres)
            .zip(places.into_iter().zip(inks))
        {
            // A horizontal leader would look like a minus sign.
            if (centre - place).abs() > 4.0 {
                self.canvas.line(
                    vec![(x + WIDE + 3.0, place), (x + WIDE + 13.0, centre)],
                    1.5,
                    ink,
                );
            }
            self.canvas.text(
                (x + WIDE + 20.0, centre + 8.0),
                Align::Left,
                SMALL,
                ink,
                amount.as_str(),
            );
        }
        let caption = format!("{} % range", chart.level);
        self.canvas
            .small((x + WIDE + 20.0, rows::DATE_TICKS), Align::Left, caption);
    }

    /// Legend of the marks that occur.
    fn legend(&mut self, clipped: bool) {
        let dots = &self.chart.dots;
        let sample = |used, weight| Dot {
            adjusted: 0.0,
            at_date: 0.0,
            sold_on: None,
            weight,
            used,
        };
        let middle = rows::LEGEND - 8.0;
        let mut x = MARGIN;
        if dots.iter().any(|dot| dot.used) {
            for weight in [0.15, 0.5, 1.0] {
                let sample = sample(true, weight);
                x += self.radius(&sample);
                self.sale((x, middle), &sample, (0.0, 0.0));
                x += self.radius(&sample) + 4.0;
            }
            x = self
                .canvas
                .legend_text((x, rows::LEGEND), "sale used, larger where it weighs more");
        }
        if dots.iter().any(|dot| !dot.used) {
            x += 8.0;
            self.sale((x, middle), &sample(false, 0.0), (0.0, 0.0));
            x = self
                .canvas
                .legend_text((x + 8.0, rows::LEGEND), "sale not used");
        }
        if clipped {
            x += 8.0;
            let any_used = dots.iter().all(|dot| dot.used);
            self.sale((x, middle), &sample(any_used, 0.4), (1.0, 0.0));
            x = self
                .canvas
                .legend_text((x + 10.0, rows::LEGEND), "beyond the axis");
        }
        self.canvas.across((x, x + LEGEND_LINE), middle, 4.0, AMBER);
        let meaning = if self.chart.trend.len() > 1 {
            "likely price and its trend"
        } else {
            "likely price"
        };
        x = self
            .canvas
            .legend_text((x + LEGEND_LINE + 2.0, rows::LEGEND), meaning);
        self.canvas
            .box_area((x, middle - 11.0), (x + 26.0, middle + 11.0), SHADE);
        self.canvas.legend_text(
            (x + 28.0, rows::LEGEND),
            &format!("{} % range", self.chart.level),
        );
    }

    /// An amount to the minor unit, with thousands separators.
    fn money(&self, amount: f64) -> String {
        let currency = &self.chart.currency;
        let exact = currency.from_statistics(amount);
        exact.map_or_else(
            || amount.to_string(),
            |exact| numbers::amount(currency, exact),
        )
    }
}

/// Indices of the sales, dropped ones first so that they lie under the used ones.
fn painting_order(dots: &[Dot]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..dots.len()).collect();
    order.sort_by_key(|at| dots[*at].used);
    order
}

/// Price range of the upper panel: the band, the visible part of the density, the used sales unless
/// far away, and the dropped ones nearby.
fn price_range(chart: &BandChart) -> (f64, f64) {
    const VISIBLE: f64 = 0.02;
    let peak = chart
        .density
        .iter()
        .map(|point| point.1)
        .fold(0.0, f64::max);
    let seen = chart
        .density
        .iter()
        .filter(|point| point.1 > VISIBLE * peak)
        .map(|point| point.0);
    range_around(chart, seen, |dot| Some(dot.adjusted))
}

/// Price range of the lower panel: the same, with the trend instead of the density.
fn sales_range(chart: &BandChart) -> (f64, f64) {
    range_around(chart, chart.trend.iter().map(|point| point.1), |dot| {
        dot.sold_on.map(|_| dot.at_date)
    })
}

fn range_around(
    chart: &BandChart,
    core: impl Iterator<Item = f64>,
    price: impl Fn(&Dot) -> Option<f64>,
) -> (f64, f64) {
    let of = |used: bool| {
        chart
            .dots
            .iter()
            .filter(move |dot| dot.used == used)
            .filter_map(&price)
    };
    let (low, high) =
        axis::extent(core.chain([chart.low, chart.high])).unwrap_or((chart.low, chart.high));
    let minor_unit = 0.1_f64.powi(chart.currency.decimals() as i32);
    let least = (high.abs().max(low.abs()) * 0.05).max(minor_unit * 4.0);
    let core = axis::widen((low, high), of(true), 1.0);
    axis::amounts_with_air(axis::widen(core, of(false), 0.25), least)
}

/// Date range of the lower panel: used sales and the trend, and dropped sales nearby; `None` if the
/// chart has no date.
fn date_range(chart: &BandChart) -> Option<(f64, f64)> {
    let days = |used: bool| {
        chart
            .dots
            .iter()
            .filter(move |dot| dot.used == used)
            .filter_map(|dot| dot.sold_on.map(axis::day))
    };
    let trend = chart.trend.iter().map(|point| axis::day(point.0));
    let core = axis::extent(days(true).chain(trend)).or_else(|| axis::extent(days(false)))?;
    Some(axis::days_with_room(axis::widen(core, days(false), 0.25)))
}

/// Ticks of an amount axis with labels side by side: as many as fit.
fn ticks_side_by_side(axis: &Axis) -> (Vec<f64>, Vec<String>) {
    let roomy = |(ticks, labels): &(Vec<f64>, Vec<String>)| {
        widest(labels) * 1.3 * ticks.len() as f64 <= axis.length()
    };
    let mut choices = (4..=9).rev().map(|most| labelled_ticks(axis.range, most));
    choices
        .find(roomy)
        .unwrap_or_else(|| labelled_ticks(axis.range, 3))
}

/// The part of a curve between two positions, with its ends interpolated.
fn cut(curve: &[Point], from: f64, to: f64) -> Vec<Point> {
    let mut part = Vec::new();
    for pair in curve.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if x1 < from || x0 > to || x1 <= x0 {
            continue;
        }
        let height = |x: f64| y0 + (y1 - y0) * (x - x0) / (x1 - x0);
        let (left, right) = (x0.max(from), x1.min(to));
        if part.is_empty() {
            part.push((left, height(left)));
        }
        part.push((right, height(right)));
    }
    part
}

/// The area between a curve and the line at `foot`.
fn down_to(foot: f64, curve: &[Point]) -> Vec<Point> {
    let (Some(first), Some(last)) = (curve.first(), curve.last()) else {
        return Vec::new();
    };
    let mut outline = Vec::with_capacity(curve.len() + 2);
    outline.push((first.0, foot));
    outline.extend_from_slice(curve);
    outline.push((last.0, foot));
    outline
}
