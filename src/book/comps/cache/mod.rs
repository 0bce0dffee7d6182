//! The columnar cache in `.compband/cache/`: the imports of a large book, and its log if that is
//! large, as three Arrow files (rows in parts by model, models, identifiers), with a label that
//! describes their sources.
//!
//! If anything differs (other files, other settings, a truncated or changed file, an unknown
//! format), the cache counts as missing. All files are renamed into place, the label last. The hash
//! of each batch of rows is checked when it is read, so that reading one model touches little of
//! the file.

pub(crate) mod build;
pub(crate) mod table;

use std::collections::HashSet;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use polars::prelude::DataFrame;
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::xxh3_64;

use crate::book::BookError;
use crate::book::comps::log::{LogBytes, LogPart};
use crate::book::folder::Access;
use crate::book::open::Book;
use crate::book::stamp::Stamp;
use crate::settings::Settings;
use build::Built;
use table::{ArrowFile, Id, Layout, Models, Trouble};

/// Size of imports, or of the log, from which a cache is useful; also the largest size of later log
/// lines read as overlay. (Reading and checking a row takes some 2 µs, and a cached estimate some
/// 0.1 s in all, whatever the size of the book.)
pub(crate) const WORTH_BYTES: u64 = 1 << 20;

/// Largest size of later imports read as overlay, before the cache is rebuilt.
pub(crate) const OVERLAY_BYTES: u64 = 4 << 20;

/// Changes with every change of the layout or of how canonical files are read.
const FORMAT: u32 = 9;

/// Longest wait until the state of files is certain.
pub(crate) const LONGEST_WAIT: Duration = Duration::from_millis(50);

/// A file changed less than this long before it was read may have changed again within the same
/// time stamp: the clock of file systems ticks every few milliseconds, on some every two seconds.
fn unsure_nanos(modified: u64) -> u64 {
    let whole_seconds = modified.is_multiple_of(1_000_000_000);
    if whole_seconds {
        2_000_000_000
    } else {
        20_000_000
    }
}

const LABEL: &str = "comps.json";

/// Lock file for replacing table and label.
const LOCK: &str = "lock";

/// Prefixes of the names of the table's files, in the order of [`Built::files`].
const FILES: [&str; 3] = ["comps", "models", "ids"];

/// The sources of the cache, and the layout of its files.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
    settings: u64,
    sources: Vec<Stamp>,
    log: LogPart,
    files: [Layout; 3],
    /// The first hash of each batch of identifiers.
    firsts: Vec<u64>,
}

impl Label {
    /// The names of the files, which contain hashes of their content.
    fn names(&self) -> [String; 3] {
        let layouts = serde_json::to_vec(&(&self.files, &self.firsts)).unwrap_or_default();
        FILES.map(|name| format!("{name}-{:016x}.arrow", xxh3_64(&layouts)))
    }
}

/// The opened cached table.
#[derive(Debug)]
pub(crate) struct Table {
    rows: ArrowFile,
    models: ArrowFile,
    ids: ArrowFile,
    firsts: Vec<u64>,
}

impl Table {
    /// The table in these files; `None` if one of them has changed.
    fn new(files: [File; 3], layouts: [Layout; 3], firsts: Vec<u64>) -> Option<Self> {
        let opened = files.into_iter().zip(layouts);
        let mut opened = opened.filter_map(|(file, layout)| ArrowFile::new(file, layout).ok());
        let (rows, models, ids) = (opened.next()?, opened.next()?, opened.next()?);
        Some(Self {
            rows,
            models,
            ids,
            firsts,
        })
    }

    /// Number of parts.
    pub(crate) fn parts(&self) -> usize {
        self.rows.batches()
    }

    /// The rows of a part, those of one model in the order of their entries and lines.
    pub(crate) fn part(&self, number: usize) -> Result<DataFrame, Trouble> {
        self.rows.rows(number)
    }

