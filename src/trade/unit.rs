//! The description of a unit.

use crate::trade::attributes::Attributes;
use crate::trade::comp::Comp;
use crate::trade::comp::HowSold;
use crate::trade::items::Items;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// The description of a unit for sale. Text that is not known is empty.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Unit {
    /// Model as written.
    pub model: String,
    /// Variant of the model.
    pub variant: String,
    /// Level of the completeness scale.
    pub completeness: String,
    /// Grade.
    pub grade: String,
    /// Missing pieces, in addition to those that the completeness implies.
    pub missing: Items,
    /// Extras, in addition to what the completeness implies.
    pub extras: Items,
    /// Faults with which the unit still works.
    pub defects: Items,
    /// Numeric attributes.
    pub attributes: Attributes,
    /// False for a parts-only unit.
    pub parts: bool,
    /// Way of selling, where known.
    pub how_sold: Option<HowSold>,
}

impl Unit {
    /// A comp of this unit, sold on a day for a price and the shipping that its buyer paid. Its
    /// identifier is still to be derived.
    pub fn comp(&self, on: NaiveDate, price: Decimal, shipping: Decimal, currency: &str) -> Comp {
        Comp {
            sold_on: Some(on),
            model: self.model.clone(),
            variant: self.variant.clone(),
            completeness: self.completeness.clone(),
            grade: self.grade.clone(),
            missing: self.missing.clone(),
            extras: self.extras.clone(),
            defects: self.defects.clone(),
            attributes: self.attributes.clone(),
            works: !self.parts,
            price,
            shipping,
            how_sold: self.how_sold,
            ..Comp::blank(currency)
        }
    }
}
