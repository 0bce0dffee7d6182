//! The columnar cache in `.compband/cache/`: the imports of a large book as three Arrow files (rows in
//! parts by model, models, identifiers), beside a label that says of which files they were made.
//!
//! Anything that does not fit (other files, other settings, a cut or changed file, an unknown
//! format) counts as no cache. All files come into place by renaming, the label last. Each batch of
//! rows is held against its hash when it is read, so that reading one model touches little of it.

pub(crate) mod build;
mod table;

use std::collections::HashSet;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use polars::prelude::DataFrame;
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use crate::book::comps::rows::{Id, Models, Trouble};
use crate::book::store::{Book, Stamp};
use crate::book::{BookError, files};
use crate::settings::Settings;
use build::Built;
use table::{ArrowFile, Layout};

/// Bytes of imports from which a cache pays.
pub(crate) const WORTH_BYTES: u64 = 1 << 20;

/// Bytes of later imports that are read beside the cache before it is made anew.
pub(crate) const BESIDE_BYTES: u64 = 4 << 20;

/// Changes with every change of the layout or of how canonical files are read.
const FORMAT: u32 = 8;

/// Longest wait for files to be old enough to be sure of.
pub(crate) const LONGEST_WAIT: Duration = Duration::from_millis(50);

/// A file changed so shortly before it was read may have changed again without a new time: the
/// clock of file systems ticks every few milliseconds, on some every two seconds.
fn unsure_nanos(modified: u64) -> u64 {
    let whole_seconds = modified.is_multiple_of(1_000_000_000);
    if whole_seconds {
        2_000_000_000
    } else {
        20_000_000
    }
}

/// When a file that has not changed until then is sure not to have, in nanoseconds since 1970.
fn sure_from(source: &Stamp) -> u64 {
    source
        .modified
        .saturating_add(unsure_nanos(source.modified))
}

const LABEL: &str = "comps.json";

/// Held while files and label are put in place.
const LOCK: &str = "lock";

/// How the names of the table's files begin, in the order of [`Built::files`].
const FILES: [&str; 3] = ["comps", "models", "ids"];

/// What the cache was made of, and how its files are laid out.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
    settings: u64,
    sources: Vec<Stamp>,
    files: [Layout; 3],
    /// The first hash of each batch of identifiers.
    firsts: Vec<u64>,
}

impl Label {
    /// The names of the files, which say what is in them.
    fn names(&self) -> [String; 3] {
        let mut hash = Xxh3::new();
        for layout in &self.files {
            layout.add_to(&mut hash);
        }
        FILES.map(|name| format!("{name}-{:016x}.arrow", hash.digest()))
    }
}

/// The cached table, opened.
#[derive(Debug)]
pub(crate) struct Table {
    rows: ArrowFile,
    models: ArrowFile,
    ids: ArrowFile,
    firsts: Vec<u64>,
}

impl Table {
    /// The table in these files; none where one of them is not what it was.
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

    /// How many parts there are.
    pub(crate) fn parts(&self) -> usize {
        self.rows.len()
    }

    /// The rows of a part, those of one model in the order of their places.
    pub(crate) fn part(&self, number: usize) -> Result<DataFrame, Trouble> {
        self.rows.batch(number)
    }

    /// Its models.
    pub(crate) fn models(&self) -> Result<Models, Trouble> {
        Ok(Models::new(&self.models.batch(0)?)?)
    }

    /// Every identifier, sorted by its hash.
    pub(crate) fn ids(&self) -> Result<Vec<(u64, u64)>, Trouble> {
        let mut ids = Vec::new();
        for batch in 0..self.ids.len() {
            let more = Id::all_of(&self.ids.batch(batch)?)?;
            ids.extend(more.iter().map(|id| (id.hash, id.content)));
        }
        Ok(ids)
    }

