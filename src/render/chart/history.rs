//! The chart of a watched unit's estimates over time: the likely price as a line with a mark at
//! each estimate, the band as an area around it.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::axis::{self, Axis};
use super::canvas::{
    AMBER, Canvas, FRAME, GREY, LEGEND_GAP, LEGEND_LINE, MARGIN, PAPER, RIGHT, SHADE, SMALL,
    labelled_ticks, mark_size, plain, widest,
};
use super::scene::{Align, Point, Shape};
use super::{Chart, ChartError, MOST, require};
use crate::book::history::Record;
use crate::render::numbers::count;
use crate::trade::Currency;

/// Content of the chart of a history. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct HistoryChart {
    /// Title.
    pub title: String,
    /// Summary in one line.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// The estimates in the order in which they were made; drawn in the order of their days.
    pub points: Vec<HistoryPoint>,
}

/// One estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HistoryPoint {
    /// Day.
    pub on: NaiveDate,
    /// Likely price.
    pub likely: f64,
    /// Lower end of the band.
    pub low: f64,
    /// Upper end of the band.
    pub high: f64,
}

impl HistoryChart {
    /// The chart of the estimates of a watched unit in the book's currency.
    pub fn of(name: &str, records: &[Record], currency: &Currency) -> Self {
        let float = |money: Decimal| money.to_f64().unwrap_or(f64::NAN);
        let points: Vec<HistoryPoint> = records
            .iter()
            .filter(|record| record.currency == currency.code)
            .map(|record| HistoryPoint {
                on: record.as_of,
                likely: float(record.foreseen.likely),
                low: float(record.foreseen.low),
                high: float(record.foreseen.high),
            })
            .collect();
        let chances: Vec<u8> = records.iter().map(|record| record.foreseen.level).collect();
        let chance = match chances[..] {
            [first, ..] if chances.iter().all(|chance| *chance == first) => {
                format!("{first} % range")
            }
            _ => "range as asked for each time".into(),
        };
        Self {
            title: format!("Likely price of {name}"),
            subtitle: format!("{}, {chance}", count(points.len(), "estimate")),
            currency: currency.clone(),
            points,
        }
    }
}

impl Chart for HistoryChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<Shape>, ChartError> {
        for at in &self.points {
            for (what, value) in [
                ("the low end of a range", at.low),
                ("a likely price", at.likely),
                ("the high end of a range", at.high),
            ] {
                let shown = value.is_finite() && value.abs() <= MOST;
                require(shown, what, value, "an amount up to 1e15")?;
            }
        }
        compose(self)
    }
}

/// Text at the foot of the chart.
const FOOTER: &str = "From the estimates that compband refresh recorded.";

/// Baselines and edges, from top to bottom.
const AXIS_TITLE: f64 = 214.0;
const PANEL: (f64, f64) = (240.0, 980.0);
const DATE_TICKS: f64 = 1014.0;
const LEGEND: f64 = 1082.0;

/// Largest and least radius of a mark.
const MARKS: (f64, f64) = (9.0, 3.0);

fn compose(chart: &HistoryChart) -> Result<Vec<Shape>, ChartError> {
    let mut canvas = Canvas::new()?;
    canvas.headings(&chart.title, &chart.subtitle, FOOTER);
    let code = chart.currency.code.clone();
    canvas.text((MARGIN, AXIS_TITLE), Align::Left, SMALL, GREY, code);
    let mut points = chart.points.clone();
    points.sort_by_key(|at| at.on);
    let amounts = points.iter().flat_map(|at| [at.low, at.likely, at.high]);
    let extent = axis::extent(amounts).unwrap_or((0.0, 1.0));
    let money = Axis {
        range: axis::amounts_with_air(extent, 1.0),
        ends: (PANEL.1, PANEL.0),
    };
    let (ticks, labels) = labelled_ticks(money.range, 8);
    let left = MARGIN + widest(&labels) + 16.0;
    let named = points.last().map(|last| names(chart, last));
    let texts: Vec<String> = named
        .iter()
        .flatten()
        .map(|(_, text)| text.clone())
        .collect();
    let right = RIGHT - widest(&texts) * 1.1 - 20.0;
    for (tick, label) in ticks.into_iter().zip(labels) {
        canvas.level(money.place(tick), (left, right), label);
    }
    let days = points.iter().map(|at| axis::day(at.on));
    let dates = Axis {
        range: axis::days_with_room(axis::extent(days).unwrap_or((0.0, 0.0))),
        ends: (left, right),
    };
    canvas.dates(&dates, PANEL, DATE_TICKS);
    course(&mut canvas, &points, &dates, &money);
    canvas.line(vec![(left, PANEL.0), (left, PANEL.1)], 1.5, FRAME);
    canvas.line(vec![(left, PANEL.1), (right, PANEL.1)], 1.5, FRAME);
    match named {
        Some(named) => name_ends(&mut canvas, named, &money, right),
        None => {
            let middle = ((left + right) / 2.0, (PANEL.0 + PANEL.1) / 2.0);
            canvas.nothing(middle, "No estimates to show.");
        }
    }
    legend(&mut canvas);
    Ok(canvas.into_shapes())
}