    /// Its models.
    pub(crate) fn models(&self) -> Result<Models, Trouble> {
        Ok(Models::new(&self.models.rows(0)?)?)
    }

    /// Every identifier, sorted by its hash.
    pub(crate) fn ids(&self) -> Result<Vec<(u64, u64)>, Trouble> {
        let mut ids = Vec::new();
        for batch in 0..self.ids.batches() {
            let more = Id::all_of(&self.ids.rows(batch)?)?;
            ids.extend(more.iter().map(|id| (id.hash, id.content)));
        }
        Ok(ids)
    }

    /// The identifiers with these hashes in the table.
    pub(crate) fn find(&self, mut hashes: Vec<u64>) -> Result<Vec<Id>, Trouble> {
        hashes.sort_unstable();
        let mut found = Vec::new();
        let batch_of = |hash: &u64| self.firsts.partition_point(|first| first <= hash);
        for asked in hashes.chunk_by(|a, b| batch_of(a) == batch_of(b)) {
            if let Some(batch) = batch_of(&asked[0]).checked_sub(1) {
                let mut ids = Id::all_of(&self.ids.rows(batch)?)?;
                ids.retain(|id| asked.binary_search(&id.hash).is_ok());
                found.extend(ids);
            }
        }
        Ok(found)
    }
}

/// Nanoseconds since 1970.
pub(crate) fn now() -> u64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_nanos() as u64)
}

/// Whether files read from the time `read` on certainly had their present state. If the clock is
/// far behind their times, a change gives them another time too.
pub(crate) fn are_sure(sources: &[Stamp], read: u64) -> bool {
    let sure = |file: &Stamp| read.abs_diff(file.changed) >= unsure_nanos(file.changed);
    sources.iter().all(sure)
}

/// Waits at most `longest`, if that makes the state of files that have just changed certain.
pub(crate) fn settle(sources: &[Stamp], longest: Duration) {
    let now = now();
    let left = |file: &Stamp| {
        let sure = file.changed.saturating_add(unsure_nanos(file.changed));
        sure.checked_sub(now).map(Duration::from_nanos)
    };
    let left = sources
        .iter()
        .filter_map(left)
        .filter(|left| *left < longest);
    if let Some(left) = left.max() {
        std::thread::sleep(left + Duration::from_nanos(1));
    }
}

/// A table with its sources.
pub(crate) struct Cached {
    pub(crate) table: Table,
    pub(crate) of: HashSet<Stamp>,
    pub(crate) log: LogPart,
}

/// The cached beginning of the log; empty if the log is small or has changed.
pub(crate) fn part_of_log(book: &Book, bytes: &[u8]) -> LogPart {
    let large = bytes.len() as u64 >= WORTH_BYTES;
    let label = large.then(|| read_label(book, &folder(book))).flatten();
    let part = label.map_or_else(LogPart::default, |label| label.log);
    if part.begins(bytes) {
        part
    } else {
        LogPart::default()
    }
}

/// The cached table, if all its sources are unchanged.
pub(crate) fn open(book: &Book, sources: &[Stamp], log: &LogBytes) -> Option<Cached> {
    let dir = folder(book);
    let there: HashSet<&Stamp> = sources.iter().collect();
    let open = || {
        let label = read_label(book, &dir)?;
        let fits = label.format == FORMAT
            && label.settings == settings_hash(book.settings())
            && label.sources.iter().all(|source| there.contains(source))
            && (label.log.length == 0 || label.log == log.known);
        let open = |name| book.folder().file(&dir.join(name), Access::Read).ok();
        let [rows, models, ids] = label.names().map(open);
        let files = fits.then_some([rows?, models?, ids?])?;
        Some(Cached {
            table: Table::new(files, label.files, label.firsts)?,
            of: label.sources.into_iter().collect(),
            log: label.log,
        })
    };
    // Another run may replace the table after the label is read.
    open().or_else(open)
}

