//! The unit of a command: the flags that describe it, and its estimate.

use chrono::NaiveDate;
use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};
use toml_edit::{DocumentMut, Value};

use super::{CliError, day_of, day_or_today, notice, parse_day};
use crate::app::Book;
use crate::app::describe::{Description, how_sold};
use crate::app::meant::{Kind, Meant, meant};
use crate::parse::dates::WrittenDate;
use crate::settings::Settings;
use crate::trade::comp::{PriceBasis, basis_word};

/// The unit by a name, with additional flags.
#[derive(Debug, Clone, Args)]
pub struct MeantArgs {
    /// The unit: a deal (d7), a watched unit by name, or a model; flags change what it is
    #[arg(value_name = "UNIT", conflicts_with = "model")]
    unit: Option<String>,
    #[command(flatten)]
    given: UnitArgs,
}

impl MeantArgs {
    /// Day of the estimate.
    pub fn day(&self, settings: &Settings) -> NaiveDate {
        self.given.day(settings)
    }

    /// The given day of the estimate.
    pub fn day_given(&self, settings: &Settings) -> Option<NaiveDate> {
        self.given.as_of.map(|day| day_of(day, settings))
    }

    /// The unit that is meant.
    ///
    /// # Errors
    /// If none is given, nothing has its name, or the book cannot be read.
    pub fn meant(&self, book: &Book) -> Result<Meant, CliError> {
        let besides = self.given.description(book.settings())?;
        match &self.unit {
            Some(word) => Ok(meant(book, word, besides, &mut notice)?),
            None if self.given.has_model() => Ok(Meant {
                kind: Kind::Model,
                description: besides,
            }),
            None => Err(CliError::usage(WHICH)),
        }
    }

    /// Whether a unit is given.
    pub fn is_given(&self) -> bool {
        self.unit.is_some() || self.given.has_model()
    }

    /// The unit that is meant, as a watched unit.
    ///
    /// # Errors
    /// Those of [`MeantArgs::meant`], and a given day: a watched unit is estimated as of each new day.
    pub fn watched(&self, book: &Book) -> Result<Description, CliError> {
        if self.given.as_of.is_some() {
            return Err(CliError::usage(
                "--as-of: a watched unit is estimated at each refresh; give the date to `compband refresh`",
            ));
        }
        Ok(self.meant(book)?.description)
    }
}

/// The error where no unit is given.
const WHICH: &str =
    "which unit? Give a deal (d7), the name of a watched unit, or a model, with --model or without";

/// The model of the unit that a word means, or the given model.
///
/// # Errors
/// If nothing has this name, or the book cannot be read.
pub fn model_of(
    book: &Book,
    word: Option<&str>,
    model: Option<&str>,
) -> Result<Option<String>, CliError> {
    let model = match word {
        Some(word) => Some(
            meant(book, word, Description::default(), &mut notice)?
                .description
                .model,
        ),
        None => model.map(String::from),
    };
    let words = &book.settings().words;
    Ok(model.map(|model| words.model(&model).to_string()))
}

/// The unit as it will be sold.
#[derive(Debug, Clone, Args)]
pub struct UnitArgs {
    /// Model of the unit (case and spacing do not matter)
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    #[command(flatten)]
    facts: FactArgs,
    /// Estimate as of this date: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<WrittenDate>,
    /// Chance that a sale falls in the range, in per cent [default: 80, unless set]
    #[arg(long, value_name = "PERCENT", value_parser = clap::value_parser!(u8).range(1..=99))]
    band: Option<u8>,
    /// Price with the shipping the buyer paid (delivered), or without (item) [default: delivered, unless set]
    #[arg(long, value_name = "BASIS", value_enum)]
    basis: Option<PriceBasis>,
    /// Use this sale even if it looks mistyped or odd (its id, or how the id begins)
    #[arg(long, value_name = "ID")]
    keep: Vec<String>,
    /// Do not use this sale (its id, or how the id begins)
    #[arg(long, value_name = "ID")]
    drop: Vec<String>,
    /// Add less similar sales until there are this many [default: 40, unless set]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    enough: Option<u32>,
    /// Look back this many days before adding still older sales [default: 365, unless set]
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    window: Option<u32>,
}

