//! Business values: comps and what they are made of. This room imports no other.

pub mod attributes;
pub mod checks;
pub mod comp;
pub mod foreign;
pub mod hash;
pub mod items;
pub mod names;
pub mod near;
pub mod problem;

pub use crate::parse::money::Currency;
pub use attributes::Attributes;
pub use comp::{Comp, HowSold};
pub use foreign::Foreign;
pub use items::Items;
pub use problem::Problem;
