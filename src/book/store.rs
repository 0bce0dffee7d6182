//! The folder of a book: its files, their order, imports and undo.
//!
//! ```text
//! compband.toml              settings
//! rates.csv                  exchange rates, written by the owner only
//! watch.toml                 units that are watched
//! history/                   their estimates, one line each
//! comps/000001-shop.csv      one file per import, never changed by this program
//! comps/logged.csv           sales recorded one at a time
//! undone/                    entries removed by `compband undo`
//! .compband/                 lock, temporary files and cache, safe to delete
//! ```
//!
//! Imports and logged sales share one sequence of entry numbers. If a `comp_id` occurs more than
//! once, the row of the highest entry is in force.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::Path;
use std::sync::{Arc, PoisonError, mpsc};
use std::time::Duration;

use polars::prelude::{DataFrame, PolarsError, PolarsResult};
use xxhash_rust::xxh3::xxh3_64;

use super::BookError;
use super::comps::cache::build::TableBuilder;
use super::comps::cache::table::Trouble;
use super::comps::cache::{self, Table};
use super::comps::frame::{self, Columns, Known};
use super::comps::log::{self, LogBytes, LogPart};
use super::comps::rows::{Index, Rows};
use super::csv::canonical::{self, Layout, Row};
use super::folder::Access;
use super::imports::ImportFile;
pub use super::open::{Book, BookLock};
use super::rates::KeptRates;
pub use super::stamp::FilesState;
use super::stamp::{Stamp, now};
use crate::settings;
use crate::trade::cells::Wrong;
use crate::trade::names::match_key;
use crate::trade::{Comp, Problem};

/// Rows per batch of the reading thread, and the number of batches by which it may be ahead.
const BATCH_ROWS: usize = 512;
const BATCHES_AHEAD: usize = 8;

/// Attempts to read while files or cache change.
const TRIES: u32 = 3;

/// The valid rows of the log, and the problems of the others.
pub(super) struct Logged {
    pub(super) rows: Vec<Row>,
    pub(super) problems: Vec<Problem>,
}

impl Book {
    /// A hash of everything that affects estimates: the settings and every comps file.
    ///
    /// # Errors
    /// [`BookError::Io`] if a file cannot be read.
    pub fn fingerprint(&self) -> Result<u64, BookError> {
        let mut hash = xxhash_rust::xxh3::Xxh3::new();
        let mut add = |path: &Path| -> Result<(), BookError> {
            // Read in parts: an import may be larger than memory.
            let read = self.folder.each_part(path, &mut |bytes| hash.update(bytes));
            if let Some(length) = read.map_err(BookError::io(path, "read"))? {
                hash.update(self.display_name(path).as_bytes());
                hash.update(&length.to_le_bytes());
            }
            Ok(())
        };
        add(&self.root.join(settings::FILE_NAME))?;
        for file in self.import_files(&self.comps_dir(), &mut |_| {})? {
            add(&file.path)?;
        }
        add(&self.log_path())?;
        Ok(hash.digest())
    }

    /// The present state of the comps files, by names, sizes and times alone. Waits at most
    /// `patience` for files that have just changed, if that makes their state certain.
    ///
    /// # Errors
    /// [`BookError::Io`] if the folder cannot be read.
    pub fn files_state(&self, patience: Duration) -> Result<FilesState, BookError> {
        let mut stamps = self.stamps(&self.import_files(&self.comps_dir(), &mut |_| {})?)?;
        stamps.extend(self.stamp(&self.log_path())?);
        Stamp::settle(&stamps, patience);
        Ok(FilesState {
            hash: xxh3_64(format!("{stamps:?}").as_bytes()),
            bytes: stamps.iter().map(|stamp| stamp.size).sum(),
            sure: Stamp::are_sure(&stamps, now()),
        })
    }

