//! The book: a folder of plain files with the settings and all recorded comps.

mod appended;
pub mod comps;
pub mod csv;
pub mod error;
pub mod files;
mod folder;
pub mod history;
pub(crate) mod ids;
mod imports;
pub mod ledger;
mod open;
pub mod rates;
pub(crate) mod stamp;
pub mod store;
pub mod undo;
pub mod watch;

pub use comps::rows::Index;
pub use error::BookError;
pub use folder::Temporary;
pub use open::{Book, BookLock};
