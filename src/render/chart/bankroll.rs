//! The chart of a bankroll over time: cash and stock at cost as one line, the part in stock as an
//! area, the owner's capital, and the goal.
//!
//! Lines are step functions, because money does not change between two entries. The goal is a
//! dashed line, so that it is recognisable without colour; every line has its name at its right
//! end.

use chrono::NaiveDate;

use super::axis::{self, Axis};
use super::canvas::{AMBER, BLUE, Canvas, GREY, LEGEND_LINE, MARGIN, SHADE};
use super::course::{End, Frame, LEGEND_MIDDLE, end_label};
use super::scene::{Point, Shape};
use super::{Chart, ChartError, float, require_amount};
use crate::render::ledger::Content;
use crate::render::numbers::{amount, count};
use crate::trade::Currency;

/// Content of the chart of a bankroll. Money is in units of the currency.
#[derive(Debug, Clone)]
pub struct BankrollChart {
    /// Title.
    pub title: String,
    /// Summary in one line.
    pub subtitle: String,
    /// Currency of every amount.
    pub currency: Currency,
    /// The balances at the end of each day that changed them, by date.
    pub course: Vec<BankrollPoint>,
    /// Day of the chart.
    pub today: NaiveDate,
    /// The wanted bankroll.
    pub goal: Option<f64>,
}

/// The balances at the end of a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BankrollPoint {
    /// The day.
    pub on: NaiveDate,
    /// Cash and stock at cost.
    pub bankroll: f64,
    /// Stock at cost.
    pub stock: f64,
    /// Money that the owner put in, less money taken out.
    pub capital: f64,
}

impl BankrollChart {
    /// The chart of a ledger.
    pub fn of(content: &Content<'_>) -> Self {
        let money = |value| amount(content.currency, value);
        let summary = &content.summary;
        Self {
            title: "Bankroll".into(),
            subtitle: format!(
                "{}; {} closed, {} in stock; profit {} {}",
                content.today,
                count(summary.closed, "deal"),
                summary.open,
                money(summary.profit),
                content.currency.code
            ),
            currency: content.currency.clone(),
            course: content
                .ledger
                .course()
                .iter()
                .map(|at| BankrollPoint {
                    on: at.on,
                    bankroll: float(at.bankroll()),
                    stock: float(at.stock + at.drawer),
                    capital: float(at.capital),
                })
                .collect(),
            today: content.today,
            goal: (!content.goal.is_zero()).then(|| float(content.goal)),
        }
    }
}

impl Chart for BankrollChart {
    fn title(&self) -> &str {
        &self.title
    }

    fn shapes(&self) -> Result<Vec<Shape>, ChartError> {
        for at in &self.course {
            require_amount("the bankroll of a day", at.bankroll)?;
            require_amount("the stock of a day", at.stock)?;
            require_amount("the capital of a day", at.capital)?;
        }
        if let Some(goal) = self.goal {
            require_amount("the goal", goal)?;
        }
        compose(self)
    }
}

/// Text at the foot of the chart.
const FOOTER: &str = "From the ledger; stock counts at cost.";

/// A line of the chart: its name, its colour and width, and its value on the last day.
struct Course {
    name: &'static str,
    ink: plotters::style::RGBColor,
    width: f64,
    value: fn(&BankrollPoint) -> f64,
}

const COURSES: [Course; 2] = [
    Course {
        name: "paid in",
        ink: GREY,
        width: 2.5,
        value: |at| at.capital,
    },
    Course {
        name: "bankroll",
        ink: BLUE,
        width: 5.0,
        value: |at| at.bankroll,
    },
];

fn compose(chart: &BankrollChart) -> Result<Vec<Shape>, ChartError> {
    let headings = [&*chart.title, &chart.subtitle, FOOTER];
    let ranges = (money_range(chart), date_range(chart));
    let mut frame = Frame::new(headings, &chart.currency, ranges, ends(chart))?;
    stock_area(&mut frame, chart);
    frame.axes(0.0);
    if let Some(goal) = chart.goal {
        broken(&mut frame.canvas, frame.sides, frame.money.place(goal));
    }
    for course in &COURSES {
        let line = steps(chart, &frame.dates, &frame.money, course.value);
        // Entries of a single day, which is today, make a line without length.
        if let (Some(first), Some(last)) = (line.first(), line.last())
            && first.0 == last.0
        {
            frame.canvas.disc(*last, course.width + 1.0, course.ink);
        }
        frame.canvas.line(line, course.width, course.ink);
    }
    if chart.course.is_empty() {
        frame.nothing("No entries to show.");
    }
    frame.name_ends();
    legend(&mut frame, chart);
    Ok(frame.canvas.into_shapes())
}

/// The range of all amounts drawn, and zero.
fn money_range(chart: &BankrollChart) -> (f64, f64) {
    let values = chart
        .course
        .iter()
        .flat_map(|at| [at.bankroll, at.stock, at.capital])
        .chain(chart.goal)
        .chain([0.0]);
    let (low, high) = axis::extent(values).unwrap_or((0.0, 1.0));
    axis::amounts_with_air((low, high), 1.0)
}

fn date_range(chart: &BankrollChart) -> (f64, f64) {
    let days = chart.course.iter().map(|at| axis::day(at.on));
    let extent = axis::extent(days.chain([axis::day(chart.today)])).unwrap_or((0.0, 0.0));
    let (first, last) = axis::days_with_room(extent);
    // The course spans the plot if it is long enough.
    (first, last.max(extent.1))
}

