//! The settings of a book: `compband.toml`. Every value is optional.

pub mod declare;
mod estimate;
mod families;
mod haggle;
mod kits;
mod parts;
mod read;
mod renamed;
mod rules;
mod scale;
pub mod selling;
pub mod statement;
pub mod values;
pub mod words;

use std::collections::BTreeMap;
use std::path::Path;

use selling::{DealSettings, Outlet, Shipping};
use serde::{Deserialize, Deserializer};

use crate::parse::dates::DateOrder;
use crate::trade::Currency;
use crate::trade::attributes::{Attribute, attribute_key};
use crate::trade::comp::PriceBasis;
use crate::trade::items::fold_name;
use crate::trade::names::match_key;
use crate::trade::range::Range;
pub use estimate::{Errors, EstimateSettings, PoolFrom};
pub use families::Family;
pub use haggle::Haggle;
pub use kits::Kit;
pub use parts::PartValues;
pub use read::SettingsError;
pub(crate) use read::read_toml;
pub use rules::Rules;
pub use scale::{Completeness, Grade, Has, of_scale};
pub use values::Values;
pub use words::Words;

/// Name of the settings file; a folder that has one is a book.
pub const FILE_NAME: &str = "compband.toml";

/// The settings file that `init` writes: every value with its default, commented.
pub const TEMPLATE: &str = include_str!("../../data/compband.toml");

/// All settings of a book.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Currency of every amount in the book.
    #[serde(deserialize_with = "currency")]
    pub currency: Currency,
    /// Order of day and month in dates such as 3/4/2026, if set.
    #[serde(deserialize_with = "values::dates")]
    pub dates: Option<DateOrder>,
    /// Number of days after its own for which a rate in `rates.csv` is valid.
    pub rate_days: u32,
    /// Price basis of the estimate.
    pub price_basis: PriceBasis,
    /// Grades, best first.
    pub grades: Vec<Grade>,
    /// Completeness levels, least first.
    pub completeness: Vec<Completeness>,
    /// Options of an estimate.
    pub estimate: EstimateSettings,
    /// Rules of thumb.
    pub rules: Rules,
    /// Pieces that ship with a model, by model name.
    pub kits: BTreeMap<String, Kit>,
    /// Values of parts, by model.
    pub parts: BTreeMap<String, PartValues>,
    /// Families of models whose numeric attributes matter, by name.
    pub families: BTreeMap<String, Family>,
    /// Outlets and their terms, by name.
    pub outlets: BTreeMap<String, Outlet>,
    /// Cost of postage and packing.
    pub shipping: Shipping,
    /// Aims of a purchase.
    pub deal: DealSettings,
    /// Saved column mappings of imports: name → (their column → our column).
    pub mappings: BTreeMap<String, BTreeMap<String, String>>,
    /// Meanings of words in sheets.
    pub words: Words,
    /// Settings that the file has under an old name: old name, new name.
    #[serde(skip)]
    pub renamed: Vec<(&'static str, &'static str)>,
}

fn currency<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Currency, D::Error> {
    let text = String::deserialize(deserializer)?;
    Currency::parse(&text).map_err(|text| {
        serde::de::Error::custom(format!(
            "{text:?} is not a currency code: write its three letters, such as \"EUR\""
        ))
    })
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            currency: Currency { code: "EUR".into() },
            dates: None,
            rate_days: 7,
            price_basis: PriceBasis::Delivered,
            grades: scale::usual_grades(),
            completeness: scale::usual_completeness(),
            estimate: EstimateSettings::default(),
            rules: Rules::default(),
            kits: BTreeMap::new(),
            parts: BTreeMap::new(),
            families: BTreeMap::new(),
            outlets: BTreeMap::new(),
            shipping: Shipping::default(),
            deal: DealSettings::default(),
            mappings: BTreeMap::new(),
            words: Words::default(),
            renamed: Vec::new(),
        }
    }
}

impl Settings {
    /// Reads settings from TOML text; errors name `path`.
    ///
    /// # Errors
    /// [`SettingsError`] with line, key, the expected form and, for an unknown key, the most
    /// similar known one.
    pub fn parse(text: &str, path: &Path) -> Result<Self, SettingsError> {
        let mut settings: Self = read_toml(text, path)?;
        settings.renamed = renamed::old_names(text);
        settings
            .check()
            .map_err(|why| SettingsError(format!("{}: {why}", path.display())))?;
        Ok(settings)
    }

