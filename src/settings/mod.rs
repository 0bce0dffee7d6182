//! The settings of a book: `compband.toml`. Every value is optional.

pub mod declare;
pub mod rule;
pub mod selling;

use crate::trade::comp::PriceBasis;
use crate::trade::range::Range;
use crate::trade::range::RangeUnit;
use crate::trade::text::nearest;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rust_decimal::Decimal;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::trade::attributes::{Attribute, Direction, attribute_key, is_name};
use crate::trade::items::fold_name;
use crate::trade::names;
use crate::trade::names::match_key;
use crate::trade::{Currency, Items};
use selling::{DealSettings, Outlet, Shipping};

/// Name of the settings file; a folder that has one is a book.
pub const FILE_NAME: &str = "compband.toml";

/// The settings file that `init` writes: every value with its default, commented.
pub const TEMPLATE: &str = include_str!("../../data/compband.toml");

/// What is wrong with a file of settings: its path, where in it, and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct SettingsError(pub String);

/// All settings of a book.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Currency of every amount in the book.
    #[serde(deserialize_with = "currency")]
    pub currency: Currency,
    /// A rate in `rates.csv` serves sales of its day and of so many days after.
    pub rate_days: u32,
    /// Which price the estimate speaks of.
    pub price_basis: PriceBasis,
    /// Grades, best first.
    pub grades: Vec<Grade>,
    /// Completeness levels, least first.
    pub completeness: Vec<Completeness>,
    /// How an estimate is made.
    pub estimate: EstimateSettings,
    /// Rules of thumb.
    pub rules: Rules,
    /// What ships with a model, by model name.
    pub kits: BTreeMap<String, Kit>,
    /// Families of models whose numeric attributes matter, by name.
    pub families: BTreeMap<String, Family>,
    /// Where units are sold and what that costs, by name.
    pub outlets: BTreeMap<String, Outlet>,
    /// What sending costs.
    pub shipping: Shipping,
    /// What a purchase must promise.
    pub deal: DealSettings,
    /// Saved column mappings of imports: name → (their column → our column).
    pub mappings: BTreeMap<String, BTreeMap<String, String>>,
}

/// One grade of wear.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grade {
    /// The letter (or word) written in the comps.
    pub name: String,
    /// What it means, for tables and prompts.
    #[serde(default)]
    pub means: String,
}

/// One level of completeness.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Completeness {
    /// The word written in the comps.
    pub name: String,
    /// Which pieces of the model's kit it stands for.
    pub has: Has,
    /// What it means, for tables and prompts.
    #[serde(default)]
    pub means: String,
}

/// What a completeness level includes, each step with all of those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Has {
    /// The main unit alone.
    Unit,
    /// The pieces needed to use it.
    Usable,
    /// Every piece of the kit.
    Kit,
    /// The packaging too.
    Packaging,
    /// And never opened.
    Seal,
}

/// A model's kit.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Kit {
    /// Everything that ships with the main unit, packaging apart.
    #[serde(deserialize_with = "items", serialize_with = "as_text")]
    pub ships_with: Items,
    /// Those of them without which it cannot be used.
    #[serde(deserialize_with = "items", serialize_with = "as_text")]
    pub usable_needs: Items,
    /// Rules of thumb for a missing piece of this model, by piece.
    pub missing: BTreeMap<String, Range>,
    /// A rule of thumb for the price of a working unit in the middle grade, complete without
    /// packaging, in money: the estimate that stands in until there are comps.
    pub price: Option<Range>,
}

/// A family of models.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Family {
    /// The models that belong to it (case and spacing ignored).
    pub models: Vec<String>,
    /// Numeric attributes that matter to their prices, by name.
    pub attributes: BTreeMap<String, Attribute>,
}

