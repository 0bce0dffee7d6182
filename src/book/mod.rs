//! The book: a folder of plain files that holds the settings and every comp its owner recorded.

pub mod comps;
pub mod csv;
pub mod files;
mod folder;
pub mod history;
pub mod ledger;
pub mod rates;
pub mod store;
pub mod watch;

pub use crate::trade::problem::BookError;
pub use comps::rows::Index;
pub use folder::Temporary;
pub use store::{Book, BookLock};
