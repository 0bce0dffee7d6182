//! The chart of a watched unit's estimates over time: the likely price as a line with a mark at
//! each estimate, the band as an area around it.

use chrono::NaiveDate;

use super::axis;
use super::canvas::{AMBER, Canvas, GREY, LEGEND_LINE, MARGIN, PAPER, SHADE, mark_size};
use super::course::{End, Frame, LEGEND_MIDDLE, end_label};
use super::scene::{Point, Shape};
use super::{Chart, ChartError, float, require_amount};
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
            require_amount("the low end of a range", at.low)?;
            require_amount("a likely price", at.likely)?;
            require_amount("the high end of a range", at.high)?;
        }
        compose(self)
    }
}

/// Text at the foot of the chart.
const FOOTER: &str = "From the estimates that compband refresh recorded.";

/// Largest and least radius of a mark.
const MARKS: (f64, f64) = (9.0, 3.0);

fn compose(chart: &HistoryChart) -> Result<Vec<Shape>, ChartError> {
    let mut points = chart.points.clone();
    points.sort_by_key(|at| at.on);
    let amounts = points.iter().flat_map(|at| [at.low, at.likely, at.high]);
    let amounts = axis::extent(amounts).unwrap_or((0.0, 1.0));
    let days = points.iter().map(|at| axis::day(at.on));
    let days = axis::days_with_room(axis::extent(days).unwrap_or((0.0, 0.0)));
    let ends = points.last().map_or(Vec::new(), |last| ends(chart, last));
    let headings = [&*chart.title, &chart.subtitle, FOOTER];
    let ranges = (axis::amounts_with_air(amounts, 1.0), days);
    let mut frame = Frame::new(headings, &chart.currency, ranges, ends)?;
    course(&mut frame, &points);
    frame.axes(f64::NEG_INFINITY);
    if points.is_empty() {
        frame.nothing("No estimates to show.");
    }
    frame.name_ends();
    legend(&mut frame);
    Ok(frame.canvas.into_shapes())
}

/// The band and the likely price; a single day is drawn as an upright bar.
fn course(frame: &mut Frame, points: &[HistoryPoint]) {
    const BAR: f64 = 7.0;
    let Frame {
        canvas,
        dates,
        money,
        ..
    } = frame;
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

/// The amounts of the last estimate, from the top down.
fn ends(chart: &HistoryChart, last: &HistoryPoint) -> Vec<End> {
    let of = |name: &str, value: f64, ink| (value, end_label(&chart.currency, name, value), ink);
    vec![
        of("high", last.high, GREY),
        of("likely", last.likely, AMBER),
        of("low", last.low, GREY),
    ]
}

fn legend(frame: &mut Frame) {
    frame.legend_line(MARGIN, 4.0, AMBER);
    let centre = (MARGIN + LEGEND_LINE / 2.0, LEGEND_MIDDLE);
    mark(&mut frame.canvas, centre, MARKS.0);
    let x = frame.legend_text(MARGIN, "likely price");
    frame.legend_area(x, SHADE);
    frame.legend_text(x, "range");
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
