//! CSV rows as the book writes them.

pub mod canonical;
mod cell;
mod columns;
pub mod formula;
pub(crate) mod lines;
pub(crate) mod quotes;
pub(crate) mod torn;
mod writer;
