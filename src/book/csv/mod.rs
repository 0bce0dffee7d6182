//! Rows of CSV as the book writes them.

pub mod canonical;
pub(crate) mod lines;
