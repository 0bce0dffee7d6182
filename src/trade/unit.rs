//! What a unit is.

use crate::trade::attributes::Attributes;
use crate::trade::comp::Comp;
use crate::trade::comp::HowSold;
use crate::trade::items::Items;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// What a unit is: the one whose price is asked, the one that a deal of the ledger is about. What was not said
/// of it is `None`.
///
/// Two other types hold a unit and are no second description of it: `book::watch::Watched` is what the owner
/// wrote of a unit in `watch.toml`, in the words of the flags, with how it is to be estimated; the facts of
/// `fit` are a row of the design matrix, borrowed from a unit or a comp.
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
    /// Pieces missing beyond what the completeness says.
    pub missing: Items,
    /// Things beyond it.
    pub extras: Items,
    /// Faults that do not stop it working.
    pub defects: Items,
    /// Numbers that it has.
    pub attributes: Attributes,
    /// False for parts only.
    pub works: bool,
    /// How it is to be sold, or was.
    pub how_sold: Option<HowSold>,
}

impl Unit {
    /// A working unit of a model of which nothing is said.
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
        }
    }

    /// A comp of a unit sold on a day for a price, with the shipping that its buyer paid; its
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