/// The band and the likely price; a single day is drawn as an upright bar.
fn course(canvas: &mut Canvas, points: &[HistoryPoint], dates: &Axis, money: &Axis) {
    const BAR: f64 = 7.0;
    let x = |at: &HistoryPoint| dates.place(axis::day(at.on));
    let place = |at: &HistoryPoint, value: f64| -> Point { (x(at), money.place(value)) };
    let one_day = points.windows(2).all(|pair| pair[0].on == pair[1].on);
    if one_day {
        for at in points {
            let (x, top) = place(at, at.high);
            canvas.box_area((x - BAR, top), (x + BAR, money.place(at.low)), SHADE);
        }
    } else {
        let upper = points.iter().map(|at| place(at, at.high));
        let lower = points.iter().rev().map(|at| place(at, at.low));
        canvas.area(upper.chain(lower).collect(), SHADE);
    }
    let line: Vec<Point> = points.iter().map(|at| place(at, at.likely)).collect();
    let radius = mark_size(points.len(), MARKS.0, MARKS.1);
    if line.len() > 1 {
        canvas.line(line.clone(), 4.0, AMBER);
    }
    for centre in line {
        mark(canvas, centre, radius);
    }
}

fn mark(canvas: &mut Canvas, centre: Point, radius: f64) {
    canvas.disc(centre, radius + 2.0, PAPER);
    canvas.disc(centre, radius, AMBER);
}

/// The values of the last estimate, from the top down.
fn names(chart: &HistoryChart, last: &HistoryPoint) -> [(f64, String); 3] {
    let text = |name: &str, value: f64| {
        let decimals = chart.currency.decimals() as usize;
        let decimals = if value.abs() >= 1e5 { 0 } else { decimals };
        (value, format!("{name} {}", plain(value, decimals)))
    };
    [
        text("high", last.high),
        text("likely", last.likely),
        text("low", last.low),
    ]
}

fn name_ends(canvas: &mut Canvas, named: [(f64, String); 3], money: &Axis, right: f64) {
    const ROW: f64 = 30.0;
    let wanted = named.each_ref().map(|(value, _)| money.place(*value));
    let bounds = (PANEL.0 - ROW, PANEL.1 + ROW);
    let places = axis::spread(&wanted, &[ROW; 3], 0.0, bounds);
    for ((place, (_, text)), ink) in places.into_iter().zip(named).zip([GREY, AMBER, GREY]) {
        canvas.text((right + 12.0, place + 8.0), Align::Left, SMALL, ink, text);
    }
}

fn legend(canvas: &mut Canvas) {
    let middle = LEGEND - 8.0;
    canvas.line(
        vec![(MARGIN, middle), (MARGIN + LEGEND_LINE, middle)],
        4.0,
        AMBER,
    );
    mark(canvas, (MARGIN + LEGEND_LINE / 2.0, middle), MARKS.0);
    let end = canvas.legend_text((MARGIN + LEGEND_LINE + 2.0, LEGEND), "likely price");
    let x = end + LEGEND_GAP;
    canvas.box_area((x, middle - 11.0), (x + LEGEND_LINE, middle + 11.0), SHADE);
    canvas.legend_text((x + LEGEND_LINE + 2.0, LEGEND), "range");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::chart::tests::assert_within;
    use crate::render::chart::{to_png, to_svg};

    fn point(on: &str, likely: f64) -> HistoryPoint {
        HistoryPoint {
            on: on.parse().unwrap(),
            likely,
            low: likely * 0.9,
            high: likely * 1.1,
        }
    }

    fn chart(points: Vec<HistoryPoint>) -> HistoryChart {
        HistoryChart {
            title: "Likely price of qn948".into(),
            subtitle: "3 estimates, 80 % range".into(),
            currency: Currency { code: "EUR".into() },
            points,
        }
    }

    #[test]
    fn everything_lies_within_the_picture_and_the_last_is_named() {
        let points = vec![
            point("2026-01-01", 200.0),
            point("2026-03-01", 150.5),
            point("2026-02-01", 180.0),
        ];
        let chart = chart(points);
        let shapes = chart.shapes().unwrap();
        assert_within(&shapes);
        // Time runs to the right, whatever the order of the estimates.
        for shape in &shapes {
            if let Shape::Line { points, .. } = shape {
                assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
            }
        }
        let svg = to_svg(&chart).unwrap();
        for text in ["likely 150.50", "high 165.55", "low 135.45"] {
            assert!(svg.contains(text), "{text}");
        }
    }

    #[test]
    fn odd_histories_are_drawn_or_refused() {
        for points in [
            vec![],
            vec![point("2026-04-01", 1.0)],
            vec![point("2026-04-01", 1.0), point("2026-04-01", 2.0)],
            vec![point("2026-04-01", 1e14), point("2027-04-01", 0.01)],
        ] {
            to_png(&chart(points)).unwrap();
        }
        for wrong in [f64::NAN, f64::INFINITY, 1e16] {
            assert!(to_svg(&chart(vec![point("2026-01-01", wrong)])).is_err());
        }
    }
}
