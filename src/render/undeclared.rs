//! Numeric attributes that no family declares, in words and as part of a document.

use std::fmt::Write;

use super::document::check as document;
use super::numbers::count;
use super::prose::{fitted, sentence, wrap};
use crate::app::import::Imported;
use crate::app::undeclared::{Column, any_helps, lines_of_rows, settings_lines};
use crate::band::undeclared::Explained;
use crate::settings::{FILE_NAME, Settings};
use crate::trade::attributes::{Scale, column_name};

/// Most columns named in the summary of an import.
const NAMED: usize = 6;

/// The section of a check; empty if everything recorded is declared.
pub fn section(columns: &[Column], settings: &Settings, width: usize) -> String {
    if columns.is_empty() {
        return String::new();
    }
    let mut out = String::new();
    let title = "Recorded but not declared, so estimates do not use it:";
    let _ = writeln!(out, "{}", wrap(title, width, ""));
    for column in columns {
        let finding = match &column.explained {
            Some(explained) => format!(
                "would explain about {} of the spread ({})",
                percent(explained.share),
                step(explained)
            ),
            None => "explains no more than chance would".into(),
        };
        let line = format!(
            "{} in {}: {finding}",
            column_name(&column.attribute),
            count(column.sales, "sale")
        );
        sentence(&mut out, &line, width);
    }
    if any_helps(columns) {
        let advice = format!(
            "Each share is of the variance of past misses, by that column alone. To use what helps, put these \
                lines into {FILE_NAME} (each rule runs from nothing to twice what your sales show):"
        );
        let _ = writeln!(out, "{}\n", wrap(&advice, width, ""));
        out.push_str(&settings_lines(columns, settings));
    }
    out
}

/// One sentence about them that ends with `more`, a reference to more (`--figures says`); none if declaring them
/// would not help.
pub fn note(columns: &[Column], more: &str) -> Option<String> {
    let helps = columns.iter().filter(|column| column.explained.is_some());
    let names: Vec<String> = helps.map(|column| column_name(&column.attribute)).collect();
    any_helps(columns).then(|| {
        format!(
            "Recorded but not declared, so not used: {}. Estimates would be closer with it: {more} how.",
            names.join(", ")
        )
    })
}

/// `40 %`
fn percent(share: f64) -> String {
    format!("{:.0} %", (100.0 * share).clamp(1.0, 100.0))
}

/// `+12 % for a doubling`
fn step(explained: &Explained) -> String {
    let change = 100.0 * explained.effect.exp_m1();
    let digits = if change.abs() < 0.95 { 3 } else { 0 };
    let sign = if change < 0.0 { "−" } else { "+" };
    let change = change.abs();
    match explained.scale {
        Scale::Doubling => format!("{sign}{change:.digits$} % for a doubling"),
        _ => format!("{sign}{change:.digits$} % for one more"),
    }
}

/// The same as part of a document.
pub fn document(columns: &[Column], settings: &Settings) -> document::Undeclared {
    let each = |column: &Column| {
        let explained = column.explained.as_ref();
        document::Column {
            column: column_name(&column.attribute),
            sales: column.sales,
            share_explained: explained.map(|explained| explained.share),
            scale: explained.map(|explained| match explained.scale {
                Scale::Doubling => "doubling",
                _ => "unit",
            }),
            percent_per_step: explained.map(|explained| 100.0 * explained.effect.exp_m1()),
        }
    };
    document::Undeclared {
        columns: columns.iter().map(each).collect(),
        settings: any_helps(columns).then(|| settings_lines(columns, settings)),
    }
}

/// The part of the summary of an import about undeclared attributes of its rows; empty if there are
/// none.
pub fn of_import(imported: &Imported, settings: &Settings, width: Option<u16>) -> String {
    let found = &imported.undeclared;
    if found.is_empty() {
        return String::new();
    }
    let first = found.iter().take(NAMED);
    let mut named: Vec<String> = first
        .map(|(attribute, found)| {
            format!("{} ({})", column_name(attribute), count(found.rows, "row"))
        })
        .collect();
    if found.len() > NAMED {
        named.push(format!("and {} more", found.len() - NAMED));
    }
    let advice = format!(
        "Kept, but estimates do not use it until {FILE_NAME} declares it: {}. To declare what moves the price, \
            write lines like these there:",
        named.join(", ")
    );
    format!(
        "{}\n\n{}\n`compband check` says how much each would explain.\n",
        fitted(&advice, "", width),
        lines_of_rows(found, settings),
    )
}
