//! The columnar cache in `.compband/cache/`: the imports of a large book as a folder of Arrow files (rows
//! in parts by model, identifiers, models), beside a label that says of which imports they were made.
//!
//! Anything that does not fit (other imports, other settings, an unknown format) counts as no cache.
//! Every file is named by the hash of its content, which is checked when it is read, so that reading
//! one model touches little of the table. The folder comes into place by renaming, then the label.

pub(crate) mod build;

use std::collections::HashSet;
use std::fs;
use std::io::{self, Cursor};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use polars::prelude::*;
use polars_io::ipc::{IpcReader, IpcWriter};
use polars_io::{SerReader, SerWriter};
use serde::{Deserialize, Serialize};
use tempfile::TempDir;
use xxhash_rust::xxh3::xxh3_64;

use crate::book::comps::rows::{Id, Models, Trouble};
use crate::book::store::{Book, Stamp};
use crate::book::{BookError, files};
use crate::settings::Settings;
use build::Built;

/// Bytes of imports from which a cache pays.
pub(crate) const WORTH_BYTES: u64 = 1 << 20;

/// Bytes of later imports that are read beside the cache before it is made anew.
pub(crate) const BESIDE_BYTES: u64 = 4 << 20;

/// Changes with every change of the layout or of how canonical files are read.
const FORMAT: u32 = 9;

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

/// How the name of the folder of a table begins.
const FOLDER: &str = "comps-";

/// What the cache was made of, and what is in it.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
    settings: u64,
    sources: Vec<Stamp>,
    contents: Contents,
}

/// The files of a table, by the hashes of what is in them.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Contents {
    /// Rows in parts, each with all rows of its models.
    parts: Vec<u64>,
    /// Identifiers sorted by their hashes, each file with its first hash.
    ids: Vec<(u64, u64)>,
    models: u64,
}

impl Contents {
    /// The name of the folder that has them, which says what they are.
    fn folder(&self) -> String {
        let listed = serde_json::to_vec(self).unwrap_or_default();
        format!("{FOLDER}{:016x}", xxh3_64(&listed))
    }
}

/// Kinds of files in a table.
const PART: &str = "part";
const IDS: &str = "ids";
const MODELS: &str = "models";
/// A file that goes before the table is made: in the layout that is read and written fastest.
const SPILL: &str = "spill";

/// Writes a file of a table; the hash of its content.
fn write(dir: &Path, kind: &str, frame: &mut DataFrame) -> PolarsResult<u64> {
    let layout = match kind {
        SPILL => CompatLevel::newest(),
        // Which leaves out what the strings of other rows share, and which all tools read.
        _ => CompatLevel::oldest(),
    };
    let mut bytes = Vec::new();
    IpcWriter::new(&mut bytes)
        .with_compat_level(layout)
        .finish(frame)?;
    let hash = xxh3_64(&bytes);
    fs::write(dir.join(file_name(kind, hash)), bytes)?;
    Ok(hash)
}

/// Reads a file of a table, and sees that it is what it was.
fn read(dir: &Path, kind: &str, hash: u64) -> Result<DataFrame, Trouble> {
    let bytes = fs::read(dir.join(file_name(kind, hash))).unwrap_or_default();
    if xxh3_64(&bytes) != hash {
        return Err(Trouble::Damaged);
    }
    Ok(IpcReader::new(Cursor::new(bytes)).finish()?)
}

fn file_name(kind: &str, hash: u64) -> String {
    format!("{kind}-{hash:016x}.arrow")
}

/// The cached table.
#[derive(Debug)]
pub(crate) struct Table {
    dir: PathBuf,
    contents: Contents,
    /// Where the table is not kept: its folder goes with it.
    _temporary: Option<TempDir>,
}

impl Table {
    /// How many parts there are.
    pub(crate) fn parts(&self) -> usize {
        self.contents.parts.len()
    }

    /// The rows of a part, those of one model in the order of their places.
    pub(crate) fn part(&self, number: usize) -> Result<DataFrame, Trouble> {
        let hash = self.contents.parts.get(number).ok_or(Trouble::Damaged)?;
        read(&self.dir, PART, *hash)
    }

