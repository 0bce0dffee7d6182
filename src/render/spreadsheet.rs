//! Adjustments and comps of estimates for a spreadsheet: as CSV, and as a workbook (`.xlsx`) with
//! two sheets per unit and live formulas. Names of watched units are in the first column of the CSV
//! and in the names of the sheets.
//!
//! User text never acts as a formula. A workbook contains it as a string, which no spreadsheet
//! evaluates. CSV has no strings; there the rule of [`crate::book::csv::formula`] applies. Numbers
//! are the program's own and stay numbers.
//!
//! Money is rounded half-even to the minor unit; shares are from 0 to 1.

use std::collections::HashSet;

use chrono::{Datelike, NaiveDate};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use rust_xlsxwriter::utility::column_number_to_name;
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatBorder, Formula, Workbook, Worksheet, XlsxError,
};

use super::html::visible;
use super::prose::capitalised;
use super::sheet::unit;
use crate::band::estimate::{Adjustment, CompLine, Estimate, Spread};
use crate::book::csv::formula::neutral;
use crate::trade::money::money_text;
use crate::trade::{Currency, Foreign};

/// Longest cell of a workbook in characters; the limit of the format is 32 767.
const LONGEST: usize = 32_000;

/// Widest column of a workbook, in pixels.
const WIDEST: u32 = 320;

/// One cell.
#[derive(Debug, Clone, PartialEq)]
enum Value {
    Blank,
    Text(String),
    Money(Decimal),
    /// An amount in another currency, or a rate, unrounded.
    Exact(Decimal),
    Number(f64),
    /// A share, displayed in per cent.
    Share(f64),
    Whole(usize),
    Day(NaiveDate),
}

impl Value {
    fn text(text: impl ToString) -> Self {
        Self::Text(text.to_string())
    }

    fn money(currency: &Currency, amount: f64) -> Self {
        currency
            .from_statistics(amount)
            .map_or(Self::Blank, Self::Money)
    }

    /// The cell in CSV.
    fn plain(&self) -> String {
        match self {
            Self::Blank => String::new(),
            Self::Text(text) => neutral(text).into_owned(),
            Self::Money(amount) => money_text(*amount),
            Self::Exact(number) => number.to_string(),
            Self::Number(number) | Self::Share(number) => number.to_string(),
            Self::Whole(number) => number.to_string(),
            Self::Day(day) => day.to_string(),
        }
    }
}

/// Rows below titles.
#[derive(Debug)]
struct Rows {
    titles: Vec<&'static str>,
    rows: Vec<Vec<Value>>,
}

impl Rows {
    fn csv(&self) -> Result<Vec<u8>, csv::Error> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(&self.titles)?;
        for row in &self.rows {
            writer.write_record(row.iter().map(Value::plain))?;
        }
        writer
            .into_inner()
            .map_err(|error| csv::Error::from(error.into_error()))
    }

    /// Position of a column.
    fn at(&self, title: &str) -> usize {
        let found = self.titles.iter().position(|known| *known == title);
        found.unwrap_or_default()
    }
}

/// An estimate with the name of its watched unit.
pub type Named<'a> = (Option<&'a str>, &'a Estimate);

