//! What people type: days and amounts.

pub mod dates;
pub mod money;