    /// The identifiers of these hashes that the table has.
    pub(crate) fn find(&self, hashes: &[u64]) -> Result<Vec<Id>, Trouble> {
        let mut hashes = hashes.to_vec();
        hashes.sort_unstable();
        let mut found = Vec::new();
        let batch_of = |hash: &u64| self.firsts.partition_point(|first| first <= hash);
        for asked in hashes.chunk_by(|a, b| batch_of(a) == batch_of(b)) {
            if let Some(batch) = batch_of(&asked[0]).checked_sub(1) {
                let mut ids = Id::all_of(&self.ids.batch(batch)?)?;
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

/// Whether files read from the time `read` on are sure to have been as they are now.
pub(crate) fn are_sure(sources: &[Stamp], read: u64) -> bool {
    sources.iter().all(|source| sure_from(source) <= read)
}

/// Waits, at most so long, where that makes sure of files that have only just changed.
pub(crate) fn settle(sources: &[Stamp], longest: Duration) {
    let sure = sources.iter().map(sure_from).max();
    let left = sure.unwrap_or(0).saturating_sub(now());
    if left > 0 && u128::from(left) < longest.as_nanos() {
        std::thread::sleep(Duration::from_nanos(left + 1));
    }
}

/// The cached table with the files it was made of, where all of these are still as they were.
pub(crate) fn open(book: &Book, sources: &[Stamp]) -> Option<(Table, HashSet<Stamp>)> {
    let dir = folder(book);
    let there: HashSet<&Stamp> = sources.iter().collect();
    let open = || {
        let label = read_label(&dir.join(LABEL))?;
        let fits = label.format == FORMAT
            && label.settings == settings_hash(book.settings())
            && label.sources.iter().all(|source| there.contains(source));
        let [rows, models, ids] = label.names().map(|name| File::open(dir.join(name)).ok());
        let files = fits.then_some([rows?, models?, ids?])?;
        let table = Table::new(files, label.files, label.firsts)?;
        Some((table, label.sources.into_iter().collect()))
    };
    // Another run may put a new table in its place after the label is read.
    open().or_else(open)
}

/// Keeps a table for later runs, unless its files are too young to be sure of (`made`: when
/// reading them began); the table, to be read now. A cache that cannot be written is told and does no
/// harm.
///
/// # Errors
/// Where the table cannot be read back.
pub(crate) fn keep(
    book: &Book,
    built: Built,
    sources: Vec<Stamp>,
    made: u64,
    notice: &mut dyn FnMut(&str),
) -> io::Result<Table> {
    let [(rows, _), (models, _), (ids, _)] = &built.files;
    let files = [rows.reopen()?, models.reopen()?, ids.reopen()?];
    let layouts = built.files.each_ref().map(|(_, layout)| layout.clone());
    let table = Table::new(files, layouts, built.firsts.clone())
        .ok_or_else(|| io::Error::other("what was just written reads otherwise"))?;
    let sure = are_sure(&sources, made);
    if sure && let Err(error) = try_keep(book, built, sources) {
        notice(&unwritten(&error));
    }
    Ok(table)
}

/// What is said of a cache that cannot be written.
pub(crate) fn unwritten(error: &BookError) -> String {
    format!(
        "the cache of this book cannot be written, so that each run reads all comps anew: {error}"
    )
}

/// Takes the label away, so that the cache is made again.
pub(crate) fn discard(book: &Book) {
    // One that stays is not trusted in this run, and found out again in the next.
    let _ = fs::remove_file(folder(book).join(LABEL));
}

fn try_keep(book: &Book, built: Built, sources: Vec<Stamp>) -> Result<(), BookError> {
    let dir = book.cache_dir()?;
    let lock = dir.join(LOCK);
    let held = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&lock)
        .map_err(BookError::io(&lock, "lock"))?;
    match held.try_lock() {
        Ok(()) => {}
        // Another run is keeping its own.
        Err(TryLockError::WouldBlock) => return Ok(()),
        Err(TryLockError::Error(error)) => return Err(BookError::io(&lock, "lock")(error)),
    }
    let [(rows, a), (models, b), (ids, c)] = built.files;
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        files: [a, b, c],
        firsts: built.firsts,
    };
    for (file, name) in [rows, models, ids].into_iter().zip(label.names()) {
        let path = dir.join(name);
        file.persist(&path)
            .map_err(|error| BookError::io(&path, "write")(error.error))?;
    }
    write_label(&dir, &label)?;
    remove_others(&dir, &label.names());
    Ok(())
}

/// A label file is the hash of its JSON in 16 hexadecimal digits, a line break, and the JSON.
fn read_label(path: &Path) -> Option<Label> {
    let text = fs::read_to_string(path).ok()?;
    let (hash, json) = text.split_once('\n')?;
    if u64::from_str_radix(hash, 16).ok()? != xxh3_64(json.as_bytes()) {
        return None;
    }
    serde_json::from_str(json).ok()
}

fn write_label(dir: &Path, label: &Label) -> Result<(), BookError> {
    let path = dir.join(LABEL);
    let json = serde_json::to_string(label)
        .map_err(|error| BookError::io(&path, "write")(io::Error::other(error)))?;
    let label = format!("{:016x}\n{json}", xxh3_64(json.as_bytes()));
    files::write_whole(&path, label.as_bytes()).map_err(BookError::io(&path, "write"))
}

/// Removes files that no label names any more. One that cannot be removed is left for the
/// next time.
fn remove_others(dir: &Path, kept: &[String]) {
    let Ok(listing) = fs::read_dir(dir) else {
        return;
    };
    for item in listing.flatten() {
        let Ok(name) = item.file_name().into_string() else {
            continue;
        };
        // Earlier versions kept theirs as .table.
        let ours = name.ends_with(".arrow") || name.ends_with(".table");
        if ours && !kept.contains(&name) {
            let _ = fs::remove_file(item.path());
        }
    }
}

/// Hash of the settings that decide how a canonical file reads.
fn settings_hash(settings: &Settings) -> u64 {
    let names = settings
        .grades
        .iter()
        .map(|g| &g.name)
        .chain(settings.completeness.iter().map(|c| &c.name));
    let mut text = format!("{}\n{}\n", settings.currency.code, settings.grades.len());
    for name in names {
        text.push_str(name);
        text.push('\n');
    }
    xxh3_64(text.as_bytes())
}

fn folder(book: &Book) -> PathBuf {
    book.root().join(".compband").join("cache")
}
