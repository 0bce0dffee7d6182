//! Reads what people type: days and amounts.

pub mod attribute;
pub mod dates;
pub mod lists;
pub mod money;
pub mod parts;
pub mod quantity;
pub mod repairs;
pub mod words;
