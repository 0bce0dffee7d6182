//! Undo of the last entry.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::Path;

use super::BookError;
use super::comps::log::LogPart;
use super::csv::canonical::Row;
use super::imports::ImportFile;
use super::open::{Book, BookLock};
use super::store::Logged;
use crate::settings::words::{Meaning, Words, with_words, without_words};
use crate::trade::Comp;
use crate::trade::names::match_key;

/// Sales shown of those that an undo restores.
const SHOWN_AGAIN: usize = 10;

/// The result of an undo, real or simulated.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Undone {
    /// Number of the entry.
    pub entry: u64,
    /// Its file, as messages show it.
    pub file: String,
    /// Whether the ledger was written after that file.
    pub ledger_is_newer: bool,
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
    /// The names before and after, if the entry only gave a model another name.
    pub renamed: Option<Renaming>,
}

/// Names that the undo of a rename gives back.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Renaming {
    /// The name that the sales get back.
    pub old: String,
    /// The name that they had.
    pub new: String,
    /// Whether other sales have that name too.
    pub new_stays: bool,
    /// Other names that stand for the old one again.
    pub again: Vec<String>,
    /// Other names that still stand for the new one, of which it is not known for which they stood before.
    pub open: Vec<String>,
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
        // First the names: whoever is stopped in between can undo once more.
        if let Some(names) = &undone.renamed {
            self.give_names_back(names)?;
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
        BookError::refuse(problems)?;
        Ok((imports, rows))
    }

    /// The content of an entry, and the rows that are in force without it. Rows with problems
    /// are skipped, so that a damaged import can be undone.
    fn survey(&self, entry: u64, path: &Path, logged: bool) -> Result<Undone, BookError> {
        let mut undone = Undone {
            entry,
            logged,
            file: self.display_name(path),
            ledger_is_newer: self.is_newer(&self.ledger_path(), path)?,
            ..Undone::default()
        };
        let imports = self.import_files(&self.comps_dir(), &mut |_| {})?;
        let logged_rows = self
            .logged(&*self.log_bytes()?, &LogPart::default(), &imports)?
            .rows;
        let mut renaming = renaming_of(&imports, entry);
        let mut ids: HashSet<String> = HashSet::new();
        self.scan(&imports, logged_rows, &mut |_, row| {
            if let Some(renaming) = &mut renaming {
                renaming.see(&row);
            }
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
        undone.renamed = renaming.and_then(|seen| seen.names(&self.settings().words));
        Ok(undone)
    }

    /// Whether a file was written after another one.
    fn is_newer(&self, one: &Path, other: &Path) -> Result<bool, BookError> {
        let (one, other) = (self.stamp(one)?, self.stamp(other)?);
        let times = one.zip(other);
        Ok(times.is_some_and(|(one, other)| one.modified > other.modified))
    }

    /// Changes the other names of models in the settings to what they were before a rename.
    fn give_names_back(&self, names: &Renaming) -> Result<(), BookError> {
        let refused = |why| {
            BookError::Refused(format!(
                "the names below [words.model] in compband.toml cannot be changed ({why}); nothing was undone"
            ))
        };
        let before = self.settings_text()?;
        let old = [names.old.clone()];
        let text = without_words(&before, "model", &old).map_err(refused)?;
        let again = names.again.iter().map(|word| Meaning {
            column: "model".into(),
            word: word.clone(),
            value: names.old.clone(),
        });
        let text = with_words(&text, &again.collect::<Vec<_>>()).map_err(refused)?;
        if text == before {
            return Ok(());
        }
        self.replace_settings(&text, refused)
    }
}

/// The collector of the names of a rename, from the rows of an entry and those before it; `None` if the entry is no rename.
fn renaming_of(imports: &[ImportFile], entry: u64) -> Option<Seen> {
    let renames = imports.iter().filter(|file| file.is_renamed());
    let renames: HashSet<u64> = renames.map(|file| file.entry).collect();
    renames.contains(&entry).then(|| Seen {
        entry,
        renames,
        ..Seen::default()
    })
}

/// The names that the sales of a rename had, from their newest record to the oldest.
#[derive(Default)]
struct Seen {
    /// The rename.
    entry: u64,
    /// All renames of the book.
    renames: HashSet<u64>,
    /// The new name.
    new: String,
    /// Of each sale of the rename: its oldest record so far, and its name there.
    sales: HashMap<String, (u64, String)>,
    /// Names that come back, each with its number of sales.
    back: BTreeMap<String, usize>,
    /// Names before earlier renames.
    former: BTreeSet<String>,
    /// Keys of the names of all other sales.
    others: HashSet<String>,
    /// The name of the other sale seen last.
    last: String,
}

impl Seen {
    fn see(&mut self, row: &Row) {
        let model = &row.comp.model;
        if row.entry == self.entry {
            self.new.clone_from(model);
            let seen = (row.entry, model.clone());
            self.sales.insert(row.comp.comp_id.clone(), seen);
            return;
        }
        let Some((newer, name)) = self.sales.get_mut(&row.comp.comp_id) else {
            if *model != self.last {
                self.others.insert(match_key(model));
                self.last.clone_from(model);
            }
            return;
        };
        if *newer == self.entry {
            *self.back.entry(model.clone()).or_default() += 1;
        } else if self.renames.contains(newer) && name != model {
            self.former.insert(model.clone());
        }
        (*newer, *name) = (row.entry, model.clone());
    }

    fn names(self, words: &Words) -> Option<Renaming> {
        let alone = self.sales.values().all(|(newer, _)| *newer != self.entry);
        let most = self.back.iter().max_by_key(|(_, sales)| **sales)?;
        let (old, new) = (most.0.clone(), self.new);
        let key = match_key(&old);
        let others = self.back.keys().any(|name| match_key(name) != key);
        if !alone || others {
            return None;
        }
        let new_stays = self.others.contains(&match_key(&new));
        let mut names = Renaming {
            old,
            new,
            new_stays,
            ..Renaming::default()
        };
        let respelt = match_key(&names.new) == key;
        if respelt {
            return Some(names);
        }
        let former: HashSet<String> = self.former.iter().map(|name| match_key(name)).collect();
        for name in words.names_of(&names.new) {
            let own = match_key(name);
            if own == key {
                continue;
            }
            if former.contains(&own) || !new_stays {
                names.again.push(name.to_string());
            } else {
                names.open.push(name.to_string());
            }
        }
        // A rename back turned the two names round.
        if former.contains(&match_key(&names.new)) && !new_stays {
            names.again.push(names.new.clone());
        }
        Some(names)
    }
}
