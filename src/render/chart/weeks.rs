//! The small chart of a plan to sell: the price to ask, and the lowest offer to accept, week by week.

use rust_decimal::Decimal;

use super::axis::{self, Axis};
use super::canvas::{AMBER, BLUE, Canvas, FRAME, GREY, GRID, MARGIN, RIGHT, SHADE, plain};
use super::scene::{self, Align, Point, Shape};
use super::{Chart, ChartError, float, require_amount};

/// Content of the chart of a plan. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct WeeksChart {
    /// Its title, which is read out and not shown.
    pub title: String,
    /// ISO 4217 code of the currency.
    pub code: String,
    /// The weeks, ascending; some may be left out.
    pub weeks: Vec<WeekShown>,
}

/// One week of a plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeekShown {
    /// Number of the week; week 1 begins on the day of the estimate.
    pub week: usize,
    /// Asking price, if any is asked.
    pub ask: Option<f64>,
    /// Offers from this price are accepted.
    pub accept: f64,
    /// Offers below this price are declined.
    pub decline: f64,
}

impl WeekShown {
    /// A week of exact amounts.
    pub fn of(week: usize, ask: Option<Decimal>, accept: Decimal, decline: Decimal) -> Self {
        Self {
            week,
            ask: ask.map(float),
            accept: float(accept),
            decline: float(decline),
        }
    }
}

/// Size of all texts: larger than in other charts, as this one is shown smaller.
const TEXT: f64 = 36.0;

/// Height of the picture.
const HEIGHT: f64 = 760.0;

/// Top and foot of the panel, and baselines.
const PANEL: (f64, f64) = (84.0, 620.0);
const CODE: f64 = 48.0;
const TICKS: f64 = 672.0;
const WEEKS: f64 = 732.0;

impl Chart for WeeksChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<Shape>, ChartError> {
        for at in &self.weeks {
            let amounts = [Some(at.accept), Some(at.decline), at.ask];
            for value in amounts.into_iter().flatten() {
                require_amount("an amount of a week", value)?;
            }
        }
        compose(self)
    }
}

impl WeeksChart {
    /// The chart as an SVG document.
    ///
    /// # Errors
    /// [`ChartError`]: a number that is not finite or out of range.
    pub fn svg(&self) -> Result<String, ChartError> {
        scene::to_svg_of(&self.shapes()?, &self.title, HEIGHT)
    }
}

fn compose(chart: &WeeksChart) -> Result<Vec<Shape>, ChartError> {
    let mut canvas = Canvas::new()?;
    let of = |week: &WeekShown| [Some(week.accept), Some(week.decline), week.ask];
    let amounts = chart.weeks.iter().flat_map(of).flatten();
    let extent = axis::extent(amounts).unwrap_or((0.0, 1.0));
    let money = Axis {
        range: axis::amounts_with_air(extent, 1.0),
        ends: (PANEL.1, PANEL.0),
    };
    let (ticks, decimals) = axis::amount_ticks(money.range, 5);
    let labels: Vec<String> = ticks.iter().map(|tick| plain(*tick, decimals)).collect();
    let wide = |texts: &[String]| {
        let widths = texts
            .iter()
            .map(|text| scene::text_width(text, TEXT, false));
        widths.fold(0.0, f64::max) * 1.1
    };
    let left = MARGIN + wide(&labels) + 20.0;
    let right = RIGHT - wide(&NAMES.map(String::from)) - 24.0;
    canvas.text((MARGIN, CODE), Align::Left, TEXT, GREY, chart.code.clone());
    for (tick, label) in ticks.into_iter().zip(labels) {
        let y = money.place(tick);
        canvas.line(vec![(left, y), (right, y)], 1.5, GRID);
        canvas.text((left - 16.0, y + 13.0), Align::Right, TEXT, GREY, label);
    }
    let last = chart.weeks.last().map_or(1, |week| week.week.max(1));
    let weeks = Axis {
        range: (0.0, last as f64),
        ends: (left, right),
    };
    week_ticks(&mut canvas, &weeks, last);
    canvas.line(vec![(left, PANEL.0), (left, PANEL.1)], 2.0, FRAME);
    canvas.line(vec![(left, PANEL.1), (right, PANEL.1)], 2.0, FRAME);
    courses(&mut canvas, &chart.weeks, &weeks, &money);
    if let Some(last) = chart.weeks.last() {
        name_ends(&mut canvas, last, &money, right);
    }
    Ok(canvas.into_shapes())
}

