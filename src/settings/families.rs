//! Families of models and the numeric attributes that affect their prices.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::trade::attributes::{Attribute, Direction, attribute_key, is_name};
use crate::trade::items::fold_name;
use crate::trade::names::match_key;

/// A family of models.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Family {
    /// Its models (ignoring case and spacing).
    pub models: Vec<String>,
    /// Numeric attributes that affect their prices, by name.
    pub attributes: BTreeMap<String, Attribute>,
}

/// Checks that a model is in at most one family, and the name and rule of each attribute.
pub(super) fn check(families: &BTreeMap<String, Family>) -> Result<(), String> {
    let mut seen: BTreeMap<String, &str> = BTreeMap::new();
    for (name, family) in families {
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
                    "families.{name:?}.attributes: {attribute:?} is there twice (_ and a space are the same)"
                ));
            }
            let Some(range) = rule.rule() else {
                return Err(format!(
                    "families.{name:?}.attributes.{attribute}: give a rule, such as \"1 to 3 %\": what one more unit changes"
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
