//! Pieces that ship with a model.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::trade::Items;
use crate::trade::range::{Range, RangeUnit};
use crate::trade::text::nearest;

/// A model's kit.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Kit {
    /// Everything that ships with the main unit, except the packaging.
    #[serde(deserialize_with = "items", serialize_with = "as_text")]
    pub ships_with: Items,
    /// Those of them that are needed to use it.
    #[serde(deserialize_with = "items", serialize_with = "as_text")]
    pub usable_needs: Items,
    /// Rules of thumb for a missing piece of this model, by piece.
    pub missing: BTreeMap<String, Range>,
    /// A rule of thumb for the price of a working unit in the middle grade, complete without
    /// packaging, in money: the estimate until there are comps.
    pub price: Option<Range>,
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

/// Checks that a kit has the pieces needed to use it, and that its price is valid.
pub(super) fn check(kits: &BTreeMap<String, Kit>) -> Result<(), String> {
    for (model, kit) in kits {
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