/// The adjustments as CSV.
///
/// # Errors
/// If the library fails.
pub fn adjustments_csv(estimates: &[Named<'_>]) -> Result<Vec<u8>, csv::Error> {
    of_all(estimates, adjustments).csv()
}

/// The comps as CSV: for each unit first the used ones, each part newest first.
///
/// # Errors
/// If the library fails.
pub fn comps_csv(estimates: &[Named<'_>]) -> Result<Vec<u8>, csv::Error> {
    of_all(estimates, comps).csv()
}

/// The rows of several estimates below one another, with names in a first column if they have any.
fn of_all(estimates: &[Named<'_>], rows: fn(&Estimate) -> Rows) -> Rows {
    let mut all = Rows {
        titles: Vec::new(),
        rows: Vec::new(),
    };
    let named = estimates.iter().any(|(name, _)| name.is_some());
    for (name, estimate) in estimates {
        let mut own = rows(estimate);
        if named {
            own.titles.insert(0, "unit");
            let name = Value::text(name.unwrap_or_default());
            own.rows
                .iter_mut()
                .for_each(|row| row.insert(0, name.clone()));
        }
        all.titles = own.titles;
        all.rows.extend(own.rows);
    }
    all
}

fn adjustments(estimate: &Estimate) -> Rows {
    Rows {
        titles: vec![
            "what",
            "on_unit",
            "currency",
            "used",
            "used_low",
            "used_high",
            "used_share",
            "rule",
            "rule_low",
            "rule_high",
            "others",
            "others_low",
            "others_high",
            "comps",
            "comps_low",
            "comps_high",
            "comps_that_tell",
            "share_from_comps",
            "source",
        ],
        rows: estimate
            .adjustments
            .iter()
            .map(|a| adjustment(&estimate.currency, a))
            .collect(),
    }
}

fn adjustment(currency: &Currency, a: &Adjustment) -> Vec<Value> {
    let money = |spread: Option<&Spread>| {
        let of = |get: fn(&Spread) -> f64| {
            spread.map_or(Value::Blank, |spread| Value::money(currency, get(spread)))
        };
        [of(|s| s.value), of(|s| s.low), of(|s| s.high)]
    };
    let mut row = vec![
        Value::text(&a.label),
        Value::Number(a.on_unit),
        Value::text(&currency.code),
    ];
    row.extend(money(Some(&a.used)));
    row.push(Value::Share(a.used_percent / 100.0));
    row.extend(money(Some(&a.rule)));
    row.extend(money(a.others.as_ref().map(|others| &others.spread)));
    row.extend(money(a.comps.as_ref()));
    row.extend([
        Value::Whole(a.informed_by),
        Value::Share(a.from_comps),
        Value::text(a.source().label()),
    ]);
    row
}

/// Titles of the columns about another currency.
const FOREIGN: [&str; 6] = [
    "paid_currency",
    "paid_price",
    "paid_shipping",
    "rate",
    "rate_date",
    "rate_source",
];

/// The comps, used ones first. The columns of [`FOREIGN`] appear if a comp has them.
fn comps(estimate: &Estimate) -> Rows {
    let mut titles = vec![
        "comp_id",
        "sold_on",
        "variant",
        "completeness",
        "grade",
        "missing",
        "extras",
        "defects",
        "attributes",
        "works",
        "how_sold",
        "currency",
        "paid",
        "adjusted",
        "weight",
        "used",
        "why_not",
    ];
    let mut lines: Vec<&CompLine> = estimate.comps.iter().collect();
    lines.sort_by_key(|line| line.comp.dropped.is_some());
    let converted = lines.iter().any(|line| line.comp.foreign.is_some());
    if converted {
        titles.extend(FOREIGN);
    }
    let row = |line: &&CompLine| {
        let mut row = comp(&estimate.currency, line);
        if converted {
            row.extend(foreign(line.comp.foreign.as_deref()));
        }
        row
    };
    Rows {
        titles,
        rows: lines.iter().map(row).collect(),
    }
}

fn foreign(paid: Option<&Foreign>) -> [Value; FOREIGN.len()] {
    let Some(paid) = paid else {
        return [const { Value::Blank }; FOREIGN.len()];
    };
    [
        Value::text(&paid.currency),
        Value::Exact(paid.price),
        Value::Exact(paid.shipping),
        Value::Exact(paid.rate.value),
        Value::Day(paid.rate.date),
        Value::text(&paid.rate.source),
    ]
}

fn comp(currency: &Currency, line: &CompLine) -> Vec<Value> {
    let comp = &line.comp;
    let yes = |yes: bool| Value::text(if yes { "yes" } else { "no" });
    vec![
        Value::text(&comp.comp_id),
        comp.sold_on.map_or(Value::Blank, Value::Day),
        Value::text(&comp.variant),
        Value::text(&comp.completeness),
        Value::text(&comp.grade),
        Value::text(&comp.missing),
        Value::text(&comp.extras),
        Value::text(&comp.defects),
        Value::text(&comp.attributes),
        yes(comp.works),
        comp.how_sold.map_or(Value::Blank, Value::text),
        Value::text(&currency.code),
        Value::Money(comp.paid),
        line.adjusted
            .map_or(Value::Blank, |price| Value::money(currency, price)),
        Value::Number(line.weight),
        yes(comp.dropped.is_none()),
        comp.dropped
            .map_or(Value::Blank, |dropped| Value::text(dropped.reason())),
    ]
}

/// The workbook: for each unit a sheet of adjustments with their amounts on it, and a sheet of
/// comps with the ratio of adjusted to paid price, and their weighted mean next to the likely
/// price. The same estimates give the same bytes.
///
/// # Errors
/// If there are more comps than a sheet has rows, or if the library fails.
pub fn workbook(estimates: &[Named<'_>]) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    let day = estimates
        .first()
        .and_then(|(_, estimate)| excel_day(estimate.as_of));
    let units: Vec<String> = estimates.iter().map(|(_, e)| unit(&e.subject)).collect();
    book.set_properties(
        &DocProperties::new()
            .set_title(cut(&visible(&units.join("; ")), LONGEST_TITLE))
            .set_creation_datetime(&day.unwrap_or_default()),
    );
    let mut taken = HashSet::new();
    for (name, estimate) in estimates {
        let formats = Formats::new(&estimate.currency);
        let sheets = name.map(|name| sheet_name(name, &mut taken));
        let called = |what: &str| {
            sheets
                .as_ref()
                .map_or_else(|| capitalised(what), |name| format!("{name} {what}"))
        };
        let sheet = book.add_worksheet().set_name(called(ADJUSTMENTS))?;
        adjustments_sheet(sheet, estimate, &formats)?;
        let sheet = book.add_worksheet().set_name(called(COMPS))?;
        comps_sheet(sheet, estimate, &formats)?;
    }
    book.save_to_buffer()
}

/// Suffixes of the names of the two sheets of a unit.
const ADJUSTMENTS: &str = "adjustments";
const COMPS: &str = "comps";

/// Longest name of a sheet in the format, in characters.
const LONGEST_SHEET: usize = 31;

/// Longest title of a workbook in the format, in characters.
const LONGEST_TITLE: usize = 255;

/// The first `most` characters.
fn cut(text: &str, most: usize) -> String {
    text.chars().take(most).collect()
}

/// A valid name for a sheet that no earlier one has (ignoring case): cut if too long, and numbered
/// if taken.
fn sheet_name(name: &str, taken: &mut HashSet<String>) -> String {
    let room = LONGEST_SHEET - ADJUSTMENTS.len() - 1;
    let numbered = |number: usize| {
        let mark = format!("~{number}");
        cut(name, room - mark.len()) + &mark
    };
    let first = std::iter::once(cut(name, room));
    first
        .chain((2..).map(numbered))
        .find(|name| taken.insert(name.to_lowercase()))
        .unwrap_or_default()
}

struct Formats {
    head: Format,
    label: Format,
    money: Format,
    share: Format,
    number: Format,
    day: Format,
}

impl Formats {
    fn new(currency: &Currency) -> Self {
        let places = match currency.decimals() as usize {
            0 => String::new(),
            decimals => format!(".{}", "0".repeat(decimals)),
        };
        Self {
            head: Format::new()
                .set_bold()
                .set_border_bottom(FormatBorder::Thin),
            label: Format::new().set_bold(),
            money: Format::new().set_num_format(format!("#,##0{places}")),
            share: Format::new().set_num_format("0.0%"),
            number: Format::new().set_num_format("0.00"),
            day: Format::new().set_num_format("yyyy-mm-dd"),
        }
    }
}

fn excel_day(day: NaiveDate) -> Option<ExcelDateTime> {
    let year = u16::try_from(day.year()).ok()?;
    let (month, day) = (
        u8::try_from(day.month()).ok()?,
        u8::try_from(day.day()).ok()?,
    );
    ExcelDateTime::from_ymd(year, month, day).ok()
}

/// Rows counted from the top, titles included.
type Row = u32;

/// Writes the rows from the top left corner, with the titles frozen; returns the next free row.
fn write(sheet: &mut Worksheet, rows: &Rows, formats: &Formats) -> Result<Row, XlsxError> {
    for (column, title) in (0..).zip(&rows.titles) {
        sheet.write_string_with_format(0, column, *title, &formats.head)?;
    }
    let mut at: Row = 1;
    for row in &rows.rows {
        for (column, value) in (0..).zip(row) {
            put(sheet, (at, column), value, formats)?;
        }
        at += 1;
    }
    sheet.set_freeze_panes(1, 1)?;
    sheet.set_landscape().set_repeat_rows(0, 0)?;
    sheet.set_print_fit_to_pages(1, 0);
    Ok(at)
}

fn put(
    sheet: &mut Worksheet,
    (row, column): (Row, u16),
    value: &Value,
    formats: &Formats,
) -> Result<(), XlsxError> {
    match value {
        Value::Blank => {}
        Value::Text(text) => {
            sheet.write_string(row, column, cut(text, LONGEST))?;
        }
        Value::Money(amount) => {
            sheet.write_with_format(row, column, *amount, &formats.money)?;
        }
        Value::Exact(number) => {
            sheet.write(row, column, *number)?;
        }
        Value::Number(number) => {
            sheet.write_number_with_format(row, column, *number, &formats.number)?;
        }
        Value::Share(share) => {
            sheet.write_number_with_format(row, column, *share, &formats.share)?;
        }
        Value::Whole(number) => {
            sheet.write_number(row, column, *number as f64)?;
        }
        Value::Day(day) => match excel_day(*day) {
            Some(excel) => {
                sheet.write_datetime_with_format(row, column, &excel, &formats.day)?;
            }
            None => {
                sheet.write_string(row, column, day.to_string())?;
            }
        },
    }
    Ok(())
}

/// A formula with its known value, for programs that do not compute.
fn formula(text: &str, value: f64) -> Formula {
    Formula::new(text).set_result(value.to_string())
}

fn adjustments_sheet(
    sheet: &mut Worksheet,
    estimate: &Estimate,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let rows = adjustments(estimate);
    let end = write(sheet, &rows, formats)?;
    let column = u16::try_from(rows.titles.len()).unwrap_or(u16::MAX);
    let (on_unit, used) = (letter(&rows, "on_unit"), letter(&rows, "used"));
    sheet.write_string_with_format(0, column, "on_this_unit", &formats.head)?;
    let mut sum = 0.0;
    for (row, a) in (1..end).zip(&estimate.adjustments) {
        let money = estimate.currency.from_statistics(a.used.value);
        let product = a.on_unit * money.and_then(|m| m.to_f64()).unwrap_or_default();
        sum += product;
        let line = row + 1;
        let text = format!("={on_unit}{line}*{used}{line}");
        sheet.write_formula_with_format(row, column, formula(&text, product), &formats.money)?;
    }
    if end > 1 {
        sheet.autofilter(0, 0, end - 1, column)?;
        let own = column_number_to_name(column);
        let text = format!("=SUM({own}2:{own}{end})");
        let label = "Sum of the adjustments on this unit, each on its own";
        sheet.write_string_with_format(end + 1, 0, label, &formats.label)?;
        sheet.write_formula_with_format(end + 1, column, formula(&text, sum), &formats.money)?;
    }
    let facts = [
        ("Likely price", estimate.median),
        ("Range, low", estimate.low),
        ("Range, high", estimate.high),
    ];
    for (row, (label, amount)) in (end + 2..).zip(facts) {
        sheet.write_string_with_format(row, 0, label, &formats.label)?;
        sheet.write_with_format(row, column, amount, &formats.money)?;
    }
    sheet.set_autofit_max_width(WIDEST).autofit();
    Ok(())
}

fn comps_sheet(
    sheet: &mut Worksheet,
    estimate: &Estimate,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let rows = comps(estimate);
    let end = write(sheet, &rows, formats)?;
    let column = u16::try_from(rows.titles.len()).unwrap_or(u16::MAX);
    let at = [rows.at("paid"), rows.at("adjusted"), rows.at("weight")];
    let [paid, adjusted, weight] = ["paid", "adjusted", "weight"].map(|t| letter(&rows, t));
    sheet.write_string_with_format(0, column, "adjusted_over_paid", &formats.head)?;
    for (row, values) in (1..end).zip(&rows.rows) {
        if let (Some(before), Some(after)) = (number(&values[at[0]]), number(&values[at[1]]))
            && before > 0.0
        {
            let line = row + 1;
            let text = format!("={adjusted}{line}/{paid}{line}");
            sheet.write_formula_with_format(
                row,
                column,
                formula(&text, after / before),
                &formats.number,
            )?;
        }
    }
    if end > 1 {
        sheet.autofilter(0, 0, end - 1, column)?;
    }
    let used = estimate.evidence.used;
    if let (Some(mean), Ok(last)) = (weighted_mean(&rows, at[1], at[2]), u32::try_from(used + 1)) {
        let adjusted_column = u16::try_from(at[1]).unwrap_or(u16::MAX);
        let median = estimate.median.to_f64().unwrap_or_default();
        let (first, second) = (end + 2, end + 3);
        let labels = [
            "Weighted geometric mean of the adjusted prices used",
            "Likely price",
            "Difference: small, what your rules of thumb add",
        ];
        for (row, label) in (end + 1..).zip(labels) {
            sheet.write_string_with_format(row, 0, label, &formats.label)?;
        }
        let weights = format!("{weight}2:{weight}{last}");
        let text =
            format!("=EXP(SUMPRODUCT({weights},LN({adjusted}2:{adjusted}{last}))/SUM({weights}))");
        let money = &formats.money;
        sheet.write_formula_with_format(end + 1, adjusted_column, formula(&text, mean), money)?;
        sheet.write_with_format(first, adjusted_column, estimate.median, money)?;
        let text = format!("={adjusted}{second}-{adjusted}{first}");
        let difference = formula(&text, median - mean);
        sheet.write_formula_with_format(second, adjusted_column, difference, money)?;
    }
    sheet.set_autofit_max_width(WIDEST).autofit();
    Ok(())
}

fn letter(rows: &Rows, title: &str) -> String {
    column_number_to_name(u16::try_from(rows.at(title)).unwrap_or(u16::MAX))
}

fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Money(amount) => amount.to_f64(),
        Value::Number(number) => Some(*number),
        _ => None,
    }
}

/// The weighted geometric mean of the displayed adjusted prices, `exp(Σ w ln p / Σ w)`; `None`
/// without weights or positive prices.
fn weighted_mean(rows: &Rows, price: usize, weight: usize) -> Option<f64> {
    let pairs: Option<Vec<(f64, f64)>> = rows
        .rows
        .iter()
        .filter_map(|row| Some((number(&row[price])?, number(&row[weight])?)))
        .filter(|(_, weight)| *weight > 0.0)
        .map(|(price, weight)| (price > 0.0).then_some((price, weight)))
        .collect();
    let pairs = pairs?;
    let total: f64 = pairs.iter().map(|(_, weight)| weight).sum();
    let logs: f64 = pairs
        .iter()
        .map(|(price, weight)| weight * price.ln())
        .sum();
    (total > 0.0).then(|| (logs / total).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_of_csv_is_never_a_formula() {
        assert_eq!(Value::text("=1+1").plain(), "'=1+1");
        assert_eq!(Value::Money(Decimal::new(-32, 1)).plain(), "-3.20");
    }

    #[test]
    fn the_mean_is_geometric_and_weighted() {
        let row =
            |price: i64, weight| vec![Value::Money(Decimal::from(price)), Value::Number(weight)];
        let rows = Rows {
            titles: vec!["price", "weight"],
            rows: vec![row(100, 1.0), row(200, 0.5), row(7, 0.0)],
        };
        let mean = weighted_mean(&rows, 0, 1).unwrap();
        assert!((mean - 100.0 * 2.0_f64.powf(1.0 / 3.0)).abs() < 1e-9);
        assert_eq!(
            weighted_mean(
                &Rows {
                    titles: vec![],
                    rows: vec![]
                },
                0,
                1
            ),
            None
        );
    }

    #[test]
    fn names_of_sheets_fit_and_differ() {
        let mut taken = HashSet::new();
        let mut named = |name: &str| sheet_name(name, &mut taken);
        assert_eq!(named("61k"), "61k");
        let long = "a-name-of-forty-characters-and-no-fewer-x";
        assert_eq!(named(long), "a-name-of-forty-cha");
        assert_eq!(named(&long.to_uppercase()), "A-NAME-OF-FORTY-C~2");
        assert_eq!(named(long), "a-name-of-forty-c~3");
        assert!(named(long).len() + " adjustments".len() <= LONGEST_SHEET);
    }
}