/// The numbers of the weeks, each in the middle of its week.
fn week_ticks(canvas: &mut Canvas, weeks: &Axis, last: usize) {
    const ROOM: f64 = 70.0;
    let most = (weeks.length() / ROOM) as usize;
    let step = [1, 2, 4, 8, 13].into_iter().find(|step| last / step < most);
    for week in (1..=last).step_by(step.unwrap_or(26)) {
        let x = weeks.place(week as f64 - 0.5);
        canvas.text((x, TICKS), Align::Centre, TEXT, GREY, week.to_string());
    }
    let middle = (weeks.ends.0 + weeks.ends.1) / 2.0;
    canvas.text((middle, WEEKS), Align::Centre, TEXT, GREY, "week");
}

/// A value over the weeks as steps.
fn steps(
    weeks: &[WeekShown],
    (across, money): (&Axis, &Axis),
    of: impl Fn(&WeekShown) -> Option<f64>,
) -> Vec<Point> {
    let known = weeks.iter().filter_map(|week| Some((week.week, of(week)?)));
    known
        .flat_map(|(week, value)| {
            let y = money.place(value);
            let x = |week: f64| across.place(week);
            [(x(week as f64 - 1.0), y), (x(week as f64), y)]
        })
        .collect()
}

fn courses(canvas: &mut Canvas, weeks: &[WeekShown], across: &Axis, money: &Axis) {
    let axes = (across, money);
    let accept = steps(weeks, axes, |week| Some(week.accept));
    let decline = steps(weeks, axes, |week| Some(week.decline));
    let between = accept.iter().chain(decline.iter().rev()).copied();
    canvas.area(between.collect(), SHADE);
    canvas.line(decline, 3.0, GREY);
    canvas.line(accept, 6.0, BLUE);
    canvas.line(steps(weeks, axes, |week| week.ask), 6.0, AMBER);
}

/// The lines from the top down, each with its name.
const NAMES: [&str; 3] = ["ask", "accept from", "decline below"];

fn name_ends(canvas: &mut Canvas, last: &WeekShown, money: &Axis, right: f64) {
    const ROW: f64 = 46.0;
    let values = [last.ask, Some(last.accept), Some(last.decline)];
    let named = values.into_iter().zip(NAMES).zip([AMBER, BLUE, GREY]);
    let shown: Vec<_> = named
        .filter_map(|((value, name), ink)| Some((value?, name, ink)))
        .collect();
    let wanted: Vec<f64> = shown.iter().map(|one| money.place(one.0)).collect();
    let bounds = (PANEL.0 - ROW, PANEL.1 + ROW);
    let places = axis::spread(&wanted, &vec![ROW; wanted.len()], 0.0, bounds);
    for (place, (_, name, ink)) in places.into_iter().zip(shown) {
        canvas.text((right + 16.0, place + 13.0), Align::Left, TEXT, ink, name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::chart::tests::{assert_within, flaw};

    fn week(week: usize, ask: f64) -> WeekShown {
        WeekShown {
            week,
            ask: Some(ask),
            accept: ask * 0.9,
            decline: ask * 0.8,
        }
    }

    fn chart(weeks: Vec<WeekShown>) -> WeeksChart {
        WeeksChart {
            title: "What to ask <week by week>".into(),
            code: "EUR".into(),
            weeks,
        }
    }

    #[test]
    fn every_week_lies_within_the_picture_and_time_runs_to_the_right() {
        for weeks in [
            vec![week(1, 173.0)],
            (1..=9).map(|at| week(at, 173.0 - at as f64)).collect(),
            vec![week(1, 1e14), week(2, 0.01), week(104, 5.0)],
        ] {
            let chart = chart(weeks);
            let shapes = chart.shapes().unwrap();
            assert_within(&shapes);
            for shape in &shapes {
                if let Shape::Line { points, .. } = shape {
                    assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
                    assert!(points.iter().all(|at| at.1 <= HEIGHT), "{points:?}");
                }
            }
            let svg = chart.svg().unwrap();
            assert_eq!(flaw(&svg), None);
            assert!(svg.contains("viewBox=\"0 0 3200 1520\""), "{svg}");
            for text in ["accept from", "decline below", "&lt;week by week&gt;"] {
                assert!(svg.contains(text), "{text}");
            }
        }
    }

    #[test]
    fn a_line_goes_through_the_amounts_of_its_weeks() {
        let axis = |range, ends| Axis { range, ends };
        let (across, money) = (
            axis((0.0, 2.0), (0.0, 20.0)),
            axis((0.0, 10.0), (100.0, 0.0)),
        );
        let weeks = [week(1, 10.0), week(2, 5.0)];
        let line = steps(&weeks, (&across, &money), |week| week.ask);
        assert_eq!(line, [(0.0, 0.0), (10.0, 0.0), (10.0, 50.0), (20.0, 50.0)]);
    }

    #[test]
    fn what_is_no_amount_is_refused() {
        for wrong in [f64::NAN, f64::INFINITY, 1e16] {
            assert!(chart(vec![week(1, wrong)]).svg().is_err());
        }
        assert!(chart(Vec::new()).svg().is_ok());
    }
}
