//! Backtests the estimates of a book on its sales.

use std::collections::BTreeMap;

use super::past::{self, Past, Progress};
use super::{AppError, conflicts};
use crate::backtest::selfcheck::{Figures, LEVELS, Predicted, figures};
use crate::backtest::verdict::{self, Verdict};
use crate::band::conflict::Conflict;
use crate::book::store::Book;
use crate::settings::Settings;

pub use crate::backtest::selfcheck::LEVEL;

/// Name of the group of all sales.
pub const ALL: &str = "all sales";

/// Past sales with their predictions, and the rules of thumb that they contradict.
pub struct Checked {
    /// Every single sale, ordered by day, undated ones last.
    pub past: Vec<Past>,
    /// The contradicted rules, those with the largest effect on prices first.
    pub conflicts: Vec<Conflict>,
}

/// A sale with its prediction.
pub type Checkable<'a> = (&'a Past, &'a Predicted);

/// Grouping of sales.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// By model.
    Model,
    /// By grade.
    Grade,
    /// By level of completeness.
    Completeness,
    /// By calendar month of the sale.
    Month,
    /// By quarter of the prices paid.
    Price,
}

/// Predicts the past sales of a book, or of one model, and finds contradicted rules; reads the book
/// once.
///
/// # Errors
/// If the book cannot be read or has no such model.
///
/// # Examples
///
/// ```
/// use std::ops::ControlFlow;
///
/// use compband::app::check::{check, of_all, predicted};
///
/// # use compband::app::{Book, record::record_sale};
/// # use compband::trade::Comp;
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// # let dir = tempfile::tempdir()?;
/// # let book = Book::init(dir.path())?;
/// # for (day, price) in [("2026-03-01", 118), ("2026-03-04", 124), ("2026-03-09", 121), ("2026-03-20", 119)] {
/// #     let lock = book.lock(&mut |_| {})?;
/// #     let sale = Comp {
/// #         model: "Nulva 61K".into(),
/// #         grade: "B".into(),
/// #         sold_on: Some(day.parse()?),
/// #         price: price.into(),
/// #         ..Comp::blank("EUR")
/// #     };
/// #     record_sale(&book, &lock, sale, &mut |_| {})?;
/// # }
/// // A book with four sales: the first has none before it.
/// let checked = check(&book, None, &mut |_| {}, &|_, _| ControlFlow::Continue(()))?;
/// let figures = of_all(&predicted(&checked.past)).ok_or("no sale has a prediction")?;
/// assert_eq!(figures.sales, 3);
/// # Ok(())
/// # }
/// ```
pub fn check(
    book: &Book,
    model: Option<&str>,
    notice: &mut dyn FnMut(&str),
    progress: &Progress<'_>,
) -> Result<Checked, AppError> {
    let mut conflicts = Vec::new();
    let done = past::check_each(book, &[model], notice, progress, &mut |timeline| {
        conflicts = conflicts::of_sales(book, timeline, model)?;
        Ok(())
    })?;
    Ok(Checked {
        past: done.found.into_iter().flatten().collect(),
        conflicts,
    })
}

/// The sales that have a prediction.
pub fn predicted(past: &[Past]) -> Vec<Checkable<'_>> {
    past.iter()
        .filter_map(|sale| Some((sale, sale.predicted.as_ref()?)))
        .collect()
}

/// The sales whose prices look mistyped.
pub fn mistyped<'s, 'a>(sales: &'s [Checkable<'a>]) -> impl Iterator<Item = Checkable<'a>> + 's {
    sales
        .iter()
        .copied()
        .filter(|(_, predicted)| predicted.mistyped)
}

/// The number of sales without a day.
pub fn undated(sales: &[Checkable<'_>]) -> usize {
    sales
        .iter()
        .filter(|(past, _)| past.sale.sold_on.is_none())
        .count()
}

/// The figures of all sales; `None` if none has a prediction.
pub fn of_all(sales: &[Checkable<'_>]) -> Option<Figures> {
    let all: Vec<&Predicted> = sales.iter().map(|(_, predicted)| *predicted).collect();
    figures(&all)
}

/// The figures of all sales, and of each group in its order; `None` if no sale has a prediction.
pub fn groups(
    sales: &[Checkable<'_>],
    by: Option<By>,
    settings: &Settings,
) -> Option<Vec<(String, Figures)>> {
    let mut groups = vec![(ALL.to_string(), of_all(sales)?)];
    if let Some(by) = by {
        groups.extend(grouped(sales, by, settings));
    }
    Some(groups)
}

fn grouped(sales: &[Checkable<'_>], by: By, settings: &Settings) -> Vec<(String, Figures)> {
    let mut prices: Vec<f64> = sales.iter().map(|(_, predicted)| predicted.paid).collect();
    prices.sort_by(f64::total_cmp);
    let mut groups: BTreeMap<(usize, String), Vec<&Predicted>> = BTreeMap::new();
    for (past, predicted) in sales {
        let below = prices.partition_point(|price| *price < predicted.paid);
        let quarter = (4 * below / prices.len().max(1)).min(QUARTERS.len() - 1);
        groups
            .entry(group(past, quarter, by, settings))
            .or_default()
            .push(predicted);
    }
    let figures = |((_, name), sales): ((usize, String), Vec<&Predicted>)| {
        let mut figures = figures(&sales)?;
        if by == By::Price {
            // In groups by price paid, the grouping itself biases the estimates of high and low
            // prices.
            (figures.study.prd, figures.study.prb) = (None, None);
        }
        Some((name, figures))
    };
    groups.into_iter().filter_map(figures).collect()
}

/// Names of the quarters of prices, lowest first.
const QUARTERS: [&str; 4] = [
    "cheapest quarter",
    "second quarter",
    "third quarter",
    "most expensive quarter",
];

/// The group of a sale: its position among the groups and its name.
fn group(past: &Past, quarter: usize, by: By, settings: &Settings) -> (usize, String) {
    let sale = &past.sale;
    let last = |what: &str| (usize::MAX, format!("no {what}"));
    match by {
        By::Model => (0, past.model.clone()),
        By::Grade => match settings.grade_index(&sale.grade) {
            Some(at) => (at, format!("grade {}", sale.grade)),
            None => last("grade"),
        },
        By::Completeness => match settings.completeness_index(&sale.completeness) {
            Some(at) => (at, sale.completeness.clone()),
            None => last("completeness"),
        },
        By::Month => match sale.sold_on {
            Some(day) => (0, day.format("%Y-%m").to_string()),
            None => (1, "undated".into()),
        },
        By::Price => (quarter, QUARTERS[quarter].into()),
    }
}

/// Position of the verdict on the 80 % band among the [`verdicts`].
pub const OF_80_BAND: usize = 1;

/// Position of the verdict on the level of estimates.
pub const OF_LEVEL: usize = LEVELS.len();

/// The verdicts on the figures of a group.
pub fn verdicts(name: &str, figures: &Figures) -> Vec<Verdict> {
    let group = if name == ALL { "" } else { name };
    let bands = LEVELS.iter().zip(&figures.coverage);
    let bands =
        bands.map(|(level, coverage)| verdict::bands(group, f64::from(*level) / 100.0, coverage));
    let mut verdicts: Vec<Verdict> = bands.collect();
    verdicts.extend(verdict::study(group, &figures.study));
    verdicts.push(verdict::shape(group, &figures.pit));
    verdicts
}
