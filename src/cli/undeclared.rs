//! Numeric attributes that are recorded but that no family declares: what they would explain, and
//! the settings that make estimates use them.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt::Write;

use rust_decimal::prelude::ToPrimitive;

use super::{count, fitted};
use crate::app::past::Past;
use crate::band::undeclared::{Explained, Point, explained};
use crate::render::document::check as document;
use crate::render::sheet::wrap;
use crate::settings::declare::{Declaration, either_way, lines, rule_of_effect};
use crate::settings::{FILE_NAME, Settings};
use crate::sheets::import::Undeclared;
use crate::trade::attributes::{Direction, Scale, column_name};

/// Columns named in the summary of an import.
const NAMED: usize = 6;

/// How far from the lowest to the highest value of a number may move the price, either way, where
/// nothing else is known: per cent.
const ALL_OF_IT: f64 = 30.0;

/// An undeclared attribute of past sales.
pub struct Column {
    attribute: String,
    /// Sales that have it.
    sales: usize,
    /// Their models.
    models: BTreeSet<String>,
    /// What it would explain of the misses, where that can be told from nothing.
    explained: Option<Explained>,
}

/// The undeclared attributes of past sales, those that explain most first.
pub fn columns(past: &[Past], settings: &Settings) -> Vec<Column> {
    let mut found: BTreeMap<&str, (Column, Vec<Point>)> = BTreeMap::new();
    let mut models: HashMap<&str, usize> = HashMap::new();
    let mut declared: HashMap<(&str, &str), bool> = HashMap::new();
    for past in past {
        let (next, model) = (models.len(), past.model.as_str());
        let number = *models.entry(model).or_insert(next);
        for (name, value) in past.sale.attributes.iter() {
            let known = declared.entry((model, name));
            if *known.or_insert_with(|| settings.attribute(model, name).is_some()) {
                continue;
            }
            let (column, points) = found.entry(name).or_insert_with(|| {
                let column = Column {
                    attribute: name.to_string(),
                    sales: 0,
                    models: BTreeSet::new(),
                    explained: None,
                };
                (column, Vec::new())
            });
            column.sales += 1;
            if !column.models.contains(model) {
                column.models.insert(model.to_string());
            }
            let predicted = past
                .predicted
                .as_ref()
                .filter(|predicted| !predicted.mistyped);
            if let (Some(predicted), Some(value)) = (predicted, value.to_f64()) {
                points.push(Point {
                    model: number,
                    value,
                    miss: (predicted.paid / predicted.estimate).ln(),
                });
            }
        }
    }
    let mut columns: Vec<Column> = found
        .into_values()
        .map(|(column, points)| Column {
            explained: explained(&points),
            ..column
        })
        .collect();
    let share = |column: &Column| column.explained.map_or(0.0, |explained| explained.share);
    columns.sort_by(|a, b| share(b).total_cmp(&share(a)));
    columns
}

/// Whether declaring one of them would help.
pub fn any_helps(columns: &[Column]) -> bool {
    columns.iter().any(|column| column.explained.is_some())
}

/// The settings that declare those that help; empty where none does.
fn settings_lines(columns: &[Column], settings: &Settings) -> String {
    let declarations: Vec<Declaration> = columns
        .iter()
        .filter_map(|column| {
            let explained = column.explained?;
            let (sign, rule) = rule_of_effect(explained.effect);
            Some(Declaration {
                attribute: column.attribute.clone(),
                models: column.models.clone(),
                scale: explained.scale,
                sign,
                rule,
            })
        })
        .collect();
    lines(&declarations, settings)
}

/// The section of a check; empty where all that is recorded is declared.
pub fn section(columns: &[Column], settings: &Settings, width: usize) -> String {
    if columns.is_empty() {
        return String::new();
    }
    let mut out = String::new();
    let title = "Recorded but not declared, so that estimates do not use it:";
    let _ = writeln!(out, "{}", wrap(title, width, ""));
    for column in columns {
        let says = match &column.explained {
            Some(explained) => format!(
                "would explain about {} of the spread ({})",
                percent(explained.share),
                step(explained)
            ),
            None => "explains nothing that can be told from chance".into(),
        };
        let line = format!(
            "{} in {}: {says}",
            column_name(&column.attribute),
            count(column.sales, "sale")
        );
        let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    }
    if any_helps(columns) {
        let says = format!(
            "Each share is of the variance of past misses, by that column alone. To use what helps, put these \
             lines into {FILE_NAME} (the rules go from nothing to twice what your sales show):"
        );
        let _ = writeln!(out, "{}\n", wrap(&says, width, ""));
        out.push_str(&settings_lines(columns, settings));
    }
    out
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

/// What the summary of an import says of undeclared attributes of its rows; empty where there is
/// none.
pub fn of_import(found: &BTreeMap<String, Undeclared>, settings: &Settings) -> String {
    if found.is_empty() {
        return String::new();
    }
    let mut named: Vec<String> = found
        .iter()
        .take(NAMED)
        .map(|(attribute, found)| {
            let rows = usize::try_from(found.rows).unwrap_or(usize::MAX);
            format!("{} ({})", column_name(attribute), count(rows, "row"))
        })
        .collect();
    if found.len() > NAMED {
        named.push(format!("and {} more", found.len() - NAMED));
    }
    let says = format!(
        "Kept, but not used in estimates until {FILE_NAME} declares it: {}. To declare what moves the price, put such \
         lines there:",
        named.join(", ")
    );
    let declarations: Vec<Declaration> = found
        .iter()
        .map(|(attribute, found)| declaration(attribute, found))
        .collect();
    format!(
        "{}\n\n{}\n`compband check` says how much each would explain.\n",
        fitted(&says, ""),
        lines(&declarations, settings),
    )
}

/// What may be declared of an attribute of which no more is known than its values.
fn declaration(attribute: &str, found: &Undeclared) -> Declaration {
    let ends = (found.range.0.to_f64(), found.range.1.to_f64());
    let (low, high) = (ends.0.unwrap_or(0.0), ends.1.unwrap_or(0.0));
    let (scale, rule) = if low > 0.0 {
        (Scale::Doubling, either_way(ALL_OF_IT))
    } else {
        (Scale::Unit, either_way(ALL_OF_IT / (high - low).max(1.0)))
    };
    Declaration {
        attribute: attribute.to_string(),
        models: found.models.clone(),
        scale,
        sign: Direction::Either,
        rule,
    }
}
