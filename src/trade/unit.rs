//! The description of a unit.

use crate::trade::attributes::Attributes;
use crate::trade::comp::{Comp, HowSold};
use crate::trade::items::Items;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// The description of a unit: the one to be priced, the one that a deal of the ledger is about. Facts that are
/// not known are `None`.
///
/// Two other types are no second description: `book::watch::Watched` is what the owner wrote in `watch.toml`, in
/// the words of the flags, with how the unit is to be estimated; the facts in `fit` are a row of the design
/// matrix, borrowed from a unit or a comp.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit {
    /// Model as written.
    pub model: String,
    /// Variant of the model.
    pub variant: Option<String>,
    /// Level of the completeness scale.
    pub completeness: Option<String>,
    /// Grade.
    pub grade: Option<String>,
    /// Missing pieces, in addition to those that the completeness implies.
    pub missing: Items,
    /// Extras, in addition to what the completeness implies.
    pub extras: Items,
    /// Faults with which the unit still works.
    pub defects: Items,
    /// Numeric attributes.
    pub attributes: Attributes,
    /// False for a parts-only unit.
    pub works: bool,
    /// Way of selling, where known.
    pub how_sold: Option<HowSold>,
    /// Outlet or other venue through which it is sold, where known. It is not kept in the ledger.
    pub venue: Option<String>,
}

impl Unit {
    /// A working unit of a model with nothing else known.
    pub fn blank(model: &str) -> Self {
        Self {
            model: model.to_string(),
            variant: None,
            completeness: None,
            grade: None,
            missing: Items::NONE,
            extras: Items::NONE,
            defects: Items::NONE,
            attributes: Attributes::NONE,
            works: true,
            how_sold: None,
            venue: None,
        }
    }

    /// This unit, sold at a venue.
    pub fn sold_at(&self, venue: Option<&str>) -> Self {
        Self {
            venue: venue.map(str::to_string),
            ..self.clone()
        }
    }

    /// A comp of this unit, sold on a day for a price and the shipping that its buyer paid. Its
    /// identifier is still to be derived.
    pub fn comp(&self, on: NaiveDate, price: Decimal, shipping: Decimal, currency: &str) -> Comp {
        Comp {
            sold_on: Some(on),
            model: self.model.clone(),
            variant: self.variant.clone().unwrap_or_default(),
            completeness: self.completeness.clone().unwrap_or_default(),
            grade: self.grade.clone().unwrap_or_default(),
            missing: self.missing.clone(),
            extras: self.extras.clone(),
            defects: self.defects.clone(),
            attributes: self.attributes.clone(),
            works: self.works,
            price,
            shipping,
            how_sold: self.how_sold,
            ..Comp::blank(currency)
        }
    }
}