/// How an estimate is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct EstimateSettings {
    /// Chance of the band, in per cent.
    pub band: u8,
    /// Comps at which widening the search stops.
    pub enough: usize,
    /// Days a sale is looked back on before the last widening step.
    pub window_days: u32,
    /// Days after which a sale weighs half.
    pub half_life_days: f64,
    /// How often in a year the prices of a model step up or down at once; 0 for never.
    pub steps_per_year: f64,
    /// Most comps a fit takes, newest first.
    pub most_comps: usize,
    /// How the errors are modelled.
    pub errors: Errors,
    /// Heavy tails have half these degrees of freedom, and are weighed against normal ones.
    pub nu: f64,
    /// Read so that older books open; has no effect since mistyped prices are found by their
    /// probability ([`crate::fit::posterior`]).
    pub fence: f64,
    /// Likewise.
    pub modified_z: f64,
    /// Prior guess of the residual spread, as a share of the price.
    pub spread: f64,
    /// The same for parts-only units, which vary more.
    pub parts_spread: f64,
    /// How many comps these guesses are worth.
    pub spread_worth: f64,
    /// The newest comp older than this many days brings a warning.
    pub stale_days: u32,
    /// Which other models the adjustments of a model lean on.
    pub pool: PoolFrom,
}

/// Which other models the adjustments of a model lean on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PoolFrom {
    /// All of the book.
    Book,
    /// Those of the same declared family.
    Family,
    /// None: each model stands alone.
    None,
}

/// How the errors of the fit are modelled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Errors {
    /// Student-t with `nu` degrees of freedom.
    StudentT,
    /// Huber's loss, k = 1.345.
    Huber,
    /// Tukey's biweight, c = 4.685.
    Tukey,
    /// Normal errors.
    LeastSquares,
}

/// Rules of thumb: what holds until the comps say otherwise.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rules {
    /// What one step down in grade takes off: `"A to B"`, or `any`.
    pub grades: BTreeMap<String, Range>,
    /// What one step up in completeness adds, where a model has no kit: `"bare to usable"`, or `any`.
    pub completeness: BTreeMap<String, Range>,
    /// What a missing piece takes off, by piece, or `any`. `packaging` is the box.
    pub missing: BTreeMap<String, Range>,
    /// What one extra adds, by extra, or `any`. `seal` is a unit never opened.
    pub extras: BTreeMap<String, Range>,
    /// What a defect takes off, by defect, or `any`.
    pub defects: BTreeMap<String, Range>,
    /// What selling by `auction` or by `offer` changes against a fixed price.
    pub how_sold: BTreeMap<String, Range>,
    /// Change of price in a month.
    pub trend_per_month: Range,
    /// Difference between variants of one model.
    pub variant: Range,
    /// Price of a parts-only unit as a share of a working one.
    pub parts_only: Range,
}

/// The place of a name on a scale and how the scale spells it; case ignored.
pub fn of_scale<'a>(scale: impl Iterator<Item = &'a str>, name: &str) -> Option<(usize, &'a str)> {
    scale
        .enumerate()
        .find(|(_, known)| names::same(known, name))
}

fn currency<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Currency, D::Error> {
    let text = String::deserialize(deserializer)?;
    Currency::parse(&text).map_err(|text| {
        serde::de::Error::custom(format!(
            "{text:?} is not a currency code: write its three letters, such as \"EUR\""
        ))
    })
}

fn as_text<S: Serializer>(value: &Items, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(value)
}

fn items<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Items, D::Error> {
    let names = Vec::<String>::deserialize(deserializer)?;
    Items::parse(&names.join(";")).map_err(|entry| {
        serde::de::Error::custom(format!(
            "{entry:?} is not a piece: write a name, or a name and a count as \"battery x2\""
        ))
    })
}

impl Default for Settings {
    fn default() -> Self {
        let grade = |name: &str, means: &str| Grade {
            name: name.into(),
            means: means.into(),
        };
        let level = |name: &str, has, means: &str| Completeness {
            name: name.into(),
            has,
            means: means.into(),
        };
        Self {
            currency: Currency { code: "EUR".into() },
            rate_days: 7,
            price_basis: PriceBasis::Delivered,
            grades: vec![
                grade("A", "no visible wear"),
                grade("B", "light marks"),
                grade("C", "obvious wear: scratches, a dent"),
                grade("D", "heavy damage, works"),
            ],
            completeness: vec![
                level("bare", Has::Unit, "main unit alone"),
                level("usable", Has::Usable, "with what is needed to use it"),
                level("full", Has::Kit, "all that shipped with it"),
                level("boxed", Has::Packaging, "full, with its packaging"),
                level("sealed", Has::Seal, "never opened"),
            ],
            estimate: EstimateSettings::default(),
            rules: Rules::default(),
            kits: BTreeMap::new(),
            families: BTreeMap::new(),
            outlets: BTreeMap::new(),
            shipping: Shipping::default(),
            deal: DealSettings::default(),
            mappings: BTreeMap::new(),
        }
    }
}

