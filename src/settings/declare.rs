//! Settings that declare numeric attributes, as lines for `compband.toml`.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use rust_decimal::Decimal;

use crate::settings::Settings;
use crate::trade::attributes::{Direction, Scale, attribute_key};
use crate::trade::names::match_key;
use crate::trade::range::{Range, RangeUnit};

/// Longest line of a list of models, in characters.
const LINE: usize = 90;

/// Significant digits of the ends of a range.
const DIGITS: i32 = 2;

/// Limits of a range, per cent: up, and down.
const MOST: (f64, f64) = (1000.0, 90.0);

/// An attribute to declare for models whose family does not.
#[derive(Debug, Clone, PartialEq)]
pub struct Declaration {
    /// Its canonical name.
    pub attribute: String,
    /// The models with recorded values, in any spelling.
    pub models: BTreeSet<String>,
    /// Size of one step.
    pub scale: Scale,
    /// Direction in which it moves the price.
    pub sign: Direction,
    /// The rule of thumb for one step.
    pub rule: Range,
}

/// The declaration of an attribute that changes the log price by `effect` per step: the direction,
/// and a range from nothing to twice as much.
pub fn rule_of_effect(effect: f64) -> (Direction, Range) {
    let (sign, percent, most) = if effect < 0.0 {
        (Direction::Down, -100.0 * effect.exp_m1(), MOST.1)
    } else {
        (Direction::Up, 100.0 * effect.exp_m1(), MOST.0)
    };
    let high = rounded((2.0 * percent).min(most));
    (sign, percent_range(Decimal::ZERO, high))
}

/// A range of the same size in both directions.
pub fn either_way(percent: f64) -> Range {
    let high = rounded(percent.min(MOST.1));
    percent_range(-high, high)
}

fn percent_range(low: Decimal, high: Decimal) -> Range {
    Range {
        low,
        high,
        unit: RangeUnit::Percent,
    }
}

/// Rounds to two significant digits; at least 0.000001.
fn rounded(percent: f64) -> Decimal {
    let percent = percent.max(1e-6);
    let places = DIGITS - 1 - percent.log10().floor() as i32;
    let step = 10f64.powi(places);
    let places = places.clamp(0, 20) as u32;
    let text = format!("{:.*}", places as usize, (percent * step).round() / step);
    text.parse::<Decimal>().unwrap_or(Decimal::ONE).normalize()
}

/// The lines that declare these attributes. Models in a family of the settings get the attribute
/// there. Others get new families: models that share an attribute share a family.
pub fn lines(declarations: &[Declaration], settings: &Settings) -> String {
    let mut known: BTreeMap<&str, Vec<&Declaration>> = BTreeMap::new();
    let mut new: Vec<Group<'_>> = Vec::new();
    for declaration in declarations {
        let mut alone: BTreeMap<String, &str> = BTreeMap::new();
        for model in &declaration.models {
            match settings.family(model) {
                Some(family) => {
                    let declared = known.entry(family).or_default();
                    if !declared
                        .iter()
                        .any(|declared| declared.attribute == declaration.attribute)
                    {
                        declared.push(declaration);
                    }
                }
                None => drop(alone.entry(match_key(model)).or_insert(model)),
            }
        }
        if !alone.is_empty() {
            join(&mut new, alone, declaration);
        }
    }
    let mut text = String::new();
    for (family, declarations) in known {
        for declaration in declarations {
            let (family, name) = (key(family), key(&declaration.attribute));
            let _ = writeln!(text, "[families.{family}.attributes.{name}]");
            for (setting, value) in entries(declaration) {
                let _ = writeln!(text, "{setting} = {value}");
            }
        }
    }
    let mut taken: BTreeSet<String> = settings.families.keys().cloned().collect();
    for group in new {
        let name = free_name(&group.declarations[0].attribute, &mut taken);
        let _ = writeln!(text, "[families.{}]", key(&name));
        text.push_str(&models_line(group.models.values().copied()));
        for declaration in group.declarations {
            let entries: Vec<String> = entries(declaration)
                .into_iter()
                .map(|(setting, value)| format!("{setting} = {value}"))
                .collect();
            let name = key(&declaration.attribute);
            let _ = writeln!(text, "attributes.{name} = {{ {} }}", entries.join(", "));
        }
    }
    text
}

/// Models of a new family, by their keys, and its declarations.
struct Group<'a> {
    models: BTreeMap<String, &'a str>,
    declarations: Vec<&'a Declaration>,
}

/// Adds models with their declarations to the groups that contain one of them, and merges these
/// groups.
fn join<'a>(
    groups: &mut Vec<Group<'a>>,
    models: BTreeMap<String, &'a str>,
    declaration: &'a Declaration,
) {
    let shares = |group: &Group<'_>| group.models.keys().any(|key| models.contains_key(key));
    let (touched, apart): (Vec<_>, Vec<_>) = std::mem::take(groups).into_iter().partition(shares);
    let mut joined = Group {
        models,
        declarations: Vec::new(),
    };
    for group in touched {
        for (key, model) in group.models {
            joined.models.entry(key).or_insert(model);
        }
        joined.declarations.extend(group.declarations);
    }
    joined.declarations.push(declaration);
    *groups = apart;
    groups.push(joined);
}

