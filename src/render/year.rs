//! The ledger by calendar years, on the terminal and as CSV.

use std::fmt::Write;
use std::io;

use chrono::Datelike;
use rust_decimal::Decimal;

use super::document::{self, year::DISCLAIMER};
use super::numbers::amount;
use super::prose::{HEADING, QUIET, prose_width, wrap};
use super::table::{Grid, Kind};
use crate::deal::ledger::{Misfit, Period};
use crate::trade::Currency;

/// Some calendar years of a ledger.
#[derive(Debug)]
pub struct Content<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// The years, in order.
    pub years: &'a [Period],
    /// Entries that do not follow on those dated before them.
    pub misfits: &'a [Misfit],
}

/// A line of the table: its label, and its amount in a year. A line without an amount is a heading.
type Line = (&'static str, Option<fn(&Period) -> Decimal>);

/// The profit and its parts.
const PROFIT: [Line; 10] = [
    ("Sales", Some(|year| year.moves.sales)),
    (
        "Shipping paid by buyers",
        Some(|year| year.moves.shipping_paid),
    ),
    ("Refunds to buyers", Some(|year| -year.moves.refunds)),
    ("Cost of units sold", Some(|year| -year.moves.cost)),
    ("Fees", Some(|year| -year.moves.fees)),
    ("Shipping and packing", Some(|year| -year.moves.postage)),
    ("Overheads", Some(|year| -year.moves.overheads)),
    ("Losses", Some(|year| -year.moves.losses)),
    ("Profit", Some(|year| year.moves.profit())),
    ("", None),
];

/// The cost of goods that left the stock, and its parts.
const GOODS: [Line; 12] = [
    ("Stock at the start", Some(|year| year.opening.stock)),
    ("Parts at the start", Some(|year| year.opening.parts)),
    ("Units bought", Some(|year| year.moves.units_bought)),
    ("Spent on units", Some(|year| year.moves.spent)),
    ("Parts bought", Some(|year| year.moves.parts_bought)),
    ("Stock at the end", Some(|year| -year.closing.stock)),
    ("Parts at the end", Some(|year| -year.closing.parts)),
    ("Cost of what left", Some(|year| year.moves.left())),
    ("  of units sold", Some(|year| year.moves.cost)),
    ("  lost", Some(|year| year.moves.losses)),
    ("  paid back as scrap", Some(|year| year.moves.scrap)),
    ("", None),
];

/// How the bankroll changes.
const MONEY: [Line; 9] = [
    (
        "Bankroll at the start",
        Some(|year| year.opening.bankroll()),
    ),
    ("  of it cash", Some(|year| year.opening.cash)),
    ("Paid in", Some(|year| year.moves.put_in)),
    ("Overheads you paid yourself", Some(|year| year.moves.own)),
    ("Taken out", Some(|year| -year.moves.taken_out)),
    ("Profit", Some(|year| year.moves.profit())),
    ("Bankroll at the end", Some(|year| year.closing.bankroll())),
    ("  of it cash", Some(|year| year.closing.cash)),
    ("", None),
];

/// A line of a count: its label, and the count in a year.
type Counted = (&'static str, fn(&Period) -> i64);

/// How the number of units changes.
const UNITS: [Counted; 7] = [
    ("Units at the start", |year| year.opening.units),
    ("Bought", |year| year.moves.bought),
    ("Came back", |year| year.moves.returned),
    ("Sold", |year| -year.moves.sold),
    ("Scrapped", |year| -year.moves.scrapped),
    ("Taken apart", |year| -year.moves.harvested),
    ("Units at the end", |year| year.closing.units),
];

/// The table with ANSI styles.
pub fn sheet(content: &Content<'_>, width: Option<u16>) -> String {
    let prose = prose_width(width);
    let years = content.years;
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{HEADING}{}{HEADING:#}, {}{}",
        heading(years),
        content.currency.code,
        until(years)
    );
    out.push_str(&grid(content, &titles(content)).render(width));
    if years.iter().any(|year| !year.is_balanced()) || !content.misfits.is_empty() {
        out.push('\n');
        let misfits = content.misfits.iter();
        let numbers: Vec<String> = misfits.map(|misfit| misfit.number.to_string()).collect();
        let doubt = format!(
            "Some ledger entries do not fit those dated before them ({}), so the figures may not add up: \
                reverse them and record them again with the right dates.",
            numbers.join(", ")
        );
        let _ = writeln!(out, "{}", wrap(&doubt, prose, ""));
    }
    let legend = "An entry counts on its date, a reversal on its own date. Stock and parts are at cost: price, \
        inbound shipping and what you spent on them.";
    let legend = wrap(legend, prose, "");
    let _ = writeln!(out, "\n{QUIET}{legend}\n{DISCLAIMER}{QUIET:#}");
    out
}

fn heading(years: &[Period]) -> String {
    match years {
        [year] => format!("The year {}", year.from.year()),
        _ => "Calendar years".into(),
    }
}

fn until(years: &[Period]) -> String {
    let part = years.last().filter(|year| year.is_part_of_year());
    part.map_or(String::new(), |year| format!(", up to {}", year.to))
}

/// The titles of the columns of [`grid`].
pub fn titles(content: &Content<'_>) -> Vec<String> {
    let years = content.years.iter();
    years.map(|year| year.from.year().to_string()).collect()
}

/// The years as a table that is not laid out yet, one a column.
pub fn grid<'t>(content: &Content<'_>, titles: &'t [String]) -> Grid<'t> {
    let years = content.years;
    let newest_first = (0..years.len()).rev();
    let ranks = newest_first.map(|ago| u8::try_from(ago).unwrap_or(u8::MAX));
    let mut columns = vec![("", Kind::Fixed, 0)];
    let ranked = titles.iter().zip(ranks);
    columns.extend(ranked.map(|(title, rank)| (title.as_str(), Kind::Number, rank)));
    let mut grid = Grid::ranked(&columns);
    let mut push = |label: &str, cell: &dyn Fn(&Period) -> String| {
        let cells = years.iter().map(cell);
        grid.push(
            [label.to_string()]
                .into_iter()
                .chain(cells)
                .collect::<Vec<_>>(),
        );
    };
    for (label, of) in PROFIT.iter().chain(&GOODS).chain(&MONEY) {
        match of {
            Some(of) => push(label, &|year| amount(content.currency, of(year))),
            None => push("", &|_| String::new()),
        }
    }
    for (label, of) in UNITS {
        push(label, &|year| of(year).to_string().replace('-', "−"));
    }
    push("Minutes of work", &|year| {
        year.moves.minutes.normalize().to_string()
    });
    grid
}

/// The years as CSV, one a row, with exact amounts; the columns are the keys of the JSON. No cell holds a text of
/// the user's, so none can act as a formula.
///
/// # Errors
/// Only if writing to memory fails.
pub fn csv(years: &[Period], currency: &Currency) -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for year in years {
        writer.serialize(document::year::year(year, currency))?;
    }
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}
