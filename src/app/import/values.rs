//! Words of sheets whose meaning is given or asked for, and kept for later imports.

use std::cmp::Reverse;
use std::collections::HashSet;

use crate::app::AppError;
use crate::parse::words;
use crate::settings::Settings;
use crate::settings::words::{COLUMNS, Meaning};
use crate::sheets::header::Column;
use crate::sheets::import::Plan;
use crate::sheets::row::likely_level;
use crate::trade::names::match_key;
use crate::trade::near::KnownModels;
use crate::trade::text::{did_you_mean, shorten};
use crate::trade::{HowSold, Items};

use super::request::UnknownWord;

/// Most words that are asked for in one import.
const MOST_ASKED: usize = 50;

/// Most new models that are compared.
const COMPARED_MODELS: usize = 1_000;

/// Reads `grade:very good=B`: what a word means in a column; nothing after `=` leaves the cell blank.
///
/// # Errors
/// The expected text.
pub fn parse_value(text: &str) -> Result<Meaning, String> {
    let shape = || {
        format!("{text:?} has no meaning: write COLUMN:WORD=VALUE, such as \"grade:very good=B\"")
    };
    let (column, rest) = text.split_once(':').ok_or_else(shape)?;
    let (word, value) = rest.rsplit_once('=').ok_or_else(shape)?;
    let (column, word, value) = (column.trim(), word.trim(), value.trim());
    if word.is_empty() {
        return Err(shape());
    }
    let name = column.to_lowercase().replace([' ', '-'], "_");
    if !COLUMNS.contains(&name.as_str()) {
        let near = did_you_mean(&name, COLUMNS);
        return Err(format!(
            "{column:?} is not a column of words{near}: write one of {}",
            COLUMNS.join(", ")
        ));
    }
    Ok(Meaning {
        column: name,
        word: word.to_string(),
        value: value.to_string(),
    })
}

/// Checks that a value is one that its column takes.
pub(super) fn check(meaning: &Meaning, settings: &Settings) -> Result<(), AppError> {
    let Meaning {
        column,
        word,
        value,
    } = meaning;
    let known = match column.as_str() {
        _ if value.is_empty() && column != "model" => true,
        "grade" => settings.grade_index(value).is_some(),
        "completeness" => settings.completeness_index(value).is_some(),
        "how_sold" => words::how_sold(value).is_some(),
        "works" => words::works(value).is_some(),
        "pieces" => Items::parse(value).is_ok(),
        _ => !value.is_empty(),
    };
    if known {
        return Ok(());
    }
    let values = values_of(column, settings);
    let expected = if values.is_empty() {
        "a name".to_string()
    } else {
        format!("one of {}, or nothing", values.join(", "))
    };
    Err(AppError::Usage(format!(
        "--value \"{column}:{}={}\": expected {expected} after =",
        shorten(word, 40),
        shorten(value, 40)
    )))
}

/// The values that a column takes, if it takes only some.
fn values_of(column: &str, settings: &Settings) -> Vec<String> {
    let owned = |names: &mut dyn Iterator<Item = &str>| names.map(str::to_string).collect();
    match column {
        "grade" => owned(&mut settings.grade_names()),
        "completeness" => owned(&mut settings.completeness_names()),
        "how_sold" => owned(&mut HowSold::ALL.iter().map(|how| how.word())),
        "works" => owned(&mut ["yes", "no"].into_iter()),
        _ => Vec::new(),
    }
}

/// The words of a plan that are not known, most frequent first.
pub(super) fn unknown(plan: &Plan, settings: &Settings) -> Vec<UnknownWord> {
    let words = plan.troubles.iter().filter_map(|trouble| {
        let column = Column::ALL.get(trouble.word?).copied()?;
        let values = values_of(column.name(), settings);
        let names: Vec<&str> = values.iter().map(String::as_str).collect();
        let word = trouble.problem.value.clone();
        Some(UnknownWord {
            likely: likely_level(column, &word, &names).map(str::to_string),
            column,
            word,
            rows: trouble.rows,
            first: trouble.problem.row,
            values,
        })
    });
    words.take(MOST_ASKED).collect()
}

/// The new models of a plan that are probably another spelling of one of the book, or of a more frequent new one,
/// with that one.
pub(super) fn twins(plan: &Plan, book: &[String]) -> Vec<(String, String)> {
    let known = KnownModels::new(book.iter().map(String::as_str));
    let keys: HashSet<String> = book.iter().map(|model| match_key(model)).collect();
    // Thousands of new models are no typing errors.
    let new = plan.models.iter().take(COMPARED_MODELS);
    let mut new: Vec<(&str, u64)> = new
        .map(|(model, (rows, _))| (model.as_str(), *rows))
        .filter(|(model, _)| !keys.contains(&match_key(model)))
        .collect();
    new.sort_by_key(|(model, rows)| (Reverse(*rows), *model));
    // One spelling of each, the most frequent.
    let mut seen = HashSet::new();
    new.retain(|(model, _)| seen.insert(match_key(model)));
    let mut twins = Vec::new();
    for (at, (model, _)) in new.iter().enumerate() {
        let more = || KnownModels::new(new[..at].iter().map(|(name, _)| *name)).near(model);
        let near = known.near(model).map(str::to_string);
        let near = near.or_else(|| more().map(str::to_string));
        twins.extend(near.map(|near| ((*model).to_string(), near)));
    }
    twins
}

/// The same, to be asked for.
pub(super) fn unknown_models(plan: &Plan, book: &[String]) -> Vec<UnknownWord> {
    let twins = twins(plan, book).into_iter().take(MOST_ASKED);
    let asked = twins.map(|(model, near)| {
        let (rows, first) = plan.models.get(&model).copied().unwrap_or((1, 0));
        UnknownWord {
            column: Column::Model,
            word: model,
            rows,
            first,
            values: vec![near.clone()],
            likely: Some(near),
        }
    });
    asked.collect()
}