fn entries(declaration: &Declaration) -> Vec<(&'static str, String)> {
    vec![
        ("scale", format!("{:?}", declaration.scale.word())),
        ("sign", format!("{:?}", declaration.sign.word())),
        ("rule", format!("\"{}\"", declaration.rule)),
    ]
}

/// A name for a family that is not taken.
fn free_name(attribute: &str, taken: &mut BTreeSet<String>) -> String {
    let base = attribute_key(attribute).replace(' ', "-");
    let mut name = base.clone();
    let mut number = 2;
    while !taken.insert(name.clone()) {
        name = format!("{base}-{number}");
        number += 1;
    }
    name
}

/// `models = ["A", "B"]`, in several lines if there are many.
fn models_line<'a>(models: impl Iterator<Item = &'a str>) -> String {
    let mut lines = vec![String::from("models = [")];
    for (at, model) in models.enumerate() {
        let quoted = quoted(model);
        let apart = if at > 0 { ", " } else { "" };
        let line = lines.last().map_or(0, |line| line.chars().count());
        if at > 0 && line + quoted.chars().count() > LINE {
            if let Some(line) = lines.last_mut() {
                line.push(',');
            }
            lines.push(format!("  {quoted}"));
        } else if let Some(line) = lines.last_mut() {
            line.push_str(&format!("{apart}{quoted}"));
        }
    }
    format!("{}]\n", lines.join("\n"))
}

/// A key of TOML: bare if possible.
pub(crate) fn key(name: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-');
    if !name.is_empty() && name.chars().all(bare) {
        name.to_string()
    } else {
        quoted(name)
    }
}

/// A basic string of TOML, whose escapes are those of JSON.
pub(crate) fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::TEMPLATE;

    fn declaration(attribute: &str, models: &[&str], effect: f64) -> Declaration {
        let (sign, rule) = rule_of_effect(effect);
        Declaration {
            attribute: attribute.into(),
            models: models.iter().map(|model| (*model).to_string()).collect(),
            scale: Scale::Doubling,
            sign,
            rule,
        }
    }

    /// Every declaration is in force once its lines are in the settings.
    #[test]
    fn lines_declare_what_they_are_to() {
        let before = "[families.area]\nmodels = [\"Bolv 83V\"]\nattributes.size = { rule = \"1 to 2 %\" }\n\
                      [families.\"big ones\"]\nmodels = [\"Quarrowe \\\"9\\\"\", \"Talvenne 4A0\"]\n\
                      [mappings.shop]\nItem = \"model\"\n";
        let many: Vec<String> = (0..40).map(|i| format!("Nulva KT{i}")).collect();
        let mut models: Vec<&str> = many.iter().map(String::as_str).collect();
        models.extend(["bolv  83v", "Tumrik \\ \"Page\" 6", "Quarrowe \"9\""]);
        let all = [
            declaration("area", &models, 0.4),
            declaration("battery health", &["nulva kt3", "Sorvane 1"], -0.02),
            declaration("shots", &["Sorvane 1", "talvenne a4"], -3.0),
            declaration("ü=x".trim_end_matches("=x"), &["Apart 1"], 2.0),
        ];
        for start in ["", TEMPLATE, before] {
            let settings = Settings::parse(start, Path::new("a")).unwrap();
            let text = format!("{start}\n{}", lines(&all, &settings));
            let settings = Settings::parse(&text, Path::new("a"))
                .unwrap_or_else(|error| panic!("{error}\n{text}"));
            for declaration in &all {
                for model in &declaration.models {
                    let found = settings.attribute(model, &declaration.attribute).unwrap();
                    assert_eq!(found.scale, declaration.scale);
                    assert_eq!(found.sign, declaration.sign);
                    assert_eq!(found.rule, Some(declaration.rule));
                }
            }
        }
    }

    #[test]
    fn rules_go_to_twice_the_effect() {
        let text = |effect: f64| {
            let (sign, rule) = rule_of_effect(effect);
            format!("{sign:?} {rule}")
        };
        assert_eq!(text(1.25f64.ln()), "Up 0 to 50 %");
        assert_eq!(text(0.9f64.ln()), "Down 0 to 20 %");
        assert_eq!(text(0.000_123_4), "Up 0 to 0.025 %");
        assert_eq!(text(-5.0), "Down 0 to 90 %");
        assert_eq!(text(9.0), "Up 0 to 1000 %");
        assert_eq!(either_way(30.0).to_string(), "-30 to 30 %");
        assert_eq!(either_way(0.01234).to_string(), "-0.012 to 0.012 %");
    }
}
