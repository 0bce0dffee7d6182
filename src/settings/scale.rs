//! The scales of grades and of completeness.

use serde::{Deserialize, Serialize};

use crate::trade::names;

/// One grade of wear.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grade {
    /// The letter (or word) written in the comps.
    pub name: String,
    /// Its meaning, for tables and prompts.
    #[serde(default)]
    pub means: String,
}

/// One level of completeness.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Completeness {
    /// The word written in the comps.
    pub name: String,
    /// The pieces of the model's kit that it includes.
    pub has: Has,
    /// Its meaning, for tables and prompts.
    #[serde(default)]
    pub means: String,
}

/// Content of a completeness level; each includes those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Has {
    /// The main unit alone.
    Unit,
    /// The pieces needed to use it.
    Usable,
    /// Every piece of the kit.
    Kit,
    /// The packaging as well.
    Packaging,
    /// Never opened as well.
    Seal,
}

/// The position of a name in a scale, and the scale's spelling, ignoring case.
pub fn of_scale<'a>(scale: impl Iterator<Item = &'a str>, name: &str) -> Option<(usize, &'a str)> {
    scale
        .enumerate()
        .find(|(_, known)| names::same(known, name))
}

/// The default grades.
pub(super) fn usual_grades() -> Vec<Grade> {
    let grade = |name: &str, means: &str| Grade {
        name: name.into(),
        means: means.into(),
    };
    vec![
        grade("A", "no visible wear"),
        grade("B", "light marks"),
        grade("C", "obvious wear: scratches, a dent"),
        grade("D", "heavy damage, works"),
    ]
}

/// The default completeness levels.
pub(super) fn usual_completeness() -> Vec<Completeness> {
    let level = |name: &str, has, means: &str| Completeness {
        name: name.into(),
        has,
        means: means.into(),
    };
    vec![
        level("bare", Has::Unit, "main unit alone"),
        level("usable", Has::Usable, "with what is needed to use it"),
        level("full", Has::Kit, "all that shipped with it"),
        level("boxed", Has::Packaging, "full, with its packaging"),
        level("sealed", Has::Seal, "never opened"),
    ]
}

/// Checks the names of a scale; `what` is its key.
pub(super) fn check<'a>(what: &str, names: impl Iterator<Item = &'a str>) -> Result<(), String> {
    let names: Vec<&str> = names.collect();
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
            return Err(format!("{what}: {name:?} is in the scale twice"));
        }
    }
    Ok(())
}

/// Checks that each completeness level includes more than the one before.
pub(super) fn check_order(levels: &[Completeness]) -> Result<(), String> {
    if levels.windows(2).any(|pair| pair[0].has >= pair[1].has) {
        return Err("completeness: order the levels from least to most: each must have more than the one before \
                    (unit, usable, kit, packaging, seal)"
            .into());
    }
    Ok(())
}