    /// Position of a grade in the scale, best first, ignoring case.
    pub fn grade_index(&self, name: &str) -> Option<usize> {
        of_scale(self.grade_names(), name).map(|(at, _)| at)
    }

    /// Names of the grades, best first.
    pub fn grade_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.grades.iter().map(|grade| grade.name.as_str())
    }

    /// Position of a completeness level in the scale, least first, ignoring case.
    pub fn completeness_index(&self, name: &str) -> Option<usize> {
        of_scale(self.completeness_names(), name).map(|(at, _)| at)
    }

    /// Names of the completeness levels, least first.
    pub fn completeness_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.completeness.iter().map(|level| level.name.as_str())
    }

    /// The kit of a model (ignoring case and spacing of the name), if the settings have one.
    pub fn kit(&self, model: &str) -> Option<&Kit> {
        self.of_model(&self.kits, model)
    }

    /// The parts of a model (ignoring case and spacing of the name), if the settings have them.
    pub fn parts_of(&self, model: &str) -> Option<&PartValues> {
        self.of_model(&self.parts, model)
    }

    /// The entry of a table of the settings for a model: under this name, or under another one that stands for it.
    fn of_model<'s, T>(&'s self, table: &'s BTreeMap<String, T>, model: &str) -> Option<&'s T> {
        let keys = self.keys(model);
        let own = table.iter().find(|(name, _)| match_key(name) == keys[0]);
        let other = || table.iter().find(|(name, _)| self.is_named(name, &keys));
        own.or_else(other).map(|(_, found)| found)
    }

    /// The keys of a name, and of the model that it stands for.
    fn keys(&self, name: &str) -> [String; 2] {
        [match_key(name), match_key(self.words.model(name))]
    }

    /// Whether a name in the settings is that of a model with these keys, or another one that stands for it.
    fn is_named(&self, name: &str, keys: &[String; 2]) -> bool {
        let stands_for = self.words.model(name);
        match_key(stands_for) == keys[1] || match_key(name) == keys[0]
    }

    /// Whether a family has a model with these keys.
    fn is_in(&self, family: &Family, keys: &[String; 2]) -> bool {
        family.models.iter().any(|name| self.is_named(name, keys))
    }

    /// Name of the family of a model, if it has one (ignoring case and spacing).
    pub fn family(&self, model: &str) -> Option<&str> {
        let keys = self.keys(model);
        let has = |family: &Family| self.is_in(family, &keys);
        let mut families = self.families.iter();
        families.find_map(|(name, family)| has(family).then_some(name.as_str()))
    }

    /// The numeric attributes of a model, by name; empty if no family has it.
    pub fn attributes(&self, model: &str) -> impl Iterator<Item = (&str, &Attribute)> {
        let keys = self.keys(model);
        self.families
            .values()
            .filter(move |family| self.is_in(family, &keys))
            .flat_map(|family| &family.attributes)
            .map(|(name, attribute)| (name.as_str(), attribute))
    }

    /// The declaration of one numeric attribute of a model.
    pub fn attribute(&self, model: &str, name: &str) -> Option<&Attribute> {
        let key = attribute_key(name);
        self.attributes(model)
            .find(|(known, _)| attribute_key(known) == key)
            .map(|(_, attribute)| attribute)
    }

    /// The outlets with a price factor.
    pub fn priced_outlets(&self) -> impl Iterator<Item = (&str, Range)> {
        let all = self.outlets.iter();
        all.filter_map(|(name, outlet)| Some((name.as_str(), outlet.price?)))
    }

    /// The outlet with a price factor that has this name (ignoring case and spacing), if one does.
    pub fn priced_outlet(&self, venue: &str) -> Option<&str> {
        if venue.is_empty() {
            return None;
        }
        let mut priced = self.priced_outlets().peekable();
        priced.peek()?;
        let folded = fold_name(venue);
        let same = |(name, _): &(&str, Range)| fold_name(name) == folded;
        priced.find(same).map(|(name, _)| name)
    }

    fn check(&self) -> Result<(), String> {
        scale::check("grades", self.grade_names())?;
        scale::check("completeness", self.completeness_names())?;
        scale::check_order(&self.completeness)?;
        self.estimate.check()?;
        families::check(&self.families)?;
        parts::check(&self.parts)?;
        parts::check_minutes("deal.harvest_minutes", self.deal.harvest_minutes)?;
        selling::validate(&self.outlets, &self.shipping, &self.deal)?;
        self.rules
            .check(&self.kits, self.grade_names(), self.completeness_names())?;
        kits::check(&self.kits)?;
        self.words.check()
    }
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
