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
use std::time::Duration;

use polars::prelude::DataFrame;
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::xxh3_64;

use crate::book::BookError;
use crate::book::comps::log::{LogBytes, LogPart};
use crate::book::folder::{Access, Temporary};
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

const LABEL: &str = "comps.json";

/// Lock file for replacing table and label.
const LOCK: &str = "lock";

/// Prefixes of the names of the table's files, in the order of [`Built::files`].
const FILES: [&str; 3] = ["comps", "models", "ids"];

/// The sources of the cache, and the layout of its files.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Label {
    format: u32,
    settings: u64,
    pub(crate) sources: Vec<Stamp>,
    pub(crate) log: LogPart,
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
    /// Rows by model, models, identifiers.
    files: [ArrowFile; 3],
    pub(crate) label: Label,
}

impl Table {
    /// The table in these files; `None` if one of them has changed.
    fn new(files: [File; 3], label: Label) -> Option<Self> {
        let opened = files.into_iter().zip(label.files.clone());
        let opened = opened.map(|(file, layout)| ArrowFile::new(file, layout).ok());
        let files = opened.collect::<Option<Vec<_>>>()?.try_into().ok()?;
        Some(Self { files, label })
    }

    /// Number of parts.
    pub(crate) fn parts(&self) -> usize {
        self.files[0].batches()
    }

    /// The rows of a part, those of one model in the order of their entries and lines.
    pub(crate) fn part(&self, number: usize) -> Result<DataFrame, Trouble> {
        self.files[0].rows(number)
    }

    /// Its models.
    pub(crate) fn models(&self) -> Result<Models, Trouble> {
        Ok(Models::new(&self.files[1].rows(0)?)?)
    }

    /// Every identifier, sorted by its hash.
    pub(crate) fn ids(&self) -> Result<Vec<(u64, u64)>, Trouble> {
        let mut ids = Vec::new();
        for batch in 0..self.files[2].batches() {
            let more = Id::all_of(&self.files[2].rows(batch)?)?;
            ids.extend(more.iter().map(|id| (id.hash, id.content)));
        }
        Ok(ids)
    }

    /// The identifiers with these hashes in the table.
    pub(crate) fn find(&self, mut hashes: Vec<u64>) -> Result<Vec<Id>, Trouble> {
        hashes.sort_unstable();
        let mut found = Vec::new();
        let firsts = &self.label.firsts;
        let batch_of = |hash: &u64| firsts.partition_point(|first| first <= hash);
        for asked in hashes.chunk_by(|a, b| batch_of(a) == batch_of(b)) {
            if let Some(batch) = batch_of(&asked[0]).checked_sub(1) {
                let mut ids = Id::all_of(&self.files[2].rows(batch)?)?;
                ids.retain(|id| asked.binary_search(&id.hash).is_ok());
                found.extend(ids);
            }
        }
        Ok(found)
    }
}

/// The cached beginning of the log; empty if the log is small or has changed.
pub(crate) fn part_of_log(book: &Book, bytes: &[u8]) -> LogPart {
    let large = bytes.len() as u64 >= WORTH_BYTES;
    let label = large.then(|| read_label(book, &folder(book))).flatten();
    let part = label.map(|label| label.log);
    part.filter(|part| part.begins(bytes)).unwrap_or_default()
}

/// The cached table, if all its sources are unchanged.
pub(crate) fn open(book: &Book, sources: &[Stamp], log: &LogBytes) -> Option<Table> {
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
        Table::new(fits.then_some([rows?, models?, ids?])?, label)
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
    (sources, log): (Vec<Stamp>, LogPart),
    made: u64,
    notice: &mut dyn FnMut(&str),
) -> io::Result<Table> {
    let Built {
        mut files,
        layouts,
        firsts,
    } = built;
    let [rows, models, ids] = files.each_mut().map(|file| file.as_file().try_clone());
    let sure = Stamp::are_sure(&sources, made);
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        log,
        files: layouts,
        firsts,
    };
    let table = Table::new([rows?, models?, ids?], label)
        .ok_or_else(|| io::Error::other("what was just written reads differently"))?;
    if sure && let Err(error) = try_keep(book, &files, &table.label) {
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

fn try_keep(book: &Book, files: &[Temporary; 3], label: &Label) -> Result<(), BookError> {
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
    let names = label.names();
    for (file, name) in files.iter().zip(&names) {
        let path = dir.join(name);
        let placed = book.folder().place(file, &path);
        placed.map_err(BookError::io(path, "write"))?;
    }
    let path = dir.join(LABEL);
    let json = serde_json::to_vec(label).map_err(io::Error::other);
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
    names.extend(settings.grade_names());
    names.extend(settings.completeness_names());
    xxh3_64(names.join("\n").as_bytes())
}

fn folder(book: &Book) -> PathBuf {
    book.root().join(".compband").join("cache")
}
