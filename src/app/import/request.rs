//! The request for an import, and the listener to its progress.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use crate::sheets::ReadOptions;
use crate::trade::Problem;

/// A request for an import.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// The files of one import.
    pub files: &'a [PathBuf],
    /// Options of reading; `mapping` can add columns.
    pub options: ReadOptions,
    /// Name of a mapping in the settings.
    pub mapping: Option<&'a str>,
    /// Name to save the mapping of the first file under.
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
}
