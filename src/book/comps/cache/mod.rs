//! The columnar cache in `.compband/cache/`: the imports of a large book, and its log where that is large,
//! as one table, cut into segments by model ([`table`]), beside a label that says which files it was made of.
//!
//! Anything that does not fit (other files, other settings, a cut or changed file, an unknown
//! format) counts as no cache. Both files come into place by renaming, the label last. Each part of the
//! table is held against its hash when it is read, so that reading one model touches little of it.

pub(crate) mod build;
pub(crate) mod table;

use std::collections::HashSet;
use std::fs::TryLockError;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::xxh3_64;

use crate::book::BookError;
use crate::book::comps::log::{LogBytes, LogPart};
use crate::book::folder::{Access, Temporary};
use crate::book::open::Book;
use crate::book::stamp::Stamp;
use crate::settings::Settings;
use build::Built;
use table::{Contents, Table};

/// Bytes of imports, or of the log, from which a cache pays; of later sales in the log that are read
/// beside it.
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

const LABEL: &str = "comps.json";

/// Held while table and label are put in place.
const LOCK: &str = "lock";

/// What the cache was made of.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
    settings: u64,
    sources: Vec<Stamp>,
    log: LogPart,
    table: String,
    table_size: u64,
    contents: Contents,
}

/// Nanoseconds since 1970.
pub(crate) fn now() -> u64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_nanos() as u64)
}

/// Whether files read from the time `read` on are sure to have been as they are now. Where the clock
/// is far behind their times, a change of them has another time too.
pub(crate) fn are_sure(sources: &[Stamp], read: u64) -> bool {
    let sure = |file: &Stamp| read.abs_diff(file.changed) >= unsure_nanos(file.changed);
    sources.iter().all(sure)
}

/// Waits, at most so long, where that makes sure of files that have only just changed.
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

/// A table, and what it was made of.
pub(crate) struct Cached {
    pub(crate) table: Table,
    pub(crate) of: HashSet<Stamp>,
    pub(crate) log: LogPart,
}

/// The beginning of the log that the cache has; nothing where the log is small or has changed.
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

/// The cached table, where all that it was made of is still as it was.
pub(crate) fn open(book: &Book, sources: &[Stamp], log: &LogBytes) -> Option<Cached> {
    let dir = folder(book);
    let there: HashSet<&Stamp> = sources.iter().collect();
    let mut missing = None;
    loop {
        let label = read_label(book, &dir)?;
        let fits = label.format == FORMAT
            && label.settings == settings_hash(book.settings())
            && label.sources.iter().all(|source| there.contains(source))
            && (label.log.length == 0 || label.log == log.known)
            // The name comes from a file: it may not lead out of the folder.
            && Path::new(&label.table).file_name().is_some_and(|name| name == label.table.as_str());
        if !fits {
            return None;
        }
        match book.folder().file(&dir.join(&label.table), Access::Read) {
            Ok(file) => {
                let whole = file.metadata().ok()?.len() == label.table_size;
                return whole.then(|| Cached {
                    table: Table::new(file, label.contents),
                    of: label.sources.into_iter().collect(),
                    log: label.log,
                });
            }
            // Another run may have put a new table in its place since the label was read.
            Err(_) if missing.as_ref() != Some(&label.table) => missing = Some(label.table),
            Err(_) => return None,
        }
    }
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
    sources: (Vec<Stamp>, LogPart),
    made: u64,
    notice: &mut dyn FnMut(&str),
) -> io::Result<Table> {
    let Built { mut file, contents } = built;
    let table = Table::new(file.as_file().try_clone()?, contents.clone());
    let sure = are_sure(&sources.0, made);
    if sure && let Err(error) = try_keep(book, file, contents, sources) {
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
    let _ = book.folder().remove(&folder(book).join(LABEL));
}

fn try_keep(
    book: &Book,
    mut file: Temporary,
    contents: Contents,
    (sources, log): (Vec<Stamp>, LogPart),
) -> Result<(), BookError> {
    let dir = book.cache_dir()?;
    let lock = dir.join(LOCK);
    let held = book.folder().file(&lock, Access::Append);
    let held = held.map_err(BookError::io(&lock, "lock"))?;
    match held.try_lock() {
        Ok(()) => {}
        // Another run is keeping its own.
        Err(TryLockError::WouldBlock) => return Ok(()),
        Err(TryLockError::Error(error)) => return Err(BookError::io(&lock, "lock")(error)),
    }
    let name = format!("comps-{:016x}.table", contents.hash());
    let path = dir.join(&name);
    let table_size = file
        .as_file()
        .metadata()
        .map_err(BookError::io(&path, "write"))?
        .len();
    let placed = book.folder().place(&file, &path);
    placed.map_err(BookError::io(&path, "write"))?;
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        log,
        table: name.clone(),
        table_size,
        contents,
    };
    write_label(book, &dir, &label)?;
    remove_others(book, &dir, &name);
    Ok(())
}

/// A label file is the hash of its JSON in 16 hexadecimal digits, a line break, and the JSON.
fn read_label(book: &Book, dir: &Path) -> Option<Label> {
    let read = book.folder().read(&dir.join(LABEL), Access::Read);
    let text = String::from_utf8(read.ok()??).ok()?;
    let (hash, json) = text.split_once('\n')?;
    if u64::from_str_radix(hash, 16).ok()? != xxh3_64(json.as_bytes()) {
        return None;
    }
    serde_json::from_str(json).ok()
}

fn write_label(book: &Book, dir: &Path, label: &Label) -> Result<(), BookError> {
    let path = dir.join(LABEL);
    let json = serde_json::to_string(label)
        .map_err(|error| BookError::io(&path, "write")(io::Error::other(error)))?;
    let label = format!("{:016x}\n{json}", xxh3_64(json.as_bytes()));
    let written = book.folder().replace(dir, &path, label.as_bytes());
    written.map_err(BookError::io(&path, "write"))
}

/// Removes tables that no label names any more. One that cannot be removed is left for the
/// next time.
fn remove_others(book: &Book, dir: &Path, kept: &str) {
    for name in book.folder().list(dir).unwrap_or_default() {
        let table = name.to_str().is_some_and(|name| {
            // Earlier versions kept theirs as .arrow.
            name.starts_with("comps-") && (name.ends_with(".table") || name.ends_with(".arrow"))
        });
        if table && name != kept {
            let _ = book.folder().remove(&dir.join(name));
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
