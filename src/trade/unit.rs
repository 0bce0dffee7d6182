//! What a unit is.

use crate::trade::attributes::Attributes;
use crate::trade::comp::Comp;
use crate::trade::comp::HowSold;
use crate::trade::items::Items;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// What a unit is, as it is to be sold. Text that was not said is empty.
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
    /// Pieces missing beyond what the completeness says.
    pub missing: Items,
    /// Things beyond it.
    pub extras: Items,
    /// Faults that do not stop it working.
    pub defects: Items,
    /// Numbers that it has.
    pub attributes: Attributes,
    /// False for parts only.
    pub parts: bool,
    /// How it is to be sold.
    pub how_sold: Option<HowSold>,
}

impl Unit {
    /// A comp of a unit sold on a day for a price, with the shipping that its buyer paid; its
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
