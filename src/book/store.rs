//! The folder of a book: finding it, locking it, its files and their order.
//!
//! ```text
//! compband.toml              settings
//! rates.csv                  what other currencies were worth, written by the owner only
//! watch.toml                 units that are watched
//! history/                   their estimates, one line for each that was made
//! comps/000001-shop.csv      one file per import, never changed by this program
//! comps/logged.csv           sales recorded one at a time
//! undone/                    what `compband undo` took back
//! .compband/                 lock, temporary files and cache, safe to delete
//! ```
//!
//! Every import and every logged sale has an entry number, counted up together. Where a
//! `comp_id` stands more than once, the row of the highest entry is in force.

pub use super::open::{Book, BookLock};
pub use super::stamp::FilesState;
use super::stamp::Stamp;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, mpsc};
use std::time::Duration;

use polars::prelude::{DataFrame, PolarsError, PolarsResult};
use xxhash_rust::xxh3::xxh3_64;

use super::folder::{Access, Temporary};
use super::rates::KeptRates;
use crate::book::BookError;
use crate::book::comps::cache;
use crate::book::comps::cache::Table;
use crate::book::comps::cache::build::TableBuilder;
use crate::book::comps::cache::table::Trouble;
use crate::book::comps::frame;
use crate::book::comps::log::{self, LogBytes, LogPart};
use crate::book::comps::rows::{Index, Rows};
use crate::book::csv::canonical::{self, Layout, Row};
use crate::settings;
use crate::trade::names::match_key;
use crate::trade::{Comp, Problem};

/// Rows handed from the reading thread at a time, and how many such batches it may be ahead.
const BATCH_ROWS: usize = 512;
const BATCHES_AHEAD: usize = 8;

/// Longest name of an import file between its number and `.csv`, in characters.
const SLUG: usize = 40;

/// How often reading is tried again where files or cache change meanwhile.
const TRIES: u32 = 3;

/// Sales shown of those that an undo brings back into force.
const SHOWN_AGAIN: usize = 10;

/// What an undo took back (or would).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Undone {
    /// Number of the entry.
    pub entry: u64,
    /// The file it was in, as shown to the user.
    pub file: String,
    /// Whether it was a logged sale, not an import.
    pub logged: bool,
    /// Good rows it held.
    pub rows: usize,
    /// Rows of it by model.
    pub models: BTreeMap<String, usize>,
    /// How many older rows are in force again.
    pub again: usize,
    /// The first few of those.
    pub again_shown: Vec<Comp>,
}

/// The good rows of the log, and what is wrong with the others.
struct Logged {
    rows: Vec<Row>,
    problems: Vec<Problem>,
}

