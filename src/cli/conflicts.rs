//! Rules of thumb that the sales of a book contradict, for `compband check`.

use std::collections::HashSet;
use std::fmt::Write;

use chrono::NaiveDate;
use polars::prelude::{BooleanChunked, DataFrame};
use rust_decimal::prelude::{Decimal, ToPrimitive};

use super::{CliError, count};
use crate::app::parallel::in_parallel;
use crate::app::related::by_comps;
use crate::band::conflict::{self, Conflict, Heard};
use crate::band::related::MOST_COMPS;
use crate::book::store::Book;
use crate::render::document::check as document;
use crate::render::sheet::wrap;
use crate::select::Subject;
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select_each};
use crate::settings::statement::{Section, sections, text};
use crate::settings::{FILE_NAME, Settings};
use crate::trade::range::RangeUnit;

/// Models that are heard at most, those with most sales: each takes a fit.
const MOST_MODELS: u32 = 200;

/// Models named of one rule.
const NAMED: usize = 4;

/// The rules that the sales of a book contradict, or those of one model. Each model is heard by its
/// newest working single units, of all times.
///
/// # Errors
/// Where the book cannot be read.
pub fn of_book(book: &Book, model: Option<&str>) -> Result<Vec<Conflict>, CliError> {
    let settings = book.settings();
    // What is to be noticed of the book was said when the past was read.
    let comps = match model {
        Some(model) => book.frame_among(model, 0, &|_| false, &mut |_| {})?.0,
        None => most_sold(&book.frame(&mut |_| {})?)?,
    };
    let days = comps.column("sold_on")?.i32()?;
    let newest = days.iter().flatten().max();
    let query = Query {
        subject: &Subject::blank(""),
        // Of a unit of which nothing is said, pieces tell nothing.
        wording: Wording::of("", settings),
        as_of: newest
            .and_then(NaiveDate::from_epoch_days)
            .unwrap_or_default(),
        window_days: u32::MAX,
        basis: settings.price_basis,
        most: MOST_COMPS,
    };
    let selections: Vec<_> = select_each(&comps, &query)?.into_values().collect();
    let heard = in_parallel(&selections, |selection| {
        Ok(conflict::of_model(selection.clone(), settings))
    })?;
    let mut heard: Vec<Heard> = heard.into_iter().flatten().collect();
    heard.sort_by(|a, b| (&a.model, &a.label).cmp(&(&b.model, &b.label)));
    Ok(conflict::conflicts(&heard))
}

/// The comps of the models that have most.
fn most_sold(comps: &DataFrame) -> Result<DataFrame, CliError> {
    let counts = by_comps(comps).limit(MOST_MODELS).collect()?;
    let chosen: HashSet<&str> = counts
        .column("model_key")?
        .str()?
        .iter()
        .flatten()
        .collect();
    let keys = comps.column("model_key")?.str()?;
    let mask: BooleanChunked = keys
        .iter()
        .map(|key| Some(key.is_some_and(|key| chosen.contains(key))))
        .collect();
    Ok(comps.filter(&mask)?)
}

/// What the settings are to say instead.
fn instead(conflicts: &[Conflict], settings: &Settings) -> Vec<Section> {
    let statements: Vec<_> = conflicts.iter().map(|c| c.instead.clone()).collect();
    sections(&statements, settings)
}

/// The section of a check; empty where no rule is contradicted.
pub fn section(conflicts: &[Conflict], settings: &Settings, width: usize) -> String {
    if conflicts.is_empty() {
        return String::new();
    }
    let code = &settings.currency.code;
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{}",
        wrap("Rules that your sales contradict:", width, "")
    );
    for conflict in conflicts {
        let against = &conflict.heard[..conflict.against];
        let says = match against {
            [one] => format!(
                "{}: your {} of {} put it at {}; {}",
                conflict.label,
                count(one.sales, "sale"),
                one.model,
                one.said().text(code),
                conflict.rule_words(code)
            ),
            several => {
                let named = several.iter().take(NAMED);
                let named: Vec<String> = named
                    .map(|one| format!("{} at {}", one.model, one.said().text(code)))
                    .collect();
                let more = if several.len() > NAMED { ", …" } else { "" };
                let sales = several.iter().map(|one| one.sales).sum();
                format!(
                    "{}: your {} put it elsewhere for {} ({}{more}); {}",
                    conflict.label,
                    count(sales, "sale"),
                    count(several.len(), "model"),
                    named.join(", "),
                    conflict.rule_words(code)
                )
            }
        };
        let _ = writeln!(out, "{}", wrap(&format!("{says}."), width, "  "));
    }
    let says = format!(
        "Estimates go by such sales already; a right rule helps where sales are few. To change the rules, write \
         into {FILE_NAME}, each line under its heading and in place of one for the same:"
    );
    let _ = writeln!(out, "{}\n", wrap(&says, width, ""));
    out.push_str(&text(&instead(conflicts, settings)));
    out
}

/// The same as part of a document.
pub fn document<'a>(conflicts: &'a [Conflict], settings: &Settings) -> document::Contradicted<'a> {
    let float = |end: Decimal| end.to_f64().unwrap_or(f64::NAN);
    let model = |one: &'a Heard| {
        let said = one.said();
        document::Model {
            model: &one.model,
            what: &one.label,
            sales: one.sales,
            informed_by: one.informed_by,
            low: float(said.low),
            high: float(said.high),
            chance: one.chance(),
        }
    };
    let each = |conflict: &'a Conflict| {
        let (under, line) = conflict.instead.line(settings);
        document::Rule {
            what: &conflict.label,
            stated: conflict.rule.stated,
            unit: match conflict.said.unit {
                RangeUnit::Percent => "percent",
                RangeUnit::Money => "money",
            },
            low: float(conflict.said.low),
            high: float(conflict.said.high),
            models: conflict.heard[..conflict.against]
                .iter()
                .map(model)
                .collect(),
            under,
            line,
        }
    };
    let sections = instead(conflicts, settings);
    document::Contradicted {
        rules: conflicts.iter().map(each).collect(),
        settings: (!sections.is_empty()).then(|| text(&sections)),
    }
}
