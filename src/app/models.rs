//! Summary of the models of a book.

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use polars::prelude::*;

use super::AppError;
use super::error::unknown_model;
use crate::book::Book;
use crate::settings::Settings;
use crate::trade::comp::PriceBasis;
use crate::trade::names::match_key;

/// Number of comps for each word of a column, by model key.
type Counts = HashMap<String, Vec<(String, u32)>>;

/// Summary of one model; prices are of single working units, in minor units.
#[derive(Debug)]
pub struct Model {
    /// Key of its name.
    key: String,
    /// The commonest spelling of its name, or the first in alphabetical order of equally common ones.
    pub name: String,
    /// Number of comps.
    pub comps: u32,
    /// Day of the first sale.
    pub first: Option<NaiveDate>,
    /// Day of the last sale.
    pub last: Option<NaiveDate>,
    /// Lowest price.
    pub lowest: Option<i64>,
    /// Median price.
    pub median: Option<f64>,
    /// Highest price.
    pub highest: Option<i64>,
    /// Number of comps of units for parts.
    pub parts: u32,
    /// Number of comps for each grade; an empty name for no grade.
    pub grades: Vec<(String, u32)>,
    /// Number of comps for each level of completeness; an empty name for no level.
    pub levels: Vec<(String, u32)>,
}

/// Sums up these models, or all if none is named; models with most comps come first.
///
/// # Errors
/// If the book cannot be read, or a model does not exist.
pub fn models(
    book: &Book,
    asked: &[String],
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Model>, AppError> {
    let settings = book.settings();
    let mut all = if asked.is_empty() {
        let mut add = |all: &mut Vec<Model>, part| {
            all.extend(summaries(part, settings)?);
            Ok(())
        };
        book.fold_models(notice, &mut add)?
    } else {
        let mut all = Vec::new();
        for model in known(book, asked)? {
            all.extend(summaries(book.frame_of_model(model, notice)?, settings)?);
        }
        all
    };
    all.sort_by(|a, b| b.comps.cmp(&a.comps).then_with(|| a.key.cmp(&b.key)));
    Ok(all)
}

/// The requested models without repetitions.
fn known<'a>(book: &'a Book, asked: &'a [String]) -> Result<Vec<&'a str>, AppError> {
    let names = book.models()?;
    let mut known: HashMap<String, &str> = HashMap::new();
    for name in &names {
        known.entry(match_key(name)).or_insert(name);
    }
    let mut taken: HashSet<String> = HashSet::new();
    let mut models = Vec::new();
    for model in asked {
        let model = book.settings().words.model(model);
        let key = match_key(model);
        if !known.contains_key(&key) {
            return Err(unknown_model(model, known.into_values()));
        }
        if taken.insert(key) {
            models.push(model);
        }
    }
    Ok(models)
}

/// Sums up comps that include all those of their models.
fn summaries(comps: DataFrame, settings: &Settings) -> PolarsResult<Vec<Model>> {
    let mut names = counts(&comps, "model")?;
    let mut grades = counts(&comps, "grade")?;
    let mut levels = counts(&comps, "completeness")?;
    let paid = match settings.price_basis {
        PriceBasis::Delivered => col("price_minor") + col("shipping_minor"),
        PriceBasis::Item => col("price_minor"),
    };
    let single = paid.filter(col("works").and(col("lot_size").eq(lit(1_i64))));
    let table = comps
        .lazy()
        .group_by([col("model_key")])
        .agg([
            len().cast(DataType::UInt32).alias("comps"),
            col("sold_on").min().alias("first"),
            col("sold_on").max().alias("last"),
            single.clone().min().alias("lowest"),
            single.clone().median().alias("median"),
            single.max().alias("highest"),
            col("works")
                .not()
                .sum()
                .cast(DataType::UInt32)
                .alias("parts"),
        ])
        .collect()?;
    let key = table.column("model_key")?.str()?;
    let (comps, parts) = (table.column("comps")?.u32()?, table.column("parts")?.u32()?);
    let (first, last) = (table.column("first")?.i32()?, table.column("last")?.i32()?);
    let (lowest, highest) = (
        table.column("lowest")?.i64()?,
        table.column("highest")?.i64()?,
    );
    let median = table.column("median")?.f64()?;
    let day = |days: Option<i32>| days.and_then(NaiveDate::from_epoch_days);
    let model = |at| {
        let key = key.get(at).unwrap_or_default();
        Model {
            name: commonest(names.remove(key).unwrap_or_default()),
            comps: comps.get(at).unwrap_or_default(),
            first: day(first.get(at)),
            last: day(last.get(at)),
            lowest: lowest.get(at),
            median: median.get(at),
            highest: highest.get(at),
            parts: parts.get(at).unwrap_or_default(),
            grades: grades.remove(key).unwrap_or_default(),
            levels: levels.remove(key).unwrap_or_default(),
            key: key.to_string(),
        }
    };
    Ok((0..table.height()).map(model).collect())
}

fn counts(frame: &DataFrame, column: &str) -> PolarsResult<Counts> {
    let table = frame
        .clone()
        .lazy()
        .group_by([col("model_key"), col(column)])
        .agg([len().cast(DataType::UInt32).alias("comps")])
        .collect()?;
    let keys = table.column("model_key")?.str()?;
    let words = table.column(column)?.str()?;
    let numbers = table.column("comps")?.u32()?;
    let mut counts = Counts::new();
    for at in 0..table.height() {
        let (Some(key), Some(word), Some(number)) = (keys.get(at), words.get(at), numbers.get(at))
        else {
            continue;
        };
        counts
            .entry(key.to_string())
            .or_default()
            .push((word.to_string(), number));
    }
    Ok(counts)
}

/// The commonest word, or the first in alphabetical order of equally common ones.
fn commonest(words: Vec<(String, u32)>) -> String {
    let by_count = |a: &(String, u32), b: &(String, u32)| a.1.cmp(&b.1).then_with(|| b.0.cmp(&a.0));
    let best = words.into_iter().max_by(by_count);
    best.map_or(String::new(), |(word, _)| word)
}
