//! Values of the parts of a model.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::Deserialize;

use crate::trade::items::split_count;
use crate::trade::money::MOST_MONEY;
use crate::trade::part::part_name;

/// Most minutes that it may take to take a unit apart.
const MOST_MINUTES: i64 = 60_000;

/// The parts of a model.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PartValues {
    /// Value of one part of each name, in the book's currency; a count after the name is how many a
    /// unit has (`battery x2`).
    pub values: BTreeMap<String, Decimal>,
    /// Minutes that it takes to take a unit apart; by default those of the deal.
    pub harvest_minutes: Option<Decimal>,
}

impl PartValues {
    /// Names, counts and values.
    pub fn iter(&self) -> impl Iterator<Item = (String, u32, Decimal)> {
        self.values.iter().filter_map(|(entry, value)| {
            split_count(entry).map(|(name, count)| (name, count, *value))
        })
    }

    /// Value of a part, if it is here.
    pub fn value(&self, name: &str) -> Option<Decimal> {
        let mut all = self.iter();
        all.find(|(known, ..)| known == name)
            .map(|(.., value)| value)
    }
}

/// Checks names, values and minutes.
pub(super) fn check(parts: &BTreeMap<String, PartValues>) -> Result<(), String> {
    for (model, of_model) in parts {
        let key = format!("parts.{model:?}");
        let mut seen = BTreeSet::new();
        for (entry, value) in &of_model.values {
            let name = split_count(entry).and_then(|(name, _)| part_name(&name).ok());
            let Some(name) = name else {
                return Err(format!(
                    "{key}.values: {entry:?} is not a part: write a name, or a name and a count as \"battery x2\""
                ));
            };
            if !seen.insert(name) {
                return Err(format!("{key}.values: {entry:?} is there twice"));
            }
            if !(Decimal::ZERO..=Decimal::from(MOST_MONEY)).contains(value) {
                return Err(format!(
                    "{key}.values: {entry:?}: expected a sum of money from 0 to {MOST_MONEY}, found {value}"
                ));
            }
        }
        if let Some(minutes) = of_model.harvest_minutes {
            check_minutes(&format!("{key}.harvest_minutes"), minutes)?;
        }
    }
    Ok(())
}

/// Checks minutes of taking a unit apart.
pub(super) fn check_minutes(key: &str, minutes: Decimal) -> Result<(), String> {
    if (Decimal::ZERO..=Decimal::from(MOST_MINUTES)).contains(&minutes) {
        return Ok(());
    }
    Err(format!(
        "{key}: expected minutes from 0 to {MOST_MINUTES}, found {minutes}"
    ))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::Settings;

    fn parse(text: &str) -> Result<Settings, String> {
        Settings::parse(text, Path::new("compband.toml")).map_err(|e| e.to_string())
    }

    #[test]
    fn parts_of_a_model() {
        let settings = parse(
            "[parts.\"Nulva 61K\"]\nvalues = { display = 18, \"Battery x2\" = 6.50 }\nharvest_minutes = 20",
        )
        .unwrap();
        let parts = settings.parts_of("nulva  61k").unwrap();
        let listed: Vec<String> = parts
            .iter()
            .map(|(name, count, value)| format!("{name} {count} {value}"))
            .collect();
        assert_eq!(listed, ["battery 2 6.5", "display 1 18"]);
        assert_eq!(parts.value("battery"), Some("6.50".parse().unwrap()));
        assert!(settings.parts_of("Bolv 83V").is_none());
        for (text, told) in [
            ("values = { display = -1 }", "a sum of money from 0"),
            ("values = { \"battery x0\" = 1 }", "is not a part"),
            ("values = { Display = 1, display = 2 }", "is there twice"),
            ("values = { display = \"much\" }", "line 2"),
            ("harvest_minutes = -1", "minutes from 0"),
            ("value = { display = 1 }", "did you mean \"values\"?"),
        ] {
            let error = parse(&format!("[parts.\"Nulva 61K\"]\n{text}")).unwrap_err();
            assert!(error.contains(told), "{text}: {error}");
        }
        let error = parse("[deal]\nharvest_minutes = -1").unwrap_err();
        assert!(error.contains("deal.harvest_minutes"), "{error}");
    }
}
