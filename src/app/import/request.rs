//! What is asked of an import, and who hears of it.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use crate::sheets::ReadOptions;
use crate::trade::Problem;

/// What is asked of an import.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// The files; together they are one import.
    pub files: &'a [PathBuf],
    /// How they are read; columns that it does not say may be in `mapping`.
    pub options: ReadOptions,
    /// A mapping of the settings that says which of their columns are which of ours.
    pub mapping: Option<&'a str>,
    /// Name to save the mapping of the first file under.
    pub save_mapping: Option<&'a str>,
    /// Whether sales that the book has already are converted anew.
    pub new_rates: bool,
    /// Whether clean rows are taken though others are not.
    pub keep_good: bool,
    /// Where rows that are not taken are set aside; beside the input where that is not said.
    pub rejects: Option<&'a Path>,
    /// A file for all problems.
    pub problems: Option<&'a Path>,
    /// Whether nothing is to be written.
    pub dry_run: bool,
    /// Today: sales of more than a day after this are refused.
    pub today: NaiveDate,
}

/// Hears what happens while the files are read.
pub trait Listener {
    /// So many bytes are going to be read.
    fn begin(&mut self, bytes: u64);
    /// So many of them have been read.
    fn progress(&mut self, bytes: u64);
    /// Something is wrong with a row, which is not taken.
    fn problem(&mut self, problem: &Problem);
    /// All has been read.
    fn end(&mut self);
}
