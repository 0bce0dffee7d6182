//! The request for an import, and the listener to its progress.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use crate::app::AppError;
use crate::settings::words::Meaning;
use crate::sheets::ReadOptions;
use crate::sheets::header::Column;
use crate::trade::Problem;

/// A request for an import.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// The files of one import.
    pub files: &'a [PathBuf],
    /// A sheet in memory in place of files: its name for messages, and its bytes. Rejected rows are then kept in
    /// memory too.
    pub held: Option<(&'a str, &'a [u8])>,
    /// Options of reading; `mapping` can add columns.
    pub options: ReadOptions,
    /// Name of a mapping in the settings.
    pub mapping: Option<&'a str>,
    /// Meanings of words, for this import and later ones.
    pub values: &'a [Meaning],
    /// Name under which to save the mapping of the first file.
    pub save_mapping: Option<&'a str>,
    /// Whether known sales are converted again.
    pub new_rates: bool,
    /// Whether clean rows are imported if others have problems.
    pub keep_good: bool,
    /// File for rejected rows; default: beside the input.
    pub rejects: Option<&'a Path>,
    /// A file for all problems.
    pub problems: Option<&'a Path>,
    /// Whether it is a dry run.
    pub dry_run: bool,
    /// Today; sales more than a day later are refused.
    pub today: NaiveDate,
}

/// Receives progress and problems during the reading.
pub trait Listener {
    /// Called at the start with the number of bytes.
    fn begin(&mut self, bytes: u64);
    /// Called with the number of bytes read so far.
    fn progress(&mut self, bytes: u64);
    /// Called for each problem of a row, which is then rejected.
    fn problem(&mut self, problem: &Problem);
    /// Called at the end.
    fn end(&mut self);
    /// Whether [`Listener::ask`] reaches somebody; the files are then read once more before.
    fn can_ask(&self) -> bool {
        false
    }
    /// Asks whether a column of a file is what the buyer paid for shipping; `examples` are some of its values.
    ///
    /// # Errors
    /// If the import is to end.
    fn is_shipping(&mut self, column: &str, examples: &[String]) -> Result<bool, AppError> {
        let _ = (column, examples);
        Ok(false)
    }
    /// Asks for the meanings of words, most frequent first. Those left out stay unknown.
    ///
    /// # Errors
    /// If the import is to end.
    fn ask(&mut self, unknown: &[UnknownWord]) -> Result<Vec<Meaning>, AppError> {
        let _ = unknown;
        Ok(Vec::new())
    }
}

/// A word of which a column has no meaning.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownWord {
    /// The column.
    pub column: Column,
    /// The word.
    pub word: String,
    /// Number of rows.
    pub rows: u64,
    /// The first of them.
    pub first: u64,
    /// The values that the column takes.
    pub values: Vec<String>,
    /// The value that it most likely means.
    pub likely: Option<String>,
}
