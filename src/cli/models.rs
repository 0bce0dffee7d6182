//! `compband models`.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use chrono::NaiveDate;
use clap::Args;
use polars::prelude::*;

use crate::app::error::unknown_model;
use crate::book::Book;
use crate::cli::{CliError, count, empty_book, fitted, notice, print};
use crate::render::table::{Grid, Kind, terminal_width};
use crate::settings::Settings;
use crate::trade::Currency;
use crate::trade::comp::PriceBasis;
use crate::trade::money::{MINOR_SCALE, from_minor_units};
use crate::trade::names::match_key;

const EXAMPLES: &str = "\
Examples:
  compband models                     every model of the book
  compband models \"nerrow f4\"         one model (case and spacing ignored)";

/// Sum the book up by model: how many comps, since when, at what prices, in what state
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ModelsArgs {
    /// Only these models
    #[arg(value_name = "MODEL")]
    models: Vec<String>,
}

/// How many comps of a model have each word of a column, by model key.
type Counts = HashMap<String, Vec<(String, u32)>>;

/// Lists the models.
///
/// # Errors
/// Where the book cannot be read, a model does not exist, or output fails.
pub fn run(args: &ModelsArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let settings = book.settings();
    let Overview {
        spellings: names,
        grades,
        levels,
        mut models,
    } = overview(&book, &args.models)?;
    let names = spellings(&names);
    if models.is_empty() {
        return print(&empty_book());
    }
    let grade_names: Vec<&str> = settings.grades.iter().map(|g| g.name.as_str()).collect();
    let level_names: Vec<&str> = settings
        .completeness
        .iter()
        .map(|c| c.name.as_str())
        .collect();
    let mut sheet = Grid::ranked(&[
        ("model", Kind::Text, 0),
        ("comps", Kind::Number, 0),
        ("first", Kind::Fixed, 2),
        ("last", Kind::Fixed, 1),
        ("lowest", Kind::Number, 1),
        ("median", Kind::Number, 0),
        ("highest", Kind::Number, 1),
        ("for parts", Kind::Number, 3),
        ("grades", Kind::Text, 2),
        ("completeness", Kind::Text, 4),
    ]);
    models.sort_by(|a, b| b.comps.cmp(&a.comps).then_with(|| a.key.cmp(&b.key)));
    let total = models.len();
    for model in models {
        let price = |minor: Option<i64>| {
            minor.map_or(String::new(), |minor| {
                settings.currency.plain(from_minor_units(minor))
            })
        };
        sheet.push(vec![
            names.get(&model.key).cloned().unwrap_or_default(),
            model.comps.to_string(),
            day(model.first),
            day(model.last),
            price(model.lowest),
            model.median.map_or(String::new(), |median| {
                median_text(median, &settings.currency)
            }),
            price(model.highest),
            if model.parts == 0 {
                String::new()
            } else {
                model.parts.to_string()
            },
            listed(grades.get(&model.key), &grade_names),
            listed(levels.get(&model.key), &level_names),
        ]);
    }
    let basis = match settings.price_basis {
        PriceBasis::Delivered => "with shipping",
        PriceBasis::Item => "without shipping",
    };
    let head = format!(
        "{}; prices in {} {basis}, of single working units",
        count(total, "model"),
        settings.currency.code
    );
    print(&format!(
        "{}\n\n{}",
        fitted(&head, ""),
        sheet.render(terminal_width())
    ))
}

/// What is told of all models.
#[derive(Debug, Default)]
struct Overview {
    spellings: Counts,
    grades: Counts,
    levels: Counts,
    models: Vec<Summary>,
}

/// Of these models, or of all where none is named.
///
/// # Errors
/// Where the book cannot be read or a model does not exist.
fn overview(book: &Book, asked: &[String]) -> Result<Overview, CliError> {
    let settings = book.settings();
    if asked.is_empty() {
        let mut add = |all: &mut Overview, part| all.add(part, settings);
        return Ok(book.fold_models(&mut notice, &mut add)?);
    }
    let names = book.models()?;
    let mut known: HashMap<String, &str> = HashMap::new();
    for name in &names {
        known.entry(match_key(name)).or_insert(name);
    }
    let mut all = Overview::default();
    let mut taken: HashSet<String> = HashSet::new();
    for model in asked {
        let key = match_key(model);
        if !known.contains_key(&key) {
            return Err(unknown_model(model, known.into_values()).into());
        }
        if taken.insert(key) {
            all.add(book.frame_of_model(model, &mut notice)?, settings)?;
        }
    }
    Ok(all)
}

impl Overview {
    /// Takes in comps, all of their models.
    fn add(&mut self, comps: DataFrame, settings: &Settings) -> PolarsResult<()> {
        self.spellings.extend(counts(&comps, "model")?);
        self.grades.extend(counts(&comps, "grade")?);
        self.levels.extend(counts(&comps, "completeness")?);
        self.models.extend(summaries(comps, settings)?);
        Ok(())
    }
}

/// One model, as its comps have it; prices in minor units, of single working units.
#[derive(Debug)]
struct Summary {
    key: String,
    comps: u32,
    first: Option<i32>,
    last: Option<i32>,
    lowest: Option<i64>,
    median: Option<f64>,
    highest: Option<i64>,
    parts: u32,
}

fn summaries(frame: DataFrame, settings: &Settings) -> PolarsResult<Vec<Summary>> {
    let paid = match settings.price_basis {
        PriceBasis::Delivered => col("price_minor") + col("shipping_minor"),
        PriceBasis::Item => col("price_minor"),
    };
    let single = paid.filter(col("works").and(col("lot_size").eq(lit(1_i64))));
    let table = frame
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
    Ok((0..table.height())
        .map(|at| Summary {
            key: key.get(at).unwrap_or_default().to_string(),
            comps: comps.get(at).unwrap_or_default(),
            first: first.get(at),
            last: last.get(at),
            lowest: lowest.get(at),
            median: median.get(at),
            highest: highest.get(at),
            parts: parts.get(at).unwrap_or_default(),
        })
        .collect())
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

/// The commonest spelling of each model; of equally common ones, the first by the alphabet.
fn spellings(counts: &Counts) -> HashMap<String, String> {
    let commonest = |words: &Vec<(String, u32)>| {
        let best = words
            .iter()
            .max_by(|a, b| a.1.cmp(&b.1).then_with(|| b.0.cmp(&a.0)));
        best.map_or(String::new(), |(word, _)| word.clone())
    };
    counts
        .iter()
        .map(|(key, words)| (key.clone(), commonest(words)))
        .collect()
}

/// `A 3, B 5, not given 2` in the order of the scale.
fn listed(counts: Option<&Vec<(String, u32)>>, scale: &[&str]) -> String {
    let number = |name: &str| {
        counts?
            .iter()
            .find(|(word, _)| word == name)
            .map(|(_, number)| *number)
    };
    let named = scale
        .iter()
        .filter_map(|name| Some(format!("{name} {}", number(name)?)));
    named
        .chain(number("").map(|number| format!("not given {number}")))
        .collect::<Vec<_>>()
        .join(", ")
}

fn day(days: Option<i32>) -> String {
    days.and_then(NaiveDate::from_epoch_days)
        .map_or("–".into(), |day| day.to_string())
}

fn median_text(minor: f64, currency: &Currency) -> String {
    let amount = minor / 10_f64.powi(MINOR_SCALE as i32);
    currency
        .from_statistics(amount)
        .map_or(String::new(), |amount| currency.plain(amount))
}
