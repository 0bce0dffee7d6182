//! Where everything on the chart goes. Lengths are canvas units.

use plotters::style::RGBColor;

use crate::render::numbers;

use super::axis::{self, Axis};
use super::scene::{self, Align, Label, Point, Shape, WIDTH};
use super::{BandChart, ChartError, Dot};

/// Headings and amounts.
pub const INK: RGBColor = RGBColor(0x1f, 0x29, 0x33);
/// Secondary text and dropped sales.
pub const GREY: RGBColor = RGBColor(0x5a, 0x65, 0x70);
/// The band and the sales that count.
pub const BLUE: RGBColor = RGBColor(0x1d, 0x5b, 0x9e);
/// The likely price and the trend.
pub const AMBER: RGBColor = RGBColor(0xb2, 0x4a, 0x00);
/// Under the curve within the band.
const SHADE: RGBColor = RGBColor(0xbc, 0xd4, 0xeb);
/// Under the curve beyond the band.
const TAIL: RGBColor = RGBColor(0xed, 0xf2, 0xf7);
const GRID: RGBColor = RGBColor(0xe2, 0xe6, 0xea);
const FRAME: RGBColor = RGBColor(0x9a, 0xa4, 0xae);
const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);

const MARGIN: f64 = 64.0;
const RIGHT: f64 = WIDTH - MARGIN;
/// How much wider text may come out where a viewer lacks the embedded font.
const FALLBACK: f64 = 1.1;
/// Size of axis and legend text.
const SMALL: f64 = 22.0;

/// Baselines and edges, from top to bottom.
mod rows {
    /// Of one line; two lie above and below.
    pub const TITLE: f64 = 82.0;
    pub const SUBTITLE: f64 = 140.0;
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
    pub const FOOTER: f64 = 1166.0;
}

/// What stands at the foot of every chart.
const FOOTER: &str = "An estimate from recorded sales, not a promise.";

/// Lays the whole chart out.
///
/// # Errors
/// [`ChartError::Drawing`] where the embedded font cannot be read.
pub fn compose(chart: &BandChart) -> Result<Vec<Shape>, ChartError> {
    scene::prepare_font()?;
    let mut sheet = Sheet {
        chart,
        dot_size: dot_size(chart.dots.len()),
        shapes: Vec::new(),
    };
    sheet.headings();
    let clipped_above = sheet.price_panel();
    let clipped_below = sheet.sales_panel();
    sheet.legend(clipped_above || clipped_below);
    sheet.text((MARGIN, rows::FOOTER), Align::Left, 20.0, GREY, FOOTER);
    Ok(sheet.shapes)
}

/// Radius of the heaviest sale: many sales get smaller dots.
fn dot_size(count: usize) -> f64 {
    const ROOMY: f64 = 60.0;
    (12.0 * (ROOMY / count.max(1) as f64).sqrt()).clamp(4.5, 12.0)
}

/// A chart being laid out.
struct Sheet<'a> {
    chart: &'a BandChart,
    dot_size: f64,
    shapes: Vec<Shape>,
}