impl Default for EstimateSettings {
    fn default() -> Self {
        Self {
            band: 80,
            enough: 40,
            window_days: 365,
            half_life_days: 120.0,
            steps_per_year: 0.2,
            most_comps: 2000,
            errors: Errors::StudentT,
            nu: 4.0,
            fence: 3.0,
            modified_z: 5.0,
            spread: 0.15,
            parts_spread: 0.35,
            spread_worth: 1.0,
            stale_days: 60,
            pool: PoolFrom::Book,
        }
    }
}

impl Default for Rules {
    fn default() -> Self {
        let map = |entries: &[(&str, i64, i64)]| {
            entries
                .iter()
                .map(|(name, low, high)| ((*name).to_string(), Range::percent(*low, *high)))
                .collect()
        };
        Self {
            grades: map(&[("any", 2, 20)]),
            completeness: map(&[("any", 2, 18)]),
            missing: map(&[("any", 1, 15), ("packaging", 0, 10)]),
            extras: map(&[("any", 0, 15), ("seal", 2, 25)]),
            defects: map(&[("any", 3, 30)]),
            how_sold: map(&[("auction", -12, 4), ("offer", -10, 2)]),
            trend_per_month: Range::percent(-3, 1),
            variant: Range::percent(-20, 25),
            parts_only: Range::percent(15, 45),
        }
    }
}

/// The rule for `name`: the user's own, then the default for that very name, then the user's
/// `any`, then the default `any`.
fn lookup(
    table: &BTreeMap<String, Range>,
    defaults: &BTreeMap<String, Range>,
    name: &str,
) -> Range {
    let folded = fold_name(name);
    let find = |table: &BTreeMap<String, Range>, name: &str| {
        table
            .iter()
            .find(|(key, _)| fold_name(key) == name)
            .map(|(_, range)| *range)
    };
    find(table, &folded)
        .or_else(|| find(defaults, &folded))
        .or_else(|| find(table, "any"))
        .or_else(|| find(defaults, "any"))
        .unwrap_or(Range::percent(-10, 10))
}

impl Rules {
    /// What the step `"A to B"` takes off.
    pub fn grade_step(&self, step: &str, defaults: &Self) -> Range {
        lookup(&self.grades, &defaults.grades, step)
    }

    /// What the step `"bare to usable"` adds.
    pub fn completeness_step(&self, step: &str, defaults: &Self) -> Range {
        lookup(&self.completeness, &defaults.completeness, step)
    }

    /// What a missing piece takes off: the kit's own rule, else the general one.
    pub fn missing_piece(&self, piece: &str, kit: Option<&Kit>, defaults: &Self) -> Range {
        let own = kit.and_then(|kit| {
            kit.missing
                .iter()
                .find(|(name, _)| fold_name(name) == fold_name(piece))
        });
        own.map_or_else(
            || lookup(&self.missing, &defaults.missing, piece),
            |(_, range)| *range,
        )
    }

    /// What an extra adds.
    pub fn extra(&self, extra: &str, defaults: &Self) -> Range {
        lookup(&self.extras, &defaults.extras, extra)
    }

    /// What a defect takes off.
    pub fn defect(&self, defect: &str, defaults: &Self) -> Range {
        lookup(&self.defects, &defaults.defects, defect)
    }

    /// What selling by `auction` or `offer` changes.
    pub fn sold(&self, how: &str, defaults: &Self) -> Range {
        lookup(&self.how_sold, &defaults.how_sold, how)
    }
}

/// Reads TOML text; `path` is named in errors.
///
/// # Errors
/// As [`Settings::parse`].
pub(crate) fn read_toml<T: DeserializeOwned>(text: &str, path: &Path) -> Result<T, SettingsError> {
    toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(String::new(), |span| {
            let line = text[..span.start.min(text.len())].matches('\n').count() + 1;
            format!(", line {line}")
        });
        let mut message = error.message().trim().replace('\n', " ");
        if let Some(better) = unknown_key(&message) {
            message = better;
        } else {
            message = unknown_word(&message).unwrap_or(message);
            let key = error.span().and_then(|span| key_before(text, span.start));
            if let Some(key) = key {
                message = format!("{key}: {message}");
            }
        }
        SettingsError(format!("{}{line}: {message}", path.display()))
    })
}