    /// Its models.
    pub(crate) fn models(&self) -> Result<Models, Trouble> {
        Ok(Models::new(&read(
            &self.dir,
            MODELS,
            self.contents.models,
        )?)?)
    }

    /// Every identifier, sorted by its hash.
    pub(crate) fn ids(&self) -> Result<Vec<(u64, u64)>, Trouble> {
        let mut ids = Vec::new();
        for (_, file) in &self.contents.ids {
            let more = Id::all_of(&read(&self.dir, IDS, *file)?)?;
            ids.extend(more.iter().map(|id| (id.hash, id.content)));
        }
        Ok(ids)
    }

    /// The identifiers of these hashes that the table has.
    pub(crate) fn find(&self, mut hashes: Vec<u64>) -> Result<Vec<Id>, Trouble> {
        hashes.sort_unstable();
        let files = &self.contents.ids;
        let file_of = |hash: &u64| files.partition_point(|(first, _)| first <= hash);
        let mut found = Vec::new();
        for asked in hashes.chunk_by(|a, b| file_of(a) == file_of(b)) {
            if let Some(file) = file_of(&asked[0]).checked_sub(1) {
                let mut ids = Id::all_of(&read(&self.dir, IDS, files[file].1)?)?;
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
    let label = fs::read(dir.join(LABEL)).ok()?;
    let label: Label = serde_json::from_slice(&label).ok()?;
    let there: HashSet<&Stamp> = sources.iter().collect();
    let fits = label.format == FORMAT
        && label.settings == settings_hash(book.settings())
        && label.sources.iter().all(|source| there.contains(source));
    let table = Table {
        dir: dir.join(label.contents.folder()),
        contents: label.contents,
        _temporary: None,
    };
    fits.then(|| (table, label.sources.into_iter().collect()))
}

/// Keeps a table for later runs, unless its files are too young to be sure of (`made`: when
/// reading them began); the table, to be read now. A cache that cannot be written is told and does no
/// harm.
pub(crate) fn keep(
    book: &Book,
    (dir, contents): Built,
    sources: Vec<Stamp>,
    made: u64,
    notice: &mut dyn FnMut(&str),
) -> Table {
    let mut table = Table {
        dir: dir.path().to_path_buf(),
        contents,
        _temporary: Some(dir),
    };
    if are_sure(&sources, made)
        && let Err(error) = try_keep(book, &mut table, sources)
    {
        notice(&unwritten(&error));
    }
    table
}

/// What is said of a cache that cannot be written.
pub(crate) fn unwritten(error: &BookError) -> String {
    format!(
        "the cache of this book cannot be written, so that each run reads all comps anew: {error}"
    )
}

/// Puts a table and its label in place. Where two runs do so at once, one of the tables may go again:
/// a reader that misses a file of it looks for the other, or makes its own.
fn try_keep(book: &Book, table: &mut Table, sources: Vec<Stamp>) -> Result<(), BookError> {
    let dir = book.cache_dir()?;
    let name = table.contents.folder();
    let place = dir.join(&name);
    // What is there by that name was found to be damaged.
    let _ = fs::remove_dir_all(&place);
    match fs::rename(&table.dir, &place) {
        Ok(()) => {}
        // Another run has just kept the same.
        Err(_) if place.is_dir() => return Ok(()),
        Err(error) => return Err(BookError::io(&place, "write")(error)),
    }
    table.dir = place;
    table._temporary.take().map(TempDir::keep);
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        contents: table.contents.clone(),
    };
    let path = dir.join(LABEL);
    let written = serde_json::to_vec(&label).map_err(io::Error::other);
    written
        .and_then(|json| files::write_whole(&path, &json))
        .map_err(BookError::io(&path, "write"))?;
    for item in fs::read_dir(&dir).into_iter().flatten().flatten() {
        let other = item.file_name();
        // Earlier versions kept theirs as one file. What cannot be removed is left for the next time.
        if other != *name && other.to_string_lossy().starts_with(FOLDER) {
            let _ = fs::remove_file(item.path()).or_else(|_| fs::remove_dir_all(item.path()));
        }
    }
    Ok(())
}

/// Hash of the settings that decide how a canonical file reads.
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