/// A step function over time, up to today.
fn steps(
    chart: &BankrollChart,
    dates: &Axis,
    money: &Axis,
    value: fn(&BankrollPoint) -> f64,
) -> Vec<Point> {
    let mut line: Vec<Point> = Vec::new();
    for at in &chart.course {
        let x = dates.place(axis::day(at.on));
        if let Some(&(_, y)) = line.last() {
            line.push((x, y));
        }
        line.push((x, money.place(value(at))));
    }
    if let Some(&(x, y)) = line.last() {
        let end = dates.place(axis::day(chart.today));
        line.push((end.max(x), y));
    }
    line
}

/// The part of the bankroll in stock.
fn stock_area(frame: &mut Frame, chart: &BankrollChart) {
    let mut outline = steps(chart, &frame.dates, &frame.money, |at| at.stock);
    let (Some(&(first, _)), Some(&(last, _))) = (outline.first(), outline.last()) else {
        return;
    };
    let foot = frame.money.place(0.0);
    outline.extend([(last, foot), (first, foot)]);
    frame.canvas.area(outline, SHADE);
}

/// A dashed horizontal line.
fn broken(canvas: &mut Canvas, (left, right): (f64, f64), y: f64) {
    const DASH: f64 = 18.0;
    let mut x = left;
    while x < right {
        let end = (x + DASH).min(right);
        canvas.line(vec![(x, y), (end, y)], 3.0, AMBER);
        x += DASH * 1.6;
    }
}

/// The right ends of the lines, from the top down.
fn ends(chart: &BankrollChart) -> Vec<End> {
    let label = |name: &str, value: f64| end_label(&chart.currency, name, value);
    let last = chart.course.last();
    let goal = chart.goal.map(|goal| (goal, label("goal", goal), AMBER));
    let lines = COURSES.iter().filter_map(|course| {
        let value = (course.value)(last?);
        Some((value, label(course.name, value), course.ink))
    });
    let mut ends: Vec<End> = goal.into_iter().chain(lines).collect();
    ends.sort_by(|one, other| other.0.total_cmp(&one.0));
    ends
}

fn legend(frame: &mut Frame, chart: &BankrollChart) {
    frame.legend_line(MARGIN, 5.0, BLUE);
    let x = frame.legend_text(MARGIN, "bankroll: cash, stock and parts at cost");
    frame.legend_area(x, SHADE);
    let x = frame.legend_text(x, "of it in stock");
    frame.legend_line(x, 2.5, GREY);
    let x = frame.legend_text(x, "paid in, less taken out");
    if chart.goal.is_some() {
        broken(&mut frame.canvas, (x, x + LEGEND_LINE), LEGEND_MIDDLE);
        frame.legend_text(x, "goal");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::chart::tests::assert_within;
    use crate::render::chart::{to_png, to_svg};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn chart(course: Vec<BankrollPoint>, goal: Option<f64>) -> BankrollChart {
        BankrollChart {
            title: "Bankroll".into(),
            subtitle: "3 deals closed".into(),
            currency: Currency { code: "EUR".into() },
            course,
            today: day("2026-04-01"),
            goal,
        }
    }

    fn point(on: &str, bankroll: f64, stock: f64) -> BankrollPoint {
        BankrollPoint {
            on: day(on),
            bankroll,
            stock,
            capital: 200.0,
        }
    }

    #[test]
    fn lines_run_in_steps_to_today_within_the_picture() {
        let chart = chart(
            vec![
                point("2026-01-01", 200.0, 0.0),
                point("2026-02-01", 200.0, 47.0),
                point("2026-03-01", 260.5, 0.0),
            ],
            Some(1000.0),
        );
        let dates = Axis {
            range: date_range(&chart),
            ends: (0.0, 90.0),
        };
        let money = Axis {
            range: (0.0, 100.0),
            ends: (0.0, 100.0),
        };
        let line = steps(&chart, &dates, &money, |at| at.stock);
        assert_eq!(
            line,
            [
                (0.0, 0.0),
                (31.0, 0.0),
                (31.0, 47.0),
                (59.0, 47.0),
                (59.0, 0.0),
                (90.0, 0.0)
            ]
        );
        assert_within(&chart.shapes().unwrap());
        let svg = to_svg(&chart).unwrap();
        for text in ["bankroll 260.50", "goal 1\u{2009}000.00", "paid in 200.00"] {
            assert!(svg.contains(text), "{text}");
        }
    }

    #[test]
    fn odd_courses_are_drawn_or_refused() {
        for course in [
            vec![],
            vec![point("2026-04-01", 0.0, 0.0)],
            vec![point("2026-01-01", -40.0, 60.0)],
            vec![point("2027-01-01", 1e14, 0.0)],
        ] {
            to_png(&chart(course.clone(), None)).unwrap();
            to_png(&chart(course, Some(0.5))).unwrap();
        }
        for wrong in [f64::NAN, f64::INFINITY, 1e16] {
            assert!(to_svg(&chart(vec![point("2026-01-01", wrong, 0.0)], None)).is_err());
            assert!(to_svg(&chart(vec![], Some(wrong))).is_err());
        }
    }
}