impl Sheet<'_> {
    fn text(&mut self, at: Point, align: Align, size: f64, ink: RGBColor, text: impl Into<String>) {
        self.shapes.push(Shape::Text(Label {
            at,
            align,
            size,
            bold: false,
            ink,
            text: text.into(),
        }));
    }

    fn bold(&mut self, at: Point, align: Align, size: f64, ink: RGBColor, text: impl Into<String>) {
        self.shapes.push(Shape::Text(Label {
            at,
            align,
            size,
            bold: true,
            ink,
            text: text.into(),
        }));
    }

    fn line(&mut self, points: Vec<Point>, width: f64, ink: RGBColor) {
        self.shapes.push(Shape::Line { points, width, ink });
    }

    fn area(&mut self, outline: Vec<Point>, ink: RGBColor) {
        self.shapes.push(Shape::Area { outline, ink });
    }

    fn disc(&mut self, centre: Point, radius: f64, ink: RGBColor) {
        self.shapes.push(Shape::Disc {
            centre,
            radius,
            ink,
        });
    }

    fn box_area(&mut self, left_top: Point, right_bottom: Point, ink: RGBColor) {
        let ((left, top), (right, bottom)) = (left_top, right_bottom);
        self.area(
            vec![(left, top), (right, top), (right, bottom), (left, bottom)],
            ink,
        );
    }

    fn headings(&mut self) {
        let title = Heading::fit(&self.chart.title, &[42.0, 36.0, 33.0], 2, true);
        let rise = (title.lines.len() - 1) as f64 * title.size * 1.3;
        for (at, line) in title.lines.into_iter().enumerate() {
            let baseline = rows::TITLE - rise * 0.7 + at as f64 * rise;
            self.bold((MARGIN, baseline), Align::Left, title.size, INK, line);
        }
        let subtitle = Heading::fit(&self.chart.subtitle, &[26.0, 24.0, SMALL], 1, false);
        self.text(
            (MARGIN, rows::SUBTITLE),
            Align::Left,
            subtitle.size,
            GREY,
            subtitle.lines.concat(),
        );
    }

    /// The upper panel; tells whether sales lie beyond its axis.
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
            let x = axis.place(tick);
            self.line(vec![(x, rows::CURVE.0), (x, rows::STRIP.1)], 1.0, GRID);
            self.line(
                vec![(x, rows::STRIP.1), (x, rows::STRIP.1 + 7.0)],
                1.5,
                FRAME,
            );
            // A long label at an end of the axis moves in.
            let half = scene::text_width(&label, SMALL, false) * FALLBACK / 2.0;
            let centre = x.max(half + 4.0).min(WIDTH - half - 4.0);
            self.text(
                (centre, rows::PRICE_TICKS),
                Align::Centre,
                SMALL,
                GREY,
                label,
            );
        }
        self.line(
            vec![(MARGIN, rows::STRIP.1), (RIGHT, rows::STRIP.1)],
            1.5,
            FRAME,
        );
        let code = &self.chart.currency.code;
        let caption = format!("Price in {code}. Each dot is a sale, brought to this unit and day.");
        self.text(
            (MARGIN, rows::PRICE_CAPTION),
            Align::Left,
            SMALL,
            GREY,
            caption,
        );
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
            self.box_area(
                (axis.place(low), (top + foot) / 2.0),
                (axis.place(high), foot),
                SHADE,
            );
        } else {
            self.area(down_to(foot, &whole), TAIL);
            self.area(down_to(foot, &within), SHADE);
        }
        for end in [low, high] {
            self.line(
                vec![
                    (axis.place(end), rows::LEADERS.1),
                    (axis.place(end), rows::STRIP.1),
                ],
                2.0,
                BLUE,
            );
        }
        self.line(whole, 3.0, BLUE);
        self.line(vec![(MARGIN, foot), (RIGHT, foot)], 1.0, FRAME);
        self.line(
            vec![
                (axis.place(median), rows::LEADERS.1),
                (axis.place(median), rows::STRIP.1),
            ],
            4.0,
            AMBER,
        );
    }

    /// The band ends and the likely price in money, each with a leader to its place on the axis.
    fn band_labels(&mut self, axis: &Axis) {
        let chart = self.chart;
        let band = format!("{} % band", chart.chance);
        let labels = [
            (format!("{band} from"), chart.low, BLUE),
            ("likely price".to_string(), chart.median, AMBER),
            (format!("{band} to"), chart.high, BLUE),
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
            self.text(
                (centre, rows::CAPTIONS),
                Align::Centre,
                SMALL,
                GREY,
                caption,
            );
            self.bold((centre, rows::AMOUNTS), Align::Centre, 30.0, ink, amount);
            let (from, to) = rows::LEADERS;
            self.line(
                vec![(centre, from), (places[at], to)],
                if at == 1 { 4.0 } else { 2.0 },
                ink,
            );
        }
    }

    /// The sales under the curve; tells whether some lie beyond the axis.
    fn strip(&mut self, axis: &Axis) -> bool {
        let (top, foot) = rows::STRIP;
        let middle = (top + foot) / 2.0;
        let discs: Vec<Point> = self
            .chart
            .dots
            .iter()
            .map(|dot| (self.edge_place(axis, dot.adjusted), self.radius(dot)))
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

    /// Says, over the grid, that there is nothing to show.
    fn no_sales(&mut self, (x, y): Point) {
        let text = if self.chart.dots.is_empty() {
            "No recorded sales to show."
        } else {
            "No sale is dated."
        };
        let half = scene::text_width(text, SMALL, false) * FALLBACK / 2.0 + 6.0;
        self.box_area((x - half, y - 18.0), (x + half, y + 18.0), PAPER);
        self.text((x, y + 8.0), Align::Centre, SMALL, GREY, text);
    }

    /// Place of a value, or of the edge it lies beyond.
    fn edge_place(&self, axis: &Axis, value: f64) -> f64 {
        let inset =
            self.dot_size * f64::from(axis.beyond(value)) * (axis.ends.1 - axis.ends.0).signum();
        axis.place(value.clamp(axis.range.0, axis.range.1)) - inset
    }

    fn radius(&self, dot: &Dot) -> f64 {
        if dot.used {
            (self.dot_size * dot.weight.sqrt()).max(3.0)
        } else {
            (self.dot_size * 0.55).max(3.5)
        }
    }

    /// A disc, or a triangle pointing `beyond` the axis; hollow where the sale was dropped.
    fn sale(&mut self, centre: Point, dot: &Dot, beyond: Point) {
        let radius = self.radius(dot);
        let (outer, inner) = if dot.used {
            (PAPER, BLUE)
        } else {
            (GREY, PAPER)
        };
        let rim = if dot.used { 1.0 } else { 0.0 };
        if beyond == (0.0, 0.0) {
            self.disc(centre, radius + rim, outer);
            self.disc(centre, (radius - 2.0 + 2.0 * rim).max(1.0), inner);
        } else {
            let radius = radius.max(9.0);
            self.area(triangle(centre, radius + 2.0 * rim, beyond), outer);
            self.area(triangle(centre, radius - 4.0 + 4.0 * rim, beyond), inner);
        }
    }

    /// The lower panel; tells whether sales lie beyond its axes.
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
        let right = RIGHT - widest(&ends).max(scene::text_width("100 % band", SMALL, false)) - 52.0;
        let heading = "Sales by date, brought to this unit at the prices of their day";
        self.bold(
            (MARGIN, rows::DATES_HEADING),
            Align::Left,
            24.0,
            INK,
            format!("{heading} ({})", chart.currency.code),
        );
        self.undated_note();
        for (tick, label) in ticks.into_iter().zip(labels) {
            let y = prices.place(tick);
            self.line(vec![(left, y), (right, y)], 1.0, GRID);
            self.text((left - 14.0, y + 8.0), Align::Right, SMALL, GREY, label);
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
                self.no_sales(((left + right) / 2.0, (rows::SALES.0 + rows::SALES.1) / 2.0));
                false
            }
        };
        self.line(
            vec![(left, rows::SALES.1), (right, rows::SALES.1)],
            1.5,
            FRAME,
        );
        self.band_bar(&prices, right + 18.0, &ends);
        clipped
    }

    /// Says how many sales have no place over time.
    fn undated_note(&mut self) {
        let dots = &self.chart.dots;
        let undated = dots.iter().filter(|dot| dot.sold_on.is_none()).count();
        if undated > 0 {
            let note = format!("undated, shown above only: {undated}");
            let at = (RIGHT, rows::DATES_HEADING);
            self.text(at, Align::Right, SMALL, GREY, note);
        }
    }

    fn sales(&mut self, prices: &Axis, dates: &Axis) -> bool {
        const WIDEST_LABEL: f64 = 130.0;
        let most = ((dates.length() / WIDEST_LABEL) as usize).clamp(2, 8);
        for (day, label) in axis::date_ticks(dates.range, most) {
            let x = dates.place(day);
            self.line(vec![(x, rows::SALES.0), (x, rows::SALES.1)], 1.0, GRID);
            self.line(
                vec![(x, rows::SALES.1), (x, rows::SALES.1 + 7.0)],
                1.5,
                FRAME,
            );
            self.text((x, rows::DATE_TICKS), Align::Centre, SMALL, GREY, label);
        }
        let mut clipped = false;
        // The line lies under single dots, which it would hide, and over a cloud, which would hide it.
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
        self.line(trend.clone(), 6.0, PAPER);
        self.line(trend, 4.0, AMBER);
    }

    fn dated_sale(&mut self, prices: &Axis, dates: &Axis, dot: &Dot) -> bool {
        let Some(day) = dot.sold_on.map(axis::day) else {
            return false;
        };
        let centre = (
            self.edge_place(dates, day),
            self.edge_place(prices, dot.at_date),
        );
        // Canvas y runs down.
        let beyond = (
            f64::from(dates.beyond(day)),
            -f64::from(prices.beyond(dot.at_date)),
        );
        self.sale(centre, dot, beyond);
        beyond != (0.0, 0.0)
    }

    /// The band of today as an upright bar at `x`, its ends and the likely price in money beside it.
    fn band_bar(&mut self, prices: &Axis, x: f64, amounts: &[String; 3]) {
        const WIDE: f64 = 14.0;
        let chart = self.chart;
        let places = [chart.high, chart.median, chart.low].map(|amount| prices.place(amount));
        self.box_area((x, places[0]), (x + WIDE, places[2]), SHADE);
        for end in [places[0], places[2]] {
            self.line(vec![(x, end), (x + WIDE, end)], 3.0, BLUE);
        }
        self.line(
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
            // A level leader would read as a minus sign.
            if (centre - place).abs() > 4.0 {
                self.line(
                    vec![(x + WIDE + 3.0, place), (x + WIDE + 13.0, centre)],
                    1.5,
                    ink,
                );
            }
            self.text(
                (x + WIDE + 20.0, centre + 8.0),
                Align::Left,
                SMALL,
                ink,
                amount.as_str(),
            );
        }
        let caption = format!("{} % band", chart.chance);
        self.text(
            (x + WIDE + 20.0, rows::DATE_TICKS),
            Align::Left,
            SMALL,
            GREY,
            caption,
        );
    }

    /// What the marks mean, for those that occur.
    fn legend(&mut self, clipped: bool) {
        const GAP: f64 = 34.0;
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
            x = self.legend_text(x, "sale used, larger where it weighs more") + GAP;
        }
        if dots.iter().any(|dot| !dot.used) {
            x += 8.0;
            self.sale((x, middle), &sample(false, 0.0), (0.0, 0.0));
            x = self.legend_text(x + 8.0, "sale dropped") + GAP;
        }
        if clipped {
            x += 8.0;
            let any_used = dots.iter().all(|dot| dot.used);
            self.sale((x, middle), &sample(any_used, 0.4), (1.0, 0.0));
            x = self.legend_text(x + 10.0, "beyond the axis") + GAP;
        }
        self.line(vec![(x, middle), (x + 34.0, middle)], 4.0, AMBER);
        let meaning = if self.chart.trend.len() > 1 {
            "likely price and its trend"
        } else {
            "likely price"
        };
        x = self.legend_text(x + 36.0, meaning) + GAP;
        self.box_area((x, middle - 11.0), (x + 26.0, middle + 11.0), SHADE);
        self.legend_text(x + 28.0, &format!("{} % band", self.chart.chance));
    }

    fn legend_text(&mut self, x: f64, text: &str) -> f64 {
        self.text((x + 8.0, rows::LEGEND), Align::Left, SMALL, GREY, text);
        x + 8.0 + FALLBACK * scene::text_width(text, SMALL, false)
    }

    /// An amount to the minor unit, with thousands apart.
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