    /// Total size of its comps files in bytes.
    ///
    /// # Errors
    /// [`BookError::Io`] if the folder cannot be read.
    pub fn size(&self) -> Result<u64, BookError> {
        Ok(self.files_state(Duration::ZERO)?.bytes)
    }

    /// Every `comp_id` in force with its content hash.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn index(&self) -> Result<Index, BookError> {
        self.rows(&mut |_| {}, &mut Rows::index)
    }

    /// The exchange rates of the comps in force that were paid in another currency.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn kept_rates(&self) -> Result<KeptRates, BookError> {
        self.rows(&mut |_| {}, &mut |rows| {
            let mut kept = KeptRates::default();
            rows.each_part(&mut |part| {
                kept.add(frame::foreign(&part)?);
                Ok(())
            })?;
            Ok(kept)
        })
    }

    /// Every spelling of a model in the comps in force.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn models(&self) -> Result<Vec<String>, BookError> {
        self.rows(&mut |_| {}, &mut Rows::models)
    }

    /// The comps in force with these identifiers.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn comps_by_id(&self, ids: &HashSet<String>) -> Result<HashMap<String, Comp>, BookError> {
        if ids.is_empty() {
            return Ok(HashMap::new());
        }
        let frame = self.rows(&mut |_| {}, &mut |rows| rows.find(ids))?;
        let rows = frame::FrameRows::new(&frame, &self.settings.currency)
            .map_err(|error| self.internal(&error))?;
        let comps = rows.comps().filter(|comp| ids.contains(&comp.comp_id));
        Ok(comps.map(|comp| (comp.comp_id.clone(), comp)).collect())
    }

    /// Every comp in force, in the columns described in [`crate::book::comps::frame`].
    ///
    /// # Errors
    /// [`BookError::Rows`] with all problems in the book's files.
    pub fn frame(&self, notice: &mut dyn FnMut(&str)) -> Result<DataFrame, BookError> {
        self.rows(notice, &mut Rows::whole)
    }

    /// Folds over all comps in force, in tables like those of [`Book::frame`], each with all comps
    /// of its models: memory contains one part of a large book at a time.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn fold_models<T: Default>(
        &self,
        notice: &mut dyn FnMut(&str),
        add: &mut dyn FnMut(&mut T, DataFrame) -> PolarsResult<()>,
    ) -> Result<T, BookError> {
        self.rows(notice, &mut |rows| {
            let mut all = T::default();
            rows.each_part(&mut |part| add(&mut all, part))?;
            Ok(all)
        })
    }

    /// Like [`Book::frame`], but only the comps of one model (ignoring case and spacing), which is
    /// much faster for a large book. If there are no comps of the model, the table has a row for
    /// every spelling of a model, possibly without other content.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn frame_of_model(
        &self,
        model: &str,
        notice: &mut dyn FnMut(&str),
    ) -> Result<DataFrame, BookError> {
        Ok(self.frame_among(model, 0, &|_| false, notice)?.0)
    }

    /// Like [`Book::frame_of_model`], with the comps of at most `most` other models: those with
    /// most comps for which `wanted` (called with the key) is true.
    ///
    /// # Errors
    /// Those of [`Book::frame`].
    pub fn frame_among(
        &self,
        model: &str,
        most: usize,
        wanted: &dyn Fn(&str) -> bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(DataFrame, DataFrame), BookError> {
        let key = match_key(model);
        self.rows(notice, &mut |rows| rows.among(&key, most, wanted))
    }

    /// Calls a function with the comps in force.
    fn rows<T>(
        &self,
        notice: &mut dyn FnMut(&str),
        job: &mut dyn FnMut(Rows) -> Result<T, Trouble>,
    ) -> Result<T, BookError> {
        let mut tries = 0;
        let mut trusted = true;
        loop {
            let found = self.rows_once(trusted, notice);
            let done = found.and_then(|(rows, settled)| {
                // Imports appeared or disappeared during reading: the result may mix two states.
                Ok(if settled || tries >= TRIES {
                    Some(job(rows)?)
                } else {
                    None
                })
            });
            match done {
                Ok(Some(done)) => return Ok(done),
                Ok(None) => {}
                Err(Trouble::Damaged) if tries < TRIES => {
                    cache::discard(self);
                    trusted = false;
                }
                // Another run has undone a file that disappeared during reading.
                Err(Trouble::Book(BookError::Io { source, .. }))
                    if source.kind() == io::ErrorKind::NotFound && tries < TRIES => {}
                Err(Trouble::Book(error)) => return Err(error),
                Err(Trouble::Internal(error)) => return Err(self.internal(&error)),
                Err(damaged @ Trouble::Damaged) => {
                    let error = io::Error::other(damaged.to_string());
                    return Err(BookError::io(self.root.join(".compband"), "read")(error));
                }
            }
            tries += 1;
        }
    }

    /// The comps in force, and whether the same imports existed before and after reading.
    fn rows_once(
        &self,
        trusted: bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(Rows, bool), Trouble> {
        let imports = self.import_files(&self.comps_dir(), notice)?;
        let stamps = self.stamps(&imports)?;
        let log = self.read_log(notice)?;
        let cached = cache::open(self, &stamps, &log).filter(|_| trusted);
        let cached = cached.and_then(|table| {
            let known: HashSet<&Stamp> = table.label.sources.iter().collect();
            let later = imports.iter().zip(&stamps);
            let later: Vec<_> = later.filter(|(_, stamp)| !known.contains(stamp)).collect();
            let fits = log.after(&table.label.log).len() as u64 <= cache::WORTH_BYTES
                && later.iter().map(|(_, stamp)| stamp.size).sum::<u64>() <= cache::OVERLAY_BYTES;
            let later: Vec<ImportFile> = later.iter().map(|(file, _)| (*file).clone()).collect();
            fits.then_some((table, later))
        });
        let overlay = match cached {
            Some((table, later)) => {
                let known = table.label.log;
                let logged = self.logged(&log, &known, &imports)?;
                let entries = logged.rows.iter().map(|row| row.entry);
                let mut entries = entries.chain(later.iter().map(|file| file.entry));
                // It is then unknown whether the cached part of the log has the same number.
                let newer = entries.all(|entry| entry > known.highest);
                newer.then_some((table, later, logged))
            }
            None => None,
        };
        let rows = match overlay {
            Some((table, later, logged)) => self.overlay(Some(table), &later, logged)?,
            None => {
                let logged = self.logged(&log, &LogPart::default(), &imports)?;
                self.all_anew(&imports, &stamps, (&log, logged), notice)?
            }
        };
        let after = self.stamps(&self.import_files(&self.comps_dir(), &mut |_| {})?)?;
        Ok((rows, after == stamps))
    }

    /// The rows in force, read without the cache; for a large book by making a new one.
    fn all_anew(
        &self,
        imports: &[ImportFile],
        stamps: &[Stamp],
        (log, mut logged): (&LogBytes, Logged),
        notice: &mut dyn FnMut(&str),
    ) -> Result<Rows, Trouble> {
        let imported: u64 = stamps.iter().map(|stamp| stamp.size).sum();
        let large_log = log.finished().len() as u64 >= cache::WORTH_BYTES;
        if !large_log && imported < cache::WORTH_BYTES {
            return self.overlay(None, imports, logged);
        }
        let mut part = LogPart::default();
        let mut within = Vec::new();
        if large_log && logged.problems.is_empty() {
            part = log.part(&logged.rows);
            within = std::mem::take(&mut logged.rows);
        }
        match self.build(imports, stamps, (part, within), &logged.problems, notice) {
            Ok(table) => {
                // To be read again, including the cached part.
                *self.log_read.lock().unwrap_or_else(PoisonError::into_inner) = None;
                self.overlay(Some(table), &[], logged)
            }
            Err(Trouble::Book(error)) if is_unwritten(&error) => {
                notice(&cache::unwritten(&error));
                let logged = self.logged(log, &LogPart::default(), imports)?;
                self.overlay(None, imports, logged)
            }
            Err(error) => Err(error),
        }
    }

    /// The rows of the cached table, if there is one, with the log and these imports as overlay.
    fn overlay(
        &self,
        table: Option<Table>,
        imports: &[ImportFile],
        logged: Logged,
    ) -> Result<Rows, Trouble> {
        let Logged { rows, mut problems } = logged;
        let (mut known, mut columns) = (Known::default(), Columns::default());
        problems.extend(self.scan_beside(imports, rows, &mut |file, row| {
            known.push(&mut columns, file, row)
        })?);
        if problems.is_empty() {
            Rows::new(table, columns.finish()?)
        } else {
            Err(in_order(problems).into())
        }
    }

    /// Makes the cached table of these imports and a part of the log; passes their problems to
    /// `wrong`.
    fn build(
        &self,
        imports: &[ImportFile],
        stamps: &[Stamp],
        (log, logged): (LogPart, Vec<Row>),
        wrong: &[Problem],
        notice: &mut dyn FnMut(&str),
    ) -> Result<Table, Trouble> {
        Stamp::settle(stamps, cache::LONGEST_WAIT);
        let made = now();
        let dir = self.cache_dir()?;
        let bytes = stamps.iter().map(|stamp| stamp.size).sum::<u64>() + log.length as u64;
        let unwritten = |error: io::Error| Trouble::Book(BookError::io(&dir, "write")(error));
        let failed = |error: PolarsError| unwritten(io::Error::other(error.to_string()));
        let mut builder = TableBuilder::new(self.folder(), &dir, bytes).map_err(failed)?;
        let mut push = |file: &str, row: &Row| builder.push(file, row);
        let mut problems = self.scan_beside(imports, logged, &mut push)?;
        if !problems.is_empty() {
            problems.extend_from_slice(wrong);
            return Err(in_order(problems).into());
        }
        let built = builder.finish().map_err(|error| match error {
            Trouble::Internal(error) => failed(error),
            other => other,
        })?;
        // A table of files that changed is only for this run.
        let after = self.stamps(&self.import_files(&self.comps_dir(), &mut |_| {})?)?;
        let made = if after == stamps { made } else { 0 };
        cache::keep(self, built, (stamps.to_vec(), log), made, notice).map_err(unwritten)
    }

    /// Like [`Book::scan`], but reads in a second thread while `each` works; returns the problems
    /// of both.
    fn scan_beside(
        &self,
        imports: &[ImportFile],
        logged: Vec<Row>,
        each: &mut dyn FnMut(&str, &Row) -> Option<Problem>,
    ) -> Result<Vec<Problem>, BookError> {
        let (sender, receiver) = mpsc::sync_channel::<(String, Vec<Row>)>(BATCHES_AHEAD);
        // Rows return to the thread that made them, where freeing them is much faster.
        let (back, done) = mpsc::channel::<Vec<Row>>();
        std::thread::scope(|scope| {
            let reading = scope.spawn(move || {
                let mut batch = (String::new(), Vec::new());
                let scanned = self.scan(imports, logged, &mut |file, row| {
                    if batch.0 != file || batch.1.len() >= BATCH_ROWS {
                        let next = (file.to_string(), Vec::with_capacity(BATCH_ROWS));
                        done.try_iter().for_each(drop);
                        // The receiver disappears only if its thread panics.
                        let _ = sender.send(std::mem::replace(&mut batch, next));
                    }
                    batch.1.push(row);
                });
                let _ = sender.send(batch);
                scanned
            });
            let mut found = Vec::new();
            for (file, rows) in receiver {
                found.extend(rows.iter().filter_map(|row| each(&file, row)));
                // If that thread has ended, they are freed here.
                let _ = back.send(rows);
            }
            match reading.join() {
                Ok(scanned) => found.extend(scanned?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
            Ok(found)
        })
    }

    /// Passes every valid row of these imports and of the log to `each`, with the name of its file,
    /// newer entries first. Returns the problems of the others.
    pub(super) fn scan(
        &self,
        imports: &[ImportFile],
        mut logged: Vec<Row>,
        each: &mut dyn FnMut(&str, Row),
    ) -> Result<Vec<Problem>, BookError> {
        let mut problems = Vec::new();
        logged.sort_by_key(|row| std::cmp::Reverse(row.entry));
        let mut logged = logged.into_iter().peekable();
        let log_name = self.display_name(&self.log_path());
        for import in imports {
            while let Some(row) = logged.next_if(|row| row.entry > import.entry) {
                each(&log_name, row);
            }
            let name = self.display_name(&import.path);
            let file = self.folder.file(&import.path, Access::Read);
            let file = file.map_err(BookError::io(&import.path, "read"))?;
            let layout = Layout::Import(import.entry);
            let read = canonical::read(file, &name, layout, &self.settings, &mut |row| {
                each(&name, row)
            });
            problems.extend(read.map_err(BookError::io(&import.path, "read"))?);
        }
        logged.for_each(|row| each(&log_name, row));
        Ok(problems)
    }

    /// The logged sales after a part of the log; `imports` are all imports, whose numbers they must
    /// not have.
    pub(super) fn logged(
        &self,
        log: &LogBytes,
        after: &LogPart,
        imports: &[ImportFile],
    ) -> Result<Logged, BookError> {
        let name = self.display_name(&self.log_path());
        let (rows, mut problems) = log::rows(log, after, &name, &self.settings)?;
        let taken: HashMap<u64, &ImportFile> = imports
            .iter()
            .map(|import| (import.entry, import))
            .collect();
        let shared = |row: &Row| {
            let import = self.display_name(&taken.get(&row.entry)?.path);
            let expected = format!("a number of its own; {import} has the same");
            let wrong = Wrong::new(
                expected,
                "put back its old number, or give it an unused one",
            );
            Some(wrong.at(&name, row.line, "entry", &row.entry.to_string()))
        };
        problems.extend(rows.iter().filter_map(shared));
        Ok(Logged { rows, problems })
    }

    /// The log, with a notice if its last line is unfinished.
    fn read_log(&self, notice: &mut dyn FnMut(&str)) -> Result<Arc<LogBytes>, BookError> {
        let path = self.log_path();
        let log = self.log_bytes()?;
        if log.is_torn() {
            notice(&format!(
                "the last line of {} is not finished and is skipped; the next `compband log` repairs the file",
                self.display_name(&path)
            ));
        }
        Ok(log)
    }

    /// Present stamps of import files.
    fn stamps(&self, imports: &[ImportFile]) -> Result<Vec<Stamp>, BookError> {
        let stamp = |import: &ImportFile| {
            let gone = || BookError::io(&import.path, "read")(io::ErrorKind::NotFound.into());
            self.stamp(&import.path)?.ok_or_else(gone)
        };
        imports.iter().map(stamp).collect()
    }

    /// An error of the table library; the user is not the cause.
    fn internal(&self, error: &polars::prelude::PolarsError) -> BookError {
        BookError::io(self.comps_dir(), "make a table of the comps")(io::Error::other(
            error.to_string(),
        ))
    }
}

/// Whether the cache cannot be written (rather than a file having disappeared before it was read).
fn is_unwritten(error: &BookError) -> bool {
    match error {
        BookError::Io { source, .. } => source.kind() != io::ErrorKind::NotFound,
        // Its folder leads out of the book.
        BookError::Refused(_) => true,
        _ => false,
    }
}

/// Problems in the order of files and rows, as an error.
fn in_order(mut problems: Vec<Problem>) -> BookError {
    problems.sort_by(|a, b| (&a.file, a.row).cmp(&(&b.file, b.row)));
    BookError::Rows(problems)
}
