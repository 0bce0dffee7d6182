//! Places of rules of thumb in `compband.toml`, and the lines that replace them.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::Write;

use serde::{Deserialize, Serialize};

use crate::settings::declare::{key, quoted};
use crate::settings::{Rules, Settings};
use crate::trade::attributes::{Attribute, Direction};
use crate::trade::items::fold_name;
use crate::trade::names::match_key;
use crate::trade::range::Range;

/// Place of a rule of thumb in the settings.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Place {
    /// `[rules]`, by this key: `trend_per_month`, `variant`, `parts_only`.
    Rule(Cow<'static, str>),
    /// `[rules.TABLE]`, by this name.
    Named(Cow<'static, str>, String),
    /// `missing` of the kit of this name, by this piece.
    Kit(String, String),
    /// `attributes` of the family of this name, by this name.
    Attribute(String, String),
    /// `price` of the outlet of this name.
    Outlet(String),
}

/// A rule of thumb in force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InForce {
    /// Its range.
    pub range: Range,
    /// Whether the settings state it; otherwise it is a default.
    pub stated: bool,
}

impl Place {
    /// The place of the rule for a missing piece of a model.
    pub fn missing(piece: &str, model: &str, settings: &Settings) -> Self {
        let of_model = |name: &&String| match_key(name) == match_key(model);
        let has = |table: &BTreeMap<String, Range>| {
            table.keys().any(|name| fold_name(name) == fold_name(piece))
        };
        match settings.kits.keys().find(of_model) {
            Some(kit) if has(&settings.kits[kit].missing) => {
                Self::Kit(kit.clone(), piece.to_string())
            }
            _ => Self::Named("missing".into(), piece.to_string()),
        }
    }

    /// The rule in force there; `None` where there is none.
    pub fn rule(&self, settings: &Settings) -> Option<InForce> {
        let (rules, defaults) = (&settings.rules, Rules::default());
        let own = |range: Range, default: Range| InForce {
            range,
            stated: range != default,
        };
        match self {
            Self::Rule(key) => Some(match key.as_ref() {
                "trend_per_month" => own(rules.trend_per_month, defaults.trend_per_month),
                "variant" => own(rules.variant, defaults.variant),
                _ => own(rules.parts_only, defaults.parts_only),
            }),
            Self::Named(table, name) => {
                let (theirs, defaults) = (rules.table(table)?, defaults.table(table)?);
                named(theirs, defaults, name)
            }
            Self::Kit(kit, piece) => {
                let mut missing = settings.kits.get(kit)?.missing.iter();
                let of_piece = |(name, _): &(&String, &Range)| fold_name(name) == fold_name(piece);
                let (_, range) = missing.find(of_piece)?;
                Some(InForce {
                    range: *range,
                    stated: true,
                })
            }
            Self::Outlet(name) => Some(InForce {
                range: settings.outlets.get(name)?.price?,
                stated: true,
            }),
            Self::Attribute(family, name) => {
                let attribute = settings.families.get(family)?.attributes.get(name)?;
                Some(InForce {
                    range: attribute.rule()?,
                    stated: attribute.rule.is_some(),
                })
            }
        }
    }
}

impl Rules {
    /// The table of this name under `[rules]`.
    fn table(&self, name: &str) -> Option<&BTreeMap<String, Range>> {
        Some(match name {
            "grades" => &self.grades,
            "completeness" => &self.completeness,
            "missing" => &self.missing,
            "extras" => &self.extras,
            "defects" => &self.defects,
            "how_sold" => &self.how_sold,
            _ => return None,
        })
    }
}

/// The rule of a table for a name, as the settings look it up: by the name itself, stated or
/// default, or else by `any`. A rule equal to the default counts as not stated.
fn named(
    stated: &BTreeMap<String, Range>,
    defaults: &BTreeMap<String, Range>,
    name: &str,
) -> Option<InForce> {
    let find = |table: &BTreeMap<String, Range>, name: &str| {
        let mut entries = table.iter();
        let same = |(key, _): &(&String, &Range)| fold_name(key) == name;
        entries.find(same).map(|(_, range)| *range)
    };
    [fold_name(name), "any".to_string()]
        .iter()
        .find_map(|name| {
            let default = find(defaults, name);
            let range = find(stated, name).or(default)?;
            Some(InForce {
                range,
                stated: Some(range) != default,
            })
        })
}