impl Settings {
    /// Reads settings from TOML text; `path` is named in errors.
    ///
    /// # Errors
    /// [`SettingsError`] with line, key, what was expected and, for an unknown key, the
    /// nearest known one.
    pub fn parse(text: &str, path: &Path) -> Result<Self, SettingsError> {
        let settings: Self = read_toml(text, path)?;
        settings
            .validate()
            .map_err(|why| SettingsError(format!("{}: {why}", path.display())))?;
        Ok(settings)
    }

    /// Position of a grade in the scale, best first; case ignored.
    pub fn grade_index(&self, name: &str) -> Option<usize> {
        of_scale(self.grade_names(), name).map(|(at, _)| at)
    }

    /// Names of the grades, best first.
    pub fn grade_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.grades.iter().map(|grade| grade.name.as_str())
    }

    /// Position of a completeness level in the scale, least first; case ignored.
    pub fn completeness_index(&self, name: &str) -> Option<usize> {
        of_scale(self.completeness_names(), name).map(|(at, _)| at)
    }

    /// Names of the completeness levels, least first.
    pub fn completeness_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.completeness.iter().map(|level| level.name.as_str())
    }

    /// The kit of a model (case and spacing of the name ignored), where the settings have one.
    pub fn kit(&self, model: &str) -> Option<&Kit> {
        let key = match_key(model);
        self.kits
            .iter()
            .find(|(name, _)| match_key(name) == key)
            .map(|(_, kit)| kit)
    }

    /// Name of the family that a model is in, where it is in one (case and spacing ignored).
    pub fn family(&self, model: &str) -> Option<&str> {
        let key = match_key(model);
        let has = |family: &Family| family.models.iter().any(|name| match_key(name) == key);
        let mut families = self.families.iter();
        families.find_map(|(name, family)| has(family).then_some(name.as_str()))
    }

    /// The numeric attributes of a model, by name; none where no family has it.
    pub fn attributes(&self, model: &str) -> impl Iterator<Item = (&str, &Attribute)> {
        let key = match_key(model);
        self.families
            .values()
            .filter(move |family| family.models.iter().any(|name| match_key(name) == key))
            .flat_map(|family| &family.attributes)
            .map(|(name, attribute)| (name.as_str(), attribute))
    }

    /// What the settings say of one numeric attribute of a model.
    pub fn attribute(&self, model: &str, name: &str) -> Option<&Attribute> {
        let key = attribute_key(name);
        self.attributes(model)
            .find(|(known, _)| attribute_key(known) == key)
            .map(|(_, attribute)| attribute)
    }

    fn validate(&self) -> Result<(), String> {
        let scale = |what: &str, names: Vec<&str>| -> Result<(), String> {
            if names.is_empty() {
                return Err(format!(
                    "{what}: the scale is empty; leave the key out for the default"
                ));
            }
            for (at, name) in names.iter().enumerate() {
                if name.trim().is_empty() || *name != name.trim() {
                    return Err(format!("{what}: {name:?} is not a name"));
                }
                if names[..at].iter().any(|other| names::same(other, name)) {
                    return Err(format!("{what}: {name:?} stands twice in the scale"));
                }
            }
            Ok(())
        };
        scale("grades", self.grade_names().collect())?;
        scale("completeness", self.completeness_names().collect())?;
        if self
            .completeness
            .windows(2)
            .any(|pair| pair[0].has >= pair[1].has)
        {
            return Err("completeness: the levels go from least to most, so each must have more than the one before \
                        (unit, usable, kit, packaging, seal)"
                .into());
        }
        let e = &self.estimate;
        let within = |name: &str, ok: bool, expected: &str| {
            if ok {
                Ok(())
            } else {
                Err(format!("estimate.{name}: expected {expected}"))
            }
        };
        within(
            "band",
            (1..=99).contains(&e.band),
            "a whole number from 1 to 99 (per cent)",
        )?;
        within("enough", e.enough >= 1, "at least 1")?;
        within(
            "most_comps",
            (30..=20_000).contains(&e.most_comps),
            "from 30 to 20000",
        )?;
        within("window_days", e.window_days >= 1, "at least 1")?;
        within(
            "half_life_days",
            e.half_life_days > 0.0,
            "a number above 0 (inf: all sales weigh the same)",
        )?;
        within(
            "nu",
            e.nu >= 1.0,
            "a number of at least 1 (inf: normal errors)",
        )?;
        within("fence", e.fence > 0.0, "a number above 0")?;
        within("modified_z", e.modified_z > 0.0, "a number above 0")?;
        within(
            "steps_per_year",
            (0.0..=12.0).contains(&e.steps_per_year),
            "a number from 0 to 12",
        )?;
        within(
            "spread",
            e.spread > 0.0 && e.spread < 2.0,
            "a number above 0 and below 2",
        )?;
        within(
            "parts_spread",
            e.parts_spread > 0.0 && e.parts_spread < 2.0,
            "a number above 0 and below 2",
        )?;
        within(
            "spread_worth",
            e.spread_worth > 0.0 && e.spread_worth.is_finite(),
            "a number above 0",
        )?;
        self.validate_families()?;
        selling::validate(&self.outlets, &self.shipping, &self.deal)?;
        self.validate_rules()
    }

    fn validate_families(&self) -> Result<(), String> {
        let mut seen: BTreeMap<String, &str> = BTreeMap::new();
        for (name, family) in &self.families {
            for model in &family.models {
                if let Some(other) = seen.insert(match_key(model), name) {
                    return Err(format!(
                        "families.{name:?}: the model {model:?} is in {other:?} already"
                    ));
                }
            }
            let mut keys = BTreeSet::new();
            for (attribute, rule) in &family.attributes {
                if fold_name(attribute) != *attribute || !is_name(attribute) {
                    return Err(format!(
                        "families.{name:?}.attributes: write the name {attribute:?} in lower case, without = and ;"
                    ));
                }
                if !keys.insert(attribute_key(attribute)) {
                    return Err(format!(
                        "families.{name:?}.attributes: {attribute:?} stands twice (_ and a space are the same)"
                    ));
                }
                let Some(range) = rule.rule() else {
                    return Err(format!(
                        "families.{name:?}.attributes.{attribute}: give a rule, such as \"1 to 3 %\": what one unit more changes"
                    ));
                };
                if rule.sign != Direction::Either && range.low < Decimal::ZERO {
                    return Err(format!(
                        "families.{name:?}.attributes.{attribute}: the rule is {range}; write how much, without a sign"
                    ));
                }
            }
        }
        Ok(())
    }

    fn validate_rules(&self) -> Result<(), String> {
        let steps = |names: Vec<&str>| -> Vec<String> {
            names
                .windows(2)
                .map(|pair| format!("{} to {}", pair[0], pair[1]))
                .collect()
        };
        let known = |table: &str,
                     rules: &BTreeMap<String, Range>,
                     mut known: Vec<String>|
         -> Result<(), String> {
            known.push("any".into());
            for name in rules.keys() {
                if !known.iter().any(|k| fold_name(k) == fold_name(name)) {
                    let near = nearest(name, known.iter().map(String::as_str))
                        .map_or(String::new(), |near| format!("; did you mean {near:?}?"));
                    return Err(format!(
                        "rules.{table}: {name:?} is not a step of the scale{near}"
                    ));
                }
            }
            Ok(())
        };
        let r = &self.rules;
        known("grades", &r.grades, steps(self.grade_names().collect()))?;
        known(
            "completeness",
            &r.completeness,
            steps(self.completeness_names().collect()),
        )?;
        known(
            "how_sold",
            &r.how_sold,
            vec!["auction".into(), "offer".into()],
        )?;
        let tables = [
            ("grades", &r.grades),
            ("completeness", &r.completeness),
            ("missing", &r.missing),
            ("extras", &r.extras),
            ("defects", &r.defects),
        ];
        let kits = self
            .kits
            .iter()
            .map(|(model, kit)| (format!("kits.{model:?}.missing"), &kit.missing));
        for (name, table) in tables
            .into_iter()
            .map(|(n, t)| (format!("rules.{n}"), t))
            .chain(kits)
        {
            for (key, range) in table {
                if range.low < Decimal::ZERO {
                    return Err(format!(
                        "{name}: {key:?} is {range}; write how much, without a sign"
                    ));
                }
                let takes_off = !name.ends_with("extras") && !name.ends_with("completeness");
                if takes_off && range.unit == RangeUnit::Percent && range.high >= Decimal::from(100)
                {
                    return Err(format!(
                        "{name}: {key:?} is {range}; no more than 99 % can come off a price"
                    ));
                }
            }
        }
        for (name, range) in [
            ("trend_per_month", &r.trend_per_month),
            ("variant", &r.variant),
            ("parts_only", &r.parts_only),
        ] {
            if range.unit != RangeUnit::Percent {
                return Err(format!(
                    "rules.{name}: expected per cent, such as \"5 to 15 %\""
                ));
            }
        }
        if r.parts_only.low <= Decimal::ZERO {
            return Err("rules.parts_only: expected a share above 0 %".into());
        }
        for (model, kit) in &self.kits {
            for (piece, count) in kit.usable_needs.iter() {
                if kit.ships_with.count(piece) < count {
                    let near = nearest(piece, kit.ships_with.iter().map(|(name, _)| name))
                        .map_or(String::new(), |near| format!("; did you mean {near:?}?"));
                    return Err(format!(
                        "kits.{model:?}: usable_needs names {piece:?}, which ships_with does not{near}"
                    ));
                }
            }
            if let Some(price) = kit.price
                && (price.unit != RangeUnit::Money || price.low <= Decimal::ZERO)
            {
                return Err(format!(
                    "kits.{model:?}.price: expected money above 0, such as \"80 to 120\""
                ));
            }
        }
        Ok(())
    }
}