/// What a unit of some model is, as it will be sold.
#[derive(Debug, Clone, Args)]
pub struct FactArgs {
    /// Variant: colour, storage, revision
    #[arg(long, value_name = "VARIANT")]
    variant: Option<String>,
    /// How complete it is: bare, usable, full, boxed, sealed, or a level of your own scale
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Grade of wear: A, B, C, D, or a grade of your own scale
    #[arg(long, value_name = "GRADE")]
    grade: Option<String>,
    /// Pieces missing from that level, separated by commas ("charger, battery x2")
    #[arg(long, value_name = "PIECES")]
    missing: Vec<String>,
    /// Pieces beyond that level, separated by commas ("battery x2")
    #[arg(long, value_name = "THINGS")]
    extra: Vec<String>,
    /// Faults that do not stop it working, separated by commas
    #[arg(long, value_name = "FAULTS")]
    defect: Vec<String>,
    /// A number of the unit, such as storage=256 or "storage=256 GB"; repeat it for more
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// The unit does not work: for parts only
    #[arg(long)]
    parts: bool,
    /// How it will be sold: bid, fixed price or haggled
    #[arg(long, value_name = "HOW")]
    how_sold: Option<String>,
}

impl ValueEnum for PriceBasis {
    fn value_variants<'a>() -> &'a [Self] {
        &[Self::Delivered, Self::Item]
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(basis_word(*self)))
    }
}

impl UnitArgs {
    /// Day of the estimate.
    pub fn day(&self, settings: &Settings) -> NaiveDate {
        day_or_today(self.as_of, settings)
    }

    /// Whether a model is given, if that is optional.
    pub fn has_model(&self) -> bool {
        self.model
            .as_ref()
            .is_some_and(|model| !model.trim().is_empty())
    }

    /// Whether nothing is given except perhaps the day.
    pub fn is_blank(&self) -> bool {
        let model = self.model.as_deref().unwrap_or_default();
        let blank = Description {
            model: model.to_string(),
            ..Description::default()
        };
        let description = self.with(self.facts.without_how_sold(model));
        !self.has_model() && self.facts.how_sold.is_none() && description == blank
    }

    /// The description without the day.
    ///
    /// # Errors
    /// A way of selling that is not known.
    pub fn description(&self, settings: &Settings) -> Result<Description, CliError> {
        let model = self.model.as_deref().unwrap_or_default();
        Ok(self.with(self.facts.description(model, settings)?))
    }

    fn with(&self, facts: Description) -> Description {
        Description {
            band: self.band,
            basis: self.basis,
            keep: self.keep.clone(),
            drop: self.drop.clone(),
            enough: self.enough,
            window: self.window,
            ..facts
        }
    }
}

impl FactArgs {
    /// The given description of a unit of this model.
    ///
    /// # Errors
    /// A way of selling that is not known.
    pub fn description(&self, model: &str, settings: &Settings) -> Result<Description, CliError> {
        Ok(Description {
            how_sold: how_sold(self.how_sold.as_deref(), settings)?,
            ..self.without_how_sold(model)
        })
    }

    /// The description without the way of selling.
    fn without_how_sold(&self, model: &str) -> Description {
        Description {
            model: model.to_string(),
            variant: self.variant.clone(),
            completeness: self.completeness.clone(),
            grade: self.grade.clone(),
            missing: self.missing.clone(),
            extra: self.extra.clone(),
            defect: self.defect.clone(),
            set: self.set.clone(),
            parts: self.parts,
            ..Description::default()
        }
    }
}

/// The flags that describe a unit; their names are the keys of `watch.toml`.
pub fn flags(description: &Description) -> Vec<String> {
    let table = toml::to_string(description).ok();
    let table: DocumentMut = table.and_then(|text| text.parse().ok()).unwrap_or_default();
    let mut flags = Vec::new();
    for (key, item) in table.iter() {
        let flag = format!("--{}", key.replace('_', "-"));
        let mut add = |value: &Value| {
            flags.push(flag.clone());
            match value {
                Value::Boolean(_) => {}
                Value::String(text) => flags.push(text.value().clone()),
                other => flags.push(other.to_string().trim().to_string()),
            }
        };
        match item.as_value() {
            Some(Value::Array(several)) => several.iter().for_each(&mut add),
            Some(one) => add(one),
            None => {}
        }
    }
    flags
}