/// A new rule for the settings.
#[derive(Debug, Clone, PartialEq)]
pub struct Statement {
    /// Its place.
    pub place: Place,
    /// Its range.
    pub range: Range,
    /// For an attribute: it moves the price either way, whatever was declared before.
    pub either_way: bool,
}

impl Statement {
    /// The heading and the line that state it; both empty if the settings have no such place.
    pub fn line(&self, settings: &Settings) -> (String, String) {
        let first = sections(std::slice::from_ref(self), settings)
            .into_iter()
            .next();
        first.map_or_else(Default::default, |section| {
            (section.heading, section.lines.concat())
        })
    }
}

/// Lines below a heading, such as `[rules.missing]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Section {
    /// The heading with its brackets.
    pub heading: String,
    /// Its lines; each replaces a line that begins with the same key.
    pub lines: Vec<String>,
}

/// The lines that state these rules.
pub fn sections(statements: &[Statement], settings: &Settings) -> Vec<Section> {
    let mut by_heading: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let mut kits: BTreeMap<&str, BTreeMap<&str, Range>> = BTreeMap::new();
    for statement in statements {
        let range = statement.range;
        let (heading, line) = match &statement.place {
            Place::Rule(name) => ("[rules]".into(), format!("{name} = \"{range}\"")),
            Place::Named(table, name) => {
                let line = format!("{} = \"{range}\"", key(name));
                (format!("[rules.{table}]"), line)
            }
            Place::Kit(kit, piece) => {
                kits.entry(kit).or_default().insert(piece, range);
                continue;
            }
            Place::Outlet(name) => {
                let line = format!("price = \"{range}\"");
                (format!("[outlets.{}]", key(name)), line)
            }
            Place::Attribute(family, name) => {
                let declared = settings.families.get(family);
                let Some(attribute) = declared.and_then(|of| of.attributes.get(name)) else {
                    continue;
                };
                let line = attribute_line(name, attribute, statement);
                (format!("[families.{}]", key(family)), line)
            }
        };
        by_heading.entry(heading).or_default().push(line);
    }
    for (kit, pieces) in kits {
        let heading = format!("[kits.{}]", key(kit));
        let line = kit_line(&settings.kits[kit].missing, &pieces);
        by_heading.entry(heading).or_default().push(line);
    }
    let section = |(heading, lines)| Section { heading, lines };
    by_heading.into_iter().map(section).collect()
}

/// The sections as text.
pub fn text(sections: &[Section]) -> String {
    let mut text = String::new();
    for section in sections {
        let _ = writeln!(text, "{}", section.heading);
        for line in &section.lines {
            let _ = writeln!(text, "{line}");
        }
    }
    text
}

/// `missing = { … }` of a kit with some pieces changed.
fn kit_line(missing: &BTreeMap<String, Range>, changed: &BTreeMap<&str, Range>) -> String {
    let change = |name: &str| {
        let mut changed = changed.iter();
        let same = |(piece, _): &(&&str, &Range)| fold_name(piece) == fold_name(name);
        changed.find(same).map(|(_, range)| *range)
    };
    let entry = |(name, range): (&String, &Range)| {
        format!("{} = \"{}\"", key(name), change(name).unwrap_or(*range))
    };
    let entries: Vec<String> = missing.iter().map(entry).collect();
    format!("missing = {{ {} }}", entries.join(", "))
}

