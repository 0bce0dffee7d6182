//! Business values: comps and their parts. This room imports no other.

pub mod attributes;
pub mod cells;
pub mod checks;
pub mod comp;
pub mod currency;
pub mod entry;
pub mod foreign;
pub mod hash;
pub mod items;
pub mod money;
pub mod names;
pub mod near;
pub mod part;
pub mod problem;
pub mod range;
pub mod repair;
pub mod text;
pub mod unit;

pub use attributes::Attributes;
pub use comp::{Comp, HowSold};
pub use currency::Currency;
pub use foreign::Foreign;
pub use items::Items;
pub use problem::Problem;
pub use unit::Unit;
