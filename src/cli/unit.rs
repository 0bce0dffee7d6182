//! The unit that a command is about: the flags that describe it, and its estimate.

use crate::app::unit::AskedUnit;
use crate::app::unit::kit_fault;
use crate::trade::Unit;
use chrono::NaiveDate;
use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};

use super::{CliError, not_declared, notice, parse_day, today};
use crate::app::AppError;
use crate::app::attributes::read_attributes;
use crate::app::reader::{Asked, Reader};
use crate::book::BookError;
use crate::book::store::Book;
use crate::book::watch::Watched;
use crate::settings::Settings;
use crate::settings::of_scale;
use crate::trade::comp::PriceBasis;
use crate::trade::comp::basis_word;
use crate::trade::names;
use crate::trade::text::nearest;
use crate::trade::{Attributes, HowSold, Items};

/// The unit as it will be sold.
#[derive(Debug, Clone, Args)]
pub struct UnitArgs {
    /// Model of the unit (case and spacing do not matter)
    #[arg(long, value_name = "MODEL")]
    model: String,
    #[command(flatten)]
    facts: FactArgs,
    /// Day of the estimate: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<NaiveDate>,
    /// Chance of the band in per cent [default: the book's, 80]
    #[arg(long, value_name = "PERCENT", value_parser = clap::value_parser!(u8).range(1..=99))]
    band: Option<u8>,
    /// Which price is meant [default: the book's, delivered]
    #[arg(long, value_name = "BASIS", value_enum)]
    basis: Option<PriceBasis>,
    /// Use this comp whatever the tests say (an id or its beginning)
    #[arg(long, value_name = "ID")]
    keep: Vec<String>,
    /// Leave this comp out (an id or its beginning)
    #[arg(long, value_name = "ID")]
    drop: Vec<String>,
    /// Comps at which widening the search stops [default: the book's, 40]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    enough: Option<u32>,
    /// Days looked back on before the last widening step [default: the book's, 365]
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    window: Option<u32>,
}

/// What a unit of some model is, as it will be sold.
#[derive(Debug, Clone, Args)]
pub struct FactArgs {
    /// Variant: colour, storage, revision
    #[arg(long, value_name = "VARIANT")]
    variant: Option<String>,
    /// Completeness, a level of the book's scale (bare, usable, full, boxed, sealed)
    #[arg(long, value_name = "LEVEL")]
    completeness: Option<String>,
    /// Grade, a letter of the book's scale (A, B, C, D)
    #[arg(long, value_name = "GRADE")]
    grade: Option<String>,
    /// Pieces missing beyond that, apart by commas ("charger, battery x2")
    #[arg(long, value_name = "PIECES")]
    missing: Vec<String>,
    /// Things beyond that, apart by commas ("battery x2")
    #[arg(long, value_name = "THINGS")]
    extra: Vec<String>,
    /// Faults that do not stop it working, apart by commas
    #[arg(long, value_name = "FAULTS")]
    defect: Vec<String>,
    /// A numeric attribute, such as storage=256 or "storage=256 GB"; can be given several times
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// The unit does not work: for parts only
    #[arg(long)]
    parts: bool,
    /// How it will be sold
    #[arg(long, value_name = "HOW", value_enum)]
    how_sold: Option<HowSold>,
}