/// Prices of the upper panel: the band, the part of the density that can be seen, the used sales unless
/// far away and the dropped ones near by.
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

/// Prices of the lower panel: as above, with the trend in place of the density.
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
    axis::with_air(axis::widen(core, of(false), 0.25), least)
}

/// Days of the lower panel: used sales and the trend, and dropped sales near by; `None` where the chart
/// has no date at all.
fn date_range(chart: &BandChart) -> Option<(f64, f64)> {
    const LEAST_DAYS: f64 = 20.0;
    let days = |used: bool| {
        chart
            .dots
            .iter()
            .filter(move |dot| dot.used == used)
            .filter_map(|dot| dot.sold_on.map(axis::day))
    };
    let trend = chart.trend.iter().map(|point| axis::day(point.0));
    let core = axis::extent(days(true).chain(trend)).or_else(|| axis::extent(days(false)))?;
    let (first, last) = axis::widen(core, days(false), 0.25);
    let lacking = (LEAST_DAYS - (last - first)).max(0.0) / 2.0;
    Some((first - lacking, last + lacking))
}

/// Ticks of an amount axis with their labels.
fn labelled_ticks(range: (f64, f64), most: usize) -> (Vec<f64>, Vec<String>) {
    let (ticks, decimals) = axis::amount_ticks(range, most);
    let labels = ticks
        .iter()
        .map(|tick| numbers::grouped(&format!("{tick:.decimals$}")))
        .collect();
    (ticks, labels)
}

