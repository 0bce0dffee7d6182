//! CSV rows as the book writes them.

pub mod canonical;
pub mod formula;
pub(crate) mod lines;
pub(crate) mod torn;
