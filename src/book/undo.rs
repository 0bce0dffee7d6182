//! Undo of the last entry.

use std::collections::{BTreeMap, HashSet};
use std::path::Path;

use super::BookError;
use super::comps::log::LogPart;
use super::csv::canonical::Row;
use super::imports::ImportFile;
use super::open::{Book, BookLock};
use super::store::Logged;
use crate::trade::Comp;

/// Sales shown of those that an undo restores.
const SHOWN_AGAIN: usize = 10;

/// The result of an undo, real or simulated.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Undone {
    /// Number of the entry.
    pub entry: u64,
    /// Its file, as messages show it.
    pub file: String,
    /// Whether it was a logged sale, not an import.
    pub logged: bool,
    /// Valid rows in it.
    pub rows: usize,
    /// Its rows by model.
    pub models: BTreeMap<String, usize>,
    /// Number of older rows in force again.
    pub again: usize,
    /// The first few of those.
    pub again_shown: Vec<Comp>,
}

impl Book {
    /// Undoes the last entry: moves an import file to `undone/`, or the line of a logged sale to
    /// `undone/logged.csv`. `None` if there is nothing to undo. With `dry_run` nothing changes.
    ///
    /// # Errors
    /// If reading or writing fails.
    pub fn undo(
        &self,
        lock: &BookLock,
        dry_run: bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Option<Undone>, BookError> {
        let (imports, rows) = self.entries_to_undo(lock, dry_run, notice)?;
        let last_logged = rows.iter().max_by_key(|row| row.entry);
        let import = imports
            .first()
            .filter(|file| last_logged.is_none_or(|row| file.entry > row.entry));
        let (entry, path) = match (import, last_logged) {
            (Some(file), _) => (file.entry, file.path.clone()),
            (None, Some(row)) => (row.entry, self.log_path()),
            (None, None) => return Ok(None),
        };
        let undone = self.survey(entry, &path, import.is_none())?;
        if dry_run {
            return Ok(Some(undone));
        }
        match (import, last_logged) {
            (Some(file), _) => {
                let moved = self
                    .folder
                    .rename(&file.path, &self.undone_dir().join(&file.name));
                moved.map_err(BookError::io(&file.path, "move"))?;
            }
            (None, Some(row)) => self.remove_logged(row)?,
            (None, None) => {}
        }
        Ok(Some(undone))
    }

    /// Takes a logged sale out, whatever was recorded since: its newest line moves to
    /// `undone/logged.csv`. `None` if no logged sale has this identifier. With `dry_run` nothing changes.
    ///
    /// # Errors
    /// If reading or writing fails.
    pub fn undo_sale(
        &self,
        lock: &BookLock,
        dry_run: bool,
        comp_id: &str,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Option<Undone>, BookError> {
        let (_, rows) = self.entries_to_undo(lock, dry_run, notice)?;
        let of_sale = rows.iter().filter(|row| row.comp.comp_id == comp_id);
        let Some(row) = of_sale.max_by_key(|row| row.entry) else {
            return Ok(None);
        };
        let undone = self.survey(row.entry, &self.log_path(), true)?;
        if !dry_run {
            self.remove_logged(row)?;
        }
        Ok(Some(undone))
    }

    /// The imports, newest first, and the rows of the log, which is repaired first unless it is a `dry_run`.
    fn entries_to_undo(
        &self,
        lock: &BookLock,
        dry_run: bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(Vec<ImportFile>, Vec<Row>), BookError> {
        if !dry_run {
            self.repair_log(lock, notice)?;
        }
        let imports = self.import_files(&self.comps_dir(), notice)?;
        let Logged { rows, problems } =
            self.logged(&*self.log_bytes()?, &LogPart::default(), &imports)?;
        if !problems.is_empty() {
            return Err(BookError::Rows(problems));
        }
        Ok((imports, rows))
    }

    /// The content of an entry, and the rows that are in force without it. Rows with problems
    /// are skipped, so that a damaged import can be undone.
    fn survey(&self, entry: u64, path: &Path, logged: bool) -> Result<Undone, BookError> {
        let mut undone = Undone {
            entry,
            logged,
            file: self.display_name(path),
            ..Undone::default()
        };
        let mut ids: HashSet<String> = HashSet::new();
        let imports = self.import_files(&self.comps_dir(), &mut |_| {})?;
        let logged_rows = self
            .logged(&*self.log_bytes()?, &LogPart::default(), &imports)?
            .rows;
        self.scan(&imports, logged_rows, &mut |_, row| {
            if row.entry == entry {
                undone.rows += 1;
                *undone.models.entry(row.comp.model).or_default() += 1;
                ids.insert(row.comp.comp_id);
            } else if ids.remove(&row.comp.comp_id) {
                undone.again += 1;
                if undone.again_shown.len() < SHOWN_AGAIN {
                    undone.again_shown.push(row.comp);
                }
            }
        })?;
        Ok(undone)
    }
}