/// Stores a table for later runs, unless the state of its files is uncertain (`made`: when reading
/// them began); returns the table, ready to be read. A cache that cannot be written is reported and
/// does no harm.
///
/// # Errors
/// If the table cannot be read back.
pub(crate) fn keep(
    book: &Book,
    built: Built,
    sources: (Vec<Stamp>, LogPart),
    made: u64,
    notice: &mut dyn FnMut(&str),
) -> io::Result<Table> {
    let Built { mut files, firsts } = built;
    let [rows, models, ids] = files.each_mut().map(|(file, _)| file.as_file().try_clone());
    let layouts = files.each_ref().map(|(_, layout)| layout.clone());
    let table = Table::new([rows?, models?, ids?], layouts, firsts.clone())
        .ok_or_else(|| io::Error::other("what was just written reads differently"))?;
    let sure = are_sure(&sources.0, made);
    if sure && let Err(error) = try_keep(book, Built { files, firsts }, sources) {
        notice(&unwritten(&error));
    }
    Ok(table)
}

/// The message about a cache that cannot be written.
pub(crate) fn unwritten(error: &BookError) -> String {
    format!("the cache of this book cannot be written, so every run reads all sales again: {error}")
}

/// Removes the label, so that the cache is rebuilt.
pub(crate) fn discard(book: &Book) {
    // If it stays, this run ignores it, and the next one detects the damage again.
    let _ = book.folder().remove(&folder(book).join(LABEL));
}

fn try_keep(
    book: &Book,
    built: Built,
    (sources, log): (Vec<Stamp>, LogPart),
) -> Result<(), BookError> {
    let dir = book.cache_dir()?;
    let lock = dir.join(LOCK);
    let held = book.folder().file(&lock, Access::Append);
    let held = held.map_err(BookError::io(&lock, "lock"))?;
    match held.try_lock() {
        Ok(()) => {}
        // Another run is storing its own.
        Err(TryLockError::WouldBlock) => return Ok(()),
        Err(TryLockError::Error(error)) => return Err(BookError::io(&lock, "lock")(error)),
    }
    let [(rows, a), (models, b), (ids, c)] = built.files;
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        log,
        files: [a, b, c],
        firsts: built.firsts,
    };
    let names = label.names();
    for (file, name) in [rows, models, ids].iter().zip(&names) {
        let path = dir.join(name);
        let placed = book.folder().place(file, &path);
        placed.map_err(BookError::io(path, "write"))?;
    }
    let path = dir.join(LABEL);
    let json = serde_json::to_vec(&label).map_err(io::Error::other);
    json.and_then(|json| book.folder().replace(&dir, &path, &json))
        .map_err(BookError::io(&path, "write"))?;
    for other in book.folder().list(&dir).unwrap_or_default() {
        let name = other.to_string_lossy();
        // Earlier versions used the extension .table.
        let table = name.ends_with(".arrow") || name.ends_with(".table");
        if table && !names.contains(&name.into_owned()) {
            // The next run removes what cannot be removed now.
            let _ = book.folder().remove(&dir.join(other));
        }
    }
    Ok(())
}

/// The label is JSON; its content determines the required files.
fn read_label(book: &Book, dir: &Path) -> Option<Label> {
    let read = book.folder().read(&dir.join(LABEL), Access::Read);
    serde_json::from_slice(&read.ok()??).ok()
}

/// Hash of the settings that affect how a canonical file is read.
fn settings_hash(settings: &Settings) -> u64 {
    let count = settings.grades.len().to_string();
    let mut names = vec![settings.currency.code.as_str(), &count];
    names.extend(settings.grades.iter().map(|grade| grade.name.as_str()));
    names.extend(
        settings
            .completeness
            .iter()
            .map(|level| level.name.as_str()),
    );
    xxh3_64(names.join("\n").as_bytes())
}

fn folder(book: &Book) -> PathBuf {
    book.root().join(".compband").join("cache")
}