impl ValueEnum for HowSold {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(self.as_str()))
    }
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
    /// Reads what was said of the unit and brings out the comps of its model.
    ///
    /// # Errors
    /// Values that are not of the book's scales, and a book that cannot be read.
    pub fn read(&self, book: &Book) -> Result<AskedUnit<'_>, CliError> {
        let as_of = self.day();
        // What is wrong with the words is told before the book's past is gone through.
        let (settings, subject) = self.asked(book)?;
        let reader = Reader::new(book, as_of, [subject.model.as_str()], &mut notice)?;
        Ok(reader.unit(self.of_reader((settings, subject)))?)
    }

    /// Day of the estimate.
    pub fn day(&self) -> NaiveDate {
        self.as_of.unwrap_or_else(today)
    }

    /// The book's settings with what was said otherwise, and the unit.
    ///
    /// # Errors
    /// Values that are not of the book's scales.
    pub fn asked(&self, book: &Book) -> Result<(Settings, Unit), AppError> {
        let settings = self.settings(book.settings());
        let subject = self.facts.subject(&self.model, &settings)?;
        Ok((settings, subject))
    }

    /// What a reader of the book is asked.
    pub fn of_reader(&self, (settings, subject): (Settings, Unit)) -> Asked<'_> {
        Asked {
            settings,
            subject,
            keep: &self.keep,
            drop: &self.drop,
        }
    }

    /// What was said, to be watched.
    ///
    /// # Errors
    /// Where a day was given: what is watched is estimated as of every day anew.
    pub fn watched(&self) -> Result<Watched, CliError> {
        if self.as_of.is_some() {
            return Err(CliError::Usage(
                "--as-of: a watched unit is estimated as of the day of each refresh; give the day there".into(),
            ));
        }
        Ok(self.described())
    }

    /// Whether a model was said, where that is not needed.
    pub fn has_model(&self) -> bool {
        !self.model.trim().is_empty()
    }

    /// Whether nothing was said of the unit but perhaps the day.
    pub fn is_blank(&self) -> bool {
        self.described() == Watched::default()
    }

    /// What was said but the day.
    fn described(&self) -> Watched {
        let facts = &self.facts;
        Watched {
            model: self.model.trim().to_string(),
            variant: facts.variant.clone(),
            completeness: facts.completeness.clone(),
            grade: facts.grade.clone(),
            missing: facts.missing.clone(),
            extra: facts.extra.clone(),
            defect: facts.defect.clone(),
            set: facts.set.clone(),
            parts: facts.parts,
            how_sold: facts.how_sold,
            band: self.band,
            basis: self.basis,
            keep: self.keep.clone(),
            drop: self.drop.clone(),
            enough: self.enough,
            window: self.window,
        }
    }

    /// The flags that describe the unit, the day apart.
    pub fn flags(&self) -> Vec<String> {
        let facts = &self.facts;
        let one = |flag: &str, value: Option<String>| {
            value.map_or(Vec::new(), |value| vec![flag.to_string(), value])
        };
        let each = |flag: &str, values: &[String]| {
            let pairs = values.iter().map(|value| [flag.to_string(), value.clone()]);
            pairs.flatten().collect::<Vec<_>>()
        };
        let word = |value: Option<clap::builder::PossibleValue>| {
            value.map(|value| value.get_name().to_string())
        };
        let number = |value: Option<u32>| value.map(|number| number.to_string());
        [
            one("--model", Some(self.model.clone())),
            one("--variant", facts.variant.clone()),
            one("--completeness", facts.completeness.clone()),
            one("--grade", facts.grade.clone()),
            each("--missing", &facts.missing),
            each("--extra", &facts.extra),
            each("--defect", &facts.defect),
            each("--set", &facts.set),
            if facts.parts {
                vec!["--parts".into()]
            } else {
                Vec::new()
            },
            one(
                "--how-sold",
                word(facts.how_sold.and_then(|how| how.to_possible_value())),
            ),
            one("--band", number(self.band.map(u32::from))),
            one(
                "--basis",
                word(self.basis.and_then(|basis| basis.to_possible_value())),
            ),
            each("--keep", &self.keep),
            each("--drop", &self.drop),
            one("--enough", number(self.enough)),
            one("--window", number(self.window)),
        ]
        .concat()
    }

    /// The words in which a watched unit was described.
    pub fn of(watched: &Watched) -> Self {
        Self {
            model: watched.model.clone(),
            facts: FactArgs {
                variant: watched.variant.clone(),
                completeness: watched.completeness.clone(),
                grade: watched.grade.clone(),
                missing: watched.missing.clone(),
                extra: watched.extra.clone(),
                defect: watched.defect.clone(),
                set: watched.set.clone(),
                parts: watched.parts,
                how_sold: watched.how_sold,
            },
            as_of: None,
            band: watched.band,
            basis: watched.basis,
            keep: watched.keep.clone(),
            drop: watched.drop.clone(),
            enough: watched.enough,
            window: watched.window,
        }
    }

    /// The book's settings with what the command line overrules.
    fn settings(&self, settings: &Settings) -> Settings {
        let mut settings = settings.clone();
        let estimate = &mut settings.estimate;
        estimate.band = self.band.unwrap_or(estimate.band);
        estimate.enough = self.enough.map_or(estimate.enough, |n| n as usize);
        estimate.window_days = self.window.unwrap_or(estimate.window_days);
        settings.price_basis = self.basis.unwrap_or(settings.price_basis);
        settings
    }
}

impl FactArgs {
    /// The unit of a model that they describe.
    ///
    /// # Errors
    /// Values that are not of the book's scales.
    pub fn subject(&self, model: &str, settings: &Settings) -> Result<Unit, AppError> {
        let missing = items("--missing", &self.missing)?;
        if let Some(fault) = kit_fault(model, &missing, settings) {
            return Err(AppError::Refused {
                message: format!("--missing {fault}"),
                next: "say how many of those are missing, or mend the kit in compband.toml".into(),
            });
        }
        Ok(Unit {
            model: names::composed(model.trim()).into_owned(),
            variant: self
                .variant
                .as_deref()
                .map(str::trim)
                .filter(|v| !v.is_empty())
                .map(|v| names::composed(v).into_owned()),
            completeness: on_scale(
                "--completeness",
                self.completeness.as_deref(),
                settings.completeness_names(),
            )?,
            grade: on_scale("--grade", self.grade.as_deref(), settings.grade_names())?,
            missing,
            extras: items("--extra", &self.extra)?,
            defects: items("--defect", &self.defect)?,
            attributes: self.attributes(model, settings)?,
            works: !self.parts,
            how_sold: self.how_sold,
        })
    }

    fn attributes(&self, model: &str, settings: &Settings) -> Result<Attributes, AppError> {
        let mut problems = Vec::new();
        let attributes = read_attributes(&self.set, model, settings, &mut problems);
        if !problems.is_empty() {
            return Err(BookError::Rows(problems).into());
        }
        for (name, _) in attributes.iter() {
            if settings.attribute(model, name).is_none() {
                notice(&not_declared(name, model));
            }
        }
        Ok(attributes)
    }
}

/// A value of one of the book's scales in the scale's own spelling.
fn on_scale<'a>(
    flag: &str,
    given: Option<&str>,
    scale: impl Iterator<Item = &'a str> + Clone,
) -> Result<Option<String>, AppError> {
    let Some(given) = given else { return Ok(None) };
    if let Some((_, name)) = of_scale(scale.clone(), given) {
        return Ok(Some(name.to_string()));
    }
    let near = nearest(given, scale.clone())
        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
    let scale: Vec<&str> = scale.collect();
    Err(AppError::Refused {
        message: format!("{flag} {given:?} is not on the book's scale"),
        next: format!("{near}The scale is {} (compband.toml)", scale.join(", ")),
    })
}

fn items(flag: &str, given: &[String]) -> Result<Items, AppError> {
    Items::parse(&given.join(";").replace(',', ";")).map_err(|entry| AppError::Refused {
        message: format!("{flag} {entry:?} is not a thing or a count of it"),
        next: "write names apart by commas, with a count where there are several: \"charger, battery x2\"".into(),
    })
}