/// The same for labels side by side: as many as do not crowd.
fn ticks_side_by_side(axis: &Axis) -> (Vec<f64>, Vec<String>) {
    let roomy = |(ticks, labels): &(Vec<f64>, Vec<String>)| {
        widest(labels) * 1.3 * ticks.len() as f64 <= axis.length()
    };
    let mut choices = (4..=9).rev().map(|most| labelled_ticks(axis.range, most));
    choices
        .find(roomy)
        .unwrap_or_else(|| labelled_ticks(axis.range, 3))
}

fn widest(labels: &[String]) -> f64 {
    labels
        .iter()
        .map(|label| scene::text_width(label, SMALL, false))
        .fold(0.0, f64::max)
}

/// Text fitted between the margins.
struct Heading {
    /// One line or two.
    lines: Vec<String>,
    size: f64,
}

impl Heading {
    /// One line in the first of `sizes` that it fits in, else `most_lines` of the last one, cut with an
    /// ellipsis where that is not enough.
    fn fit(text: &str, sizes: &[f64], most_lines: usize, bold: bool) -> Self {
        const LONGEST: usize = 400;
        let room = (RIGHT - MARGIN) / FALLBACK;
        let fits = |text: &str, size: f64| scene::text_width(text, size, bold) <= room;
        let start: String = text.chars().take(LONGEST).collect();
        let whole = start.len() == text.len();
        if let Some(size) = sizes.iter().find(|size| whole && fits(&start, **size)) {
            return Self {
                lines: vec![start],
                size: *size,
            };
        }
        let size = sizes.last().copied().unwrap_or(SMALL);
        let mut lines = Vec::new();
        let mut rest = start.as_str();
        while lines.len() + 1 < most_lines {
            let ends = rest.char_indices().map(|(at, _)| at).chain([rest.len()]);
            let longest = ends
                .take_while(|end| fits(&rest[..*end], size))
                .last()
                .unwrap_or(0);
            let end = rest[..longest]
                .rfind(' ')
                .filter(|end| *end > 0)
                .unwrap_or(longest);
            lines.push(rest[..end].to_string());
            rest = rest[end..].trim_start();
        }
        let mut last = rest.to_string();
        if !whole || !fits(&last, size) {
            while !fits(&format!("{last}…"), size) && last.pop().is_some() {}
            last = format!("{}…", last.trim_end_matches([' ', ',', '.', ';']));
        }
        lines.push(last);
        Self { lines, size }
    }
}

/// The part of a curve between two places, with its ends interpolated.
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

/// A triangle about `centre` that points to where `towards` looks.
fn triangle(centre: Point, radius: f64, towards: Point) -> Vec<Point> {
    let heading = towards.1.atan2(towards.0);
    (0..3)
        .map(|corner| heading + f64::from(corner) * std::f64::consts::TAU / 3.0)
        .map(|angle| {
            (
                centre.0 + radius * angle.cos(),
                centre.1 + radius * angle.sin(),
            )
        })
        .collect()
}