/// `attributes.NAME = { … }` with another rule.
fn attribute_line(name: &str, attribute: &Attribute, statement: &Statement) -> String {
    let mut parts = Vec::new();
    if !attribute.unit.is_empty() {
        parts.push(format!("unit = {}", quoted(&attribute.unit)));
    }
    let sign = match statement.either_way {
        true => Direction::Either,
        false => attribute.sign,
    };
    let (scale, sign) = (attribute.scale.word(), sign.word());
    parts.push(format!("scale = {scale:?}, sign = {sign:?}"));
    parts.push(format!("rule = \"{}\"", statement.range));
    format!("attributes.{} = {{ {} }}", key(name), parts.join(", "))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::trade::attributes::Scale;

    fn settings(text: &str) -> Settings {
        Settings::parse(text, Path::new("compband.toml")).unwrap()
    }

    fn named(table: &'static str, name: &str) -> Place {
        Place::Named(table.into(), name.into())
    }

    /// Each rule found is the one that the fit reads.
    #[test]
    fn rules_are_found_as_they_are_looked_up() {
        let book = settings(
            "[rules]\nvariant = \"-5 to 5 %\"\n[rules.missing]\nBattery = \"10 to 25\"\n\
             [kits.\"Bolv 83V\"]\nmissing = { charger = \"8 to 20\" }\n",
        );
        let defaults = Rules::default();
        for piece in ["battery", "strap", "packaging", "any"] {
            let found = named("missing", piece).rule(&book).unwrap();
            let read = book.rules.missing_piece(piece, None, &defaults);
            assert_eq!(found.range, read, "{piece}");
            assert_eq!(found.stated, piece == "battery", "{piece}");
        }
        let charger = Place::missing("Charger", "bolv  83v", &book);
        assert_eq!(charger, Place::Kit("Bolv 83V".into(), "Charger".into()));
        assert_eq!(charger.rule(&book).unwrap().range.to_string(), "8 to 20");
        assert_eq!(
            Place::missing("charger", "Other", &book),
            named("missing", "charger")
        );
        assert!(Place::Rule("variant".into()).rule(&book).unwrap().stated);
        assert!(
            !Place::Rule("trend_per_month".into())
                .rule(&book)
                .unwrap()
                .stated
        );
        assert_eq!(Place::Attribute("x".into(), "y".into()).rule(&book), None);
    }

    /// Every stated rule is in force once its lines are in the settings.
    #[test]
    fn lines_state_what_they_are_to() {
        let before = settings(
            "[kits.\"Bolv \\\"83V\\\"\"]\nmissing = { charger = \"8 to 20\", strap = \"1 to 2\" }\n\
             [families.\"big ones\"]\nmodels = [\"Bolv 83W\"]\n\
             attributes.\"battery health\" = { unit = \"%\", sign = \"up\", rule = \"1 to 2 %\" }\n\
             attributes.size = { scale = \"doubling\", sign = \"down\", rule = \"1 to 2 %\" }\n",
        );
        let kit = |piece: &str| Place::Kit("Bolv \"83V\"".into(), piece.into());
        let attribute = |name: &str| Place::Attribute("big ones".into(), name.into());
        let statement = |place, range: &str, either_way| Statement {
            place,
            range: Range::parse(range).unwrap(),
            either_way,
        };
        let all = [
            statement(Place::Rule("trend_per_month".into()), "-7 to -5 %", false),
            statement(Place::Rule("variant".into()), "-40 to 60 %", false),
            statement(named("grades", "A to B"), "24 to 31 %", false),
            statement(named("missing", "Ladegerät \"2\""), "30 to 45", false),
            statement(named("how_sold", "auction"), "-30 to -20 %", false),
            statement(kit("charger"), "40 to 50", false),
            statement(kit("strap"), "5 to 6.5", false),
            statement(attribute("battery health"), "-3 to -1 %", true),
            statement(attribute("size"), "20 to 30 %", false),
        ];
        let sections = sections(&all, &before);
        let after = settings(&text(&sections).replace(
            "[families.\"big ones\"]",
            "[families.\"big ones\"]\nmodels = [\"Bolv 83W\"]",
        ));
        for statement in &all {
            let found = statement.place.rule(&after).unwrap();
            assert_eq!(found.range, statement.range, "{statement:?}");
            assert!(found.stated, "{statement:?}");
        }
        let health = after.attribute("Bolv 83W", "battery health").unwrap();
        assert_eq!(
            (health.sign, health.unit.as_str()),
            (Direction::Either, "%")
        );
        let size = after.attribute("Bolv 83W", "size").unwrap();
        assert_eq!((size.sign, size.scale), (Direction::Down, Scale::Doubling));
    }
}