/// Turns serde's `unknown field` into a sentence with the nearest known key.
fn unknown_key(message: &str) -> Option<String> {
    let rest = message.strip_prefix("unknown field `")?;
    let (key, rest) = rest.split_once('`')?;
    let known: Vec<&str> = rest.split('`').skip(1).step_by(2).collect();
    let near = nearest(key, known.iter().copied())
        .map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
    Some(format!(
        "{key:?} is not a setting{near}; known here: {}",
        known.join(", ")
    ))
}

/// A sentence for a word that is none of those the setting knows.
fn unknown_word(message: &str) -> Option<String> {
    let (word, rest) = message.strip_prefix("unknown variant `")?.split_once('`')?;
    let known: Vec<&str> = rest.split('`').skip(1).step_by(2).collect();
    let near = nearest(word, known.iter().copied())
        .map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
    Some(format!(
        "found {word:?}; write one of these: {}{near}",
        known.join(", ")
    ))
}

/// The key whose value begins at a place of the text.
fn key_before(text: &str, value: usize) -> Option<&str> {
    let head = text.get(..value)?.trim_end().strip_suffix('=')?;
    let key = head.rsplit(['\n', ',', '{']).next()?.trim();
    (!key.is_empty()).then_some(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Settings, String> {
        Settings::parse(text, Path::new("compband.toml")).map_err(|e| e.to_string())
    }

    #[test]
    fn template_is_the_default() {
        let mut bare = String::new();
        for line in TEMPLATE.lines() {
            bare.push_str(line.strip_prefix("#: ").unwrap_or(line));
            bare.push('\n');
        }
        let shown = parse(&bare).unwrap();
        let default = Settings::default();
        assert_eq!(format!("{shown:?}"), format!("{default:?}"));
        assert_eq!(
            format!("{:?}", parse(TEMPLATE).unwrap()),
            format!("{default:?}")
        );
    }

    #[test]
    fn unknown_keys_name_the_nearest() {
        let error = parse("curency = \"EUR\"").unwrap_err();
        assert!(
            error.contains("line 1") && error.contains("did you mean \"currency\"?"),
            "{error}"
        );
        let error = parse("\n[estimate]\nhalf_life = 3").unwrap_err();
        assert!(
            error.contains("line 3") && error.contains("half_life_days"),
            "{error}"
        );
        let error = parse("[rules.grades]\n\"A to C\" = \"1 to 2 %\"").unwrap_err();
        assert!(error.contains("not a step"), "{error}");
    }

    #[test]
    fn wrong_values_name_their_key() {
        let error = parse("[estimate]\nerrors = \"student\"").unwrap_err();
        assert!(
            error.contains(
                "line 2: errors: found \"student\"; write one of these: student-t, huber"
            ) && !error.contains("variant"),
            "{error}"
        );
        let error = parse("completeness = [{ name = \"bare\", has = \"units\" }]").unwrap_err();
        assert!(
            error.contains("has: found \"units\"") && error.contains("did you mean \"unit\"?"),
            "{error}"
        );
        let error = parse("[estimate]\nband = \"most\"").unwrap_err();
        assert!(error.contains("line 2: band: "), "{error}");
    }
}
