//! Recorded numeric attributes that no family declares: the variance that they would explain, and settings
//! that declare them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rust_decimal::prelude::ToPrimitive;

use super::past::Past;
use crate::band::undeclared::{Explained, Point, explained};
use crate::settings::Settings;
use crate::settings::declare::{self, Declaration, either_way, rule_of_effect};
use crate::sheets::import::Undeclared;
use crate::trade::attributes::{Direction, Scale};

/// Assumed effect on the price from the lowest to the highest value of a number, in either direction, per
/// cent.
const ALL_OF_IT: f64 = 30.0;

/// An undeclared attribute of past sales.
#[derive(Debug)]
pub struct Column {
    /// Its name.
    pub attribute: String,
    /// Number of sales with it.
    pub sales: usize,
    /// Their models.
    pub models: BTreeSet<String>,
    /// Its explained share of the errors, if significant.
    pub explained: Option<Explained>,
}

/// The undeclared attributes of past sales, by descending explained share.
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

/// Whether a declaration of one of them would help.
pub fn any_helps(columns: &[Column]) -> bool {
    columns.iter().any(|column| column.explained.is_some())
}

/// The settings that declare the helpful ones; empty if there is none.
pub fn settings_lines(columns: &[Column], settings: &Settings) -> String {
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
    declare::lines(&declarations, settings)
}

/// Settings that declare attributes of imported rows, of which only the values are known.
pub fn lines_of_rows(found: &BTreeMap<String, Undeclared>, settings: &Settings) -> String {
    let declarations: Vec<Declaration> = found
        .iter()
        .map(|(attribute, found)| declaration(attribute, found))
        .collect();
    declare::lines(&declarations, settings)
}

/// A declaration of an attribute from its values alone.
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