impl Book {
    /// A hash of everything that estimates rest on: the settings and every comps file.
    ///
    /// # Errors
    /// [`BookError::Io`] where a file cannot be read.
    pub fn fingerprint(&self) -> Result<u64, BookError> {
        let mut hash = xxhash_rust::xxh3::Xxh3::new();
        let mut add = |path: &Path| -> Result<(), BookError> {
            // Read by parts: an import may be larger than memory.
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

    /// The comps files as they are now, by names, sizes and times alone. Files that have only just
    /// changed are waited for, at most `patience`, where that makes sure of them.
    ///
    /// # Errors
    /// [`BookError::Io`] where the folder cannot be read.
    pub fn files_state(&self, patience: Duration) -> Result<FilesState, BookError> {
        let mut stamps = self.stamps(&self.import_files(&self.comps_dir(), &mut |_| {})?)?;
        stamps.extend(self.stamp(&self.log_path())?);
        cache::settle(&stamps, patience);
        Ok(FilesState {
            hash: xxh3_64(format!("{stamps:?}").as_bytes()),
            bytes: stamps.iter().map(|stamp| stamp.size).sum(),
            sure: cache::are_sure(&stamps, cache::now()),
        })
    }

    /// Bytes of its comps files.
    ///
    /// # Errors
    /// [`BookError::Io`] where the folder cannot be read.
    pub fn size(&self) -> Result<u64, BookError> {
        Ok(self.files_state(Duration::ZERO)?.bytes)
    }

    /// Every `comp_id` in force with its content hash.
    ///
    /// # Errors
    /// As [`Book::frame`].
    pub fn index(&self) -> Result<Index, BookError> {
        self.rows(&mut |_| {}, &mut Rows::index)
    }

    /// The rates of the comps in force that were paid in another currency.
    ///
    /// # Errors
    /// As [`Book::frame`].
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
    /// As [`Book::frame`].
    pub fn models(&self) -> Result<Vec<String>, BookError> {
        self.rows(&mut |_| {}, &mut Rows::models)
    }

    /// The comps in force with these identifiers.
    ///
    /// # Errors
    /// As [`Book::frame`].
    pub fn comps_by_id(&self, ids: &HashSet<String>) -> Result<HashMap<String, Comp>, BookError> {
        if ids.is_empty() {
            return Ok(HashMap::new());
        }
        let frame = self.rows(&mut |_| {}, &mut |rows| rows.find(ids))?;
        let rows = frame::FrameRows::new(&frame, &self.settings.currency)
            .map_err(|error| self.internal(&error))?;
        Ok((0..rows.len())
            .filter(|&at| ids.contains(rows.comp_id(at)))
            .map(|at| (rows.comp_id(at).to_string(), rows.comp(at)))
            .collect())
    }

    /// Makes a finished temporary file (synced; header and canonical rows) the next import and
    /// returns its entry number and path. `source` names what was imported.
    ///
    /// # Errors
    /// Where the file cannot be moved into place; the book is then as before.
    pub fn commit_import(
        &self,
        lock: &BookLock,
        file: Temporary,
        source: &str,
    ) -> Result<(u64, PathBuf), BookError> {
        let entry = self.next_entry(lock)?;
        let name = format!("{entry:06}-{}.csv", slug(source));
        let path = self.comps_dir().join(name);
        let placed = self.folder.place_new(&file, &path);
        placed.map_err(BookError::io(&path, "write"))?;
        Ok((entry, path))
    }

    /// The next entry number: numbers count up over imports and logged sales, in force or
    /// taken back, so that none is used twice.
    pub(crate) fn next_entry(&self, _lock: &BookLock) -> Result<u64, BookError> {
        let mut highest = 0;
        let undone = self.undone_dir();
        let taken_back = LogBytes::read(self, &undone.join(log::FILE_NAME))?;
        for (dir, log) in [
            (self.comps_dir(), self.log_bytes()?),
            (undone, Arc::new(taken_back)),
        ] {
            let imported = self
                .import_files(&dir, &mut |_| {})?
                .first()
                .map_or(0, |file| file.entry);
            highest = highest
                .max(imported)
                .max(log::highest_entry(&log, &dir.join(log::FILE_NAME))?);
        }
        if highest >= u64::from(u32::MAX) {
            return Err(BookError::Refused(format!(
                "{}: entry {highest} has the largest number there is, so that nothing can come after it; nothing was \
                 changed. Find it in comps/ or undone/ and give it a number that follows on the others",
                self.root.display()
            )));
        }
        Ok(highest + 1)
    }

    /// Takes the last entry back: an import file is moved to `undone/`, the line of a logged
    /// sale to `undone/logged.csv`. `None` where there is nothing to take back. With `dry_run`
    /// nothing is changed.
    ///
    /// # Errors
    /// Where reading or writing fails.
    pub fn undo(
        &self,
        lock: &BookLock,
        dry_run: bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Option<Undone>, BookError> {
        if !dry_run {
            self.repair_log(lock, notice)?;
        }
        let imports = self.import_files(&self.comps_dir(), notice)?;
        let Logged { rows, problems } =
            self.logged(&*self.log_bytes()?, &LogPart::default(), &imports)?;
        if !problems.is_empty() {
            return Err(BookError::Rows(problems));
        }
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

    /// What the last entry holds and what comes back into force without it. Rows with problems
    /// are passed over, so that a spoilt import can be taken back.
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

    /// Every comp in force, in the columns described in [`crate::book::comps::frame`].
    ///
    /// # Errors
    /// [`BookError::Rows`] with everything that is wrong in the book's files.
    pub fn frame(&self, notice: &mut dyn FnMut(&str)) -> Result<DataFrame, BookError> {
        self.rows(notice, &mut Rows::whole)
    }

    /// Gathers something from every comp in force, in tables as [`Book::frame`] gives them that each
    /// have all comps of their models: memory holds one part of a large book at a time.
    ///
    /// # Errors
    /// As [`Book::frame`].
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

    /// As [`Book::frame`], but only the comps of one model (case and spacing ignored), which is
    /// much faster in a large book. Where no comp is of the model, the table has every spelling of
    /// a model and may have nothing else.
    ///
    /// # Errors
    /// As [`Book::frame`].
    pub fn frame_of_model(
        &self,
        model: &str,
        notice: &mut dyn FnMut(&str),
    ) -> Result<DataFrame, BookError> {
        Ok(self.frame_among(model, 0, &|_| false, notice)?.0)
    }

    /// As [`Book::frame_of_model`], and beside it the comps of at most `most` other models: those
    /// with most comps among the `wanted` (asked by key).
    ///
    /// # Errors
    /// As [`Book::frame`].
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

    /// Does a job with the comps in force.
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
                // Imports came or went while reading: what was read may mix two states.
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
                // A file that went away while reading was taken back by another run.
                Err(Trouble::Book(BookError::Io { source, .. }))
                    if source.kind() == io::ErrorKind::NotFound && tries < TRIES => {}
                Err(Trouble::Book(error)) => return Err(error),
                Err(Trouble::Internal(error)) => return Err(self.internal(&error)),
                Err(Trouble::Damaged) => {
                    let error = io::Error::other("the cache changes while it is read");
                    return Err(BookError::io(self.root.join(".compband"), "read")(error));
                }
            }
            tries += 1;
        }
    }

    /// The comps in force, and whether the same imports were there before and after reading.
    fn rows_once(
        &self,
        trusted: bool,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(Rows, bool), Trouble> {
        let imports = self.import_files(&self.comps_dir(), notice)?;
        let stamps = self.stamps(&imports)?;
        let log = self.read_log(notice)?;
        let cached = cache::open(self, &stamps, &log).filter(|_| trusted);
        let cached = cached.filter(|cached| {
            let overlay = stamps.iter().filter(|stamp| !cached.of.contains(stamp));
            log.after(&cached.log).len() as u64 <= cache::WORTH_BYTES
                && overlay.map(|stamp| stamp.size).sum::<u64>() <= cache::OVERLAY_BYTES
        });
        let overlay = match cached {
            Some(cached) => {
                let later = imports.iter().zip(&stamps);
                let later = later.filter(|(_, stamp)| !cached.of.contains(stamp));
                let later: Vec<ImportFile> = later.map(|(import, _)| import.clone()).collect();
                let logged = self.logged(&log, &cached.log, &imports)?;
                let entries = logged.rows.iter().map(|row| row.entry);
                let mut entries = entries.chain(later.iter().map(|file| file.entry));
                // Whether the part of the log in the cache has the same number is not known then.
                let newer = entries.all(|entry| entry > cached.log.highest);
                newer.then_some((cached.table, later, logged))
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

    /// The rows in force without what is in the cache: by way of a new one in a large book.
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
                // To be read again, with what the cache has of it.
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

    /// The rows of the cached table, where there is one, with the log and these imports beside it.
    fn overlay(
        &self,
        table: Option<Table>,
        imports: &[ImportFile],
        logged: Logged,
    ) -> Result<Rows, Trouble> {
        let Logged { rows, mut problems } = logged;
        let mut builder = frame::Builder::default();
        problems.extend(self.scan_beside(imports, rows, &mut |file, row| builder.push(file, row))?);
        if problems.is_empty() {
            Rows::new(table, builder.finish()?)
        } else {
            Err(in_order(problems).into())
        }
    }

    /// Makes the cached table of these imports and a part of the log; `wrong` is told with what is wrong in them.
    fn build(
        &self,
        imports: &[ImportFile],
        stamps: &[Stamp],
        (log, logged): (LogPart, Vec<Row>),
        wrong: &[Problem],
        notice: &mut dyn FnMut(&str),
    ) -> Result<Table, Trouble> {
        cache::settle(stamps, cache::LONGEST_WAIT);
        let made = cache::now();
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
        // What is not settled is for this run only.
        let after = self.stamps(&self.import_files(&self.comps_dir(), &mut |_| {})?)?;
        let made = if after == stamps { made } else { 0 };
        cache::keep(self, built, (stamps.to_vec(), log), made, notice).map_err(unwritten)
    }

    /// As [`Book::scan`], but reading goes on in a second thread while `each` works; returns
    /// what reading and `each` found wrong.
    fn scan_beside(
        &self,
        imports: &[ImportFile],
        logged: Vec<Row>,
        each: &mut dyn FnMut(&str, &Row) -> Option<Problem>,
    ) -> Result<Vec<Problem>, BookError> {
        let (sender, receiver) = mpsc::sync_channel::<(String, Vec<Row>)>(BATCHES_AHEAD);
        // Rows go back to the thread that made them: freeing them there is much cheaper.
        let (back, done) = mpsc::channel::<Vec<Row>>();
        std::thread::scope(|scope| {
            let reading = scope.spawn(move || {
                let mut batch = (String::new(), Vec::new());
                let scanned = self.scan(imports, logged, &mut |file, row| {
                    if batch.0 != file || batch.1.len() >= BATCH_ROWS {
                        let next = (file.to_string(), Vec::with_capacity(BATCH_ROWS));
                        done.try_iter().for_each(drop);
                        // The receiver goes away only when its thread panics.
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
                // Where that thread has ended, they go here.
                let _ = back.send(rows);
            }
            match reading.join() {
                Ok(scanned) => found.extend(scanned?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
            Ok(found)
        })
    }

    /// Hands every good row of these imports and of those logged to `each` with the name of its file,
    /// rows of newer entries first, and returns what is wrong with the others.
    fn scan(
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

    /// The logged sales after a part of the log; `imports` are all imports, whose numbers they may not have.
    fn logged(
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
            Some(Problem {
                file: name.clone(),
                row: row.line,
                column: "entry".into(),
                value: row.entry.to_string(),
                expected: format!("a number of its own; {import} has it too"),
                mend: "put back the number it had, or give it one that nothing else has".into(),
            })
        };
        problems.extend(rows.iter().filter_map(shared));
        Ok(Logged { rows, problems })
    }

    /// The log, with a notice where its last line is not finished.
    fn read_log(&self, notice: &mut dyn FnMut(&str)) -> Result<Arc<LogBytes>, BookError> {
        let path = self.log_path();
        let log = self.log_bytes()?;
        if log.is_torn() {
            notice(&format!(
                "the last line of {} is not finished and is passed over; the next `compband log` mends it",
                self.display_name(&path)
            ));
        }
        Ok(log)
    }

    /// Import files as they are now.
    fn stamps(&self, imports: &[ImportFile]) -> Result<Vec<Stamp>, BookError> {
        let stamp = |import: &ImportFile| {
            let gone = || BookError::io(&import.path, "read")(io::ErrorKind::NotFound.into());
            self.stamp(&import.path)?.ok_or_else(gone)
        };
        imports.iter().map(stamp).collect()
    }

    /// The import files of a folder, newest entry first; told through `notice`: CSV files that are
    /// none. A folder that does not exist has none.
    fn import_files(
        &self,
        dir: &Path,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Vec<ImportFile>, BookError> {
        let names = self.folder.list(dir).map_err(BookError::io(dir, "read"))?;
        let mut files: Vec<ImportFile> = Vec::new();
        for name in names {
            let path = dir.join(&name);
            let Ok(name) = name.into_string() else {
                continue;
            };
            if name.starts_with('.') || !name.ends_with(".csv") || name == log::FILE_NAME {
                continue;
            }
            match entry_of(&name) {
                Some(entry) => files.push(ImportFile { entry, name, path }),
                None => notice(&format!(
                    "{}: not an import of this book and passed over; `compband import` takes it in",
                    path.display()
                )),
            }
        }
        files.sort_by(|a, b| b.entry.cmp(&a.entry).then_with(|| a.name.cmp(&b.name)));
        if let Some(pair) = files.windows(2).find(|pair| pair[0].entry == pair[1].entry) {
            return Err(BookError::Refused(format!(
                "{}: {} and {} carry the same number; move one of the two out of the folder",
                dir.display(),
                pair[0].name,
                pair[1].name
            )));
        }
        Ok(files)
    }

    /// An error of the table library: not one of the user's making.
    fn internal(&self, error: &polars::prelude::PolarsError) -> BookError {
        BookError::io(self.comps_dir(), "make a table of the comps")(io::Error::other(
            error.to_string(),
        ))
    }
}

/// Whether the cache cannot be written, rather than a file be gone when it should be read.
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

/// One import file.
#[derive(Debug, Clone)]
struct ImportFile {
    entry: u64,
    name: String,
    path: PathBuf,
}

/// Entry number of an import file's name, `NNNNNN-….csv`.
fn entry_of(name: &str) -> Option<u64> {
    let (number, _) = name.split_once('-')?;
    let shaped = number.len() >= 6 && number.bytes().all(|b| b.is_ascii_digit());
    shaped
        .then(|| number.parse::<u32>().ok())
        .flatten()
        .filter(|&n| n > 0)
        .map(u64::from)
}

/// A file name's stem brought to letters, digits and single hyphens.
fn slug(source: &str) -> String {
    let stem = Path::new(source)
        .file_stem()
        .map_or(String::new(), |stem| stem.to_string_lossy().to_lowercase());
    let mut slug = String::new();
    for c in stem.chars().take(4 * SLUG) {
        if c.is_ascii_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.truncate(SLUG);
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() {
        "comps".into()
    } else {
        slug.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn names_of_import_files() {
        assert_eq!(slug("/a/b/My Sales (2026)!.csv"), "my-sales-2026");
        assert_eq!(slug("ääää.csv"), "comps");
        assert_eq!(slug(""), "comps");
        assert!(slug(&"x".repeat(500)).len() <= SLUG);
        assert_eq!(entry_of("000012-a.csv"), Some(12));
        assert_eq!(entry_of("1000000-a.csv"), Some(1_000_000));
        for other in [
            "12-a.csv",
            "a-000012.csv",
            "00001x-a.csv",
            "000000-a.csv",
            "99999999999-a.csv",
        ] {
            assert_eq!(entry_of(other), None, "{other}");
        }
    }

    #[test]
    fn imports_are_numbered_on() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        let lock = book.lock(&mut |_| {}).unwrap();
        fs::create_dir(book.undone_dir()).unwrap();
        fs::write(book.undone_dir().join("000007-old.csv"), "").unwrap();
        let (entry, path) = book
            .commit_import(&lock, book.temporary().unwrap(), "Shop.csv")
            .unwrap();
        assert_eq!(
            (entry, book.display_name(&path).as_str()),
            (8, "comps/000008-shop.csv")
        );
        fs::write(book.undone_dir().join(log::FILE_NAME), "entry,x\n11,\"a\n").unwrap();
        assert_eq!(book.next_entry(&lock).unwrap(), 12);
    }
}
