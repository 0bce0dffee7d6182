//! Use cases that return values, for a command line, a web page or another program.
//!
//! No function of this room prints, prompts or ends the process. Messages besides the result go to
//! a `notice` that the caller passes.

pub mod amounts;
pub mod ask;
pub mod attributes;
pub mod bid;
pub mod check;
pub mod choices;
pub mod compare;
pub mod comps;
pub mod conflicts;
pub mod deals;
pub mod describe;
pub mod drawer;
pub mod error;
pub mod funds;
pub mod import;
pub(crate) mod kept;
pub mod ledger;
pub mod line;
pub mod listed;
pub mod listings;
pub mod lot;
pub mod meant;
pub mod models;
pub mod offering;
pub mod overheads;
pub mod parallel;
pub mod past;
pub mod places;
pub mod pocket;
pub mod practice;
pub mod purchase;
pub mod reader;
pub mod record;
pub mod refresh;
pub mod related;
pub mod rename;
pub mod report;
pub mod sale_time;
pub mod selling;
pub mod sold;
pub mod spares;
pub mod state;
pub mod timeline;
pub mod typed;
pub mod undeclared;
pub mod undo;
pub mod unit;
pub mod watch;
pub mod weigh;
pub mod year;

pub use error::AppError;

// The handle of a book, which the caller opens and passes.
pub use crate::book::Book;

use std::path::Path;

use crate::book::files::write_whole;

/// Writes a file atomically, in any folder: readers see the old or the new one.
///
/// # Errors
/// If it cannot be written; an old file is then unchanged.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), AppError> {
    write_whole(path, bytes).map_err(AppError::io(path, "write"))
}
