//! The columnar cache in `.compband/cache/`: the packed table of a large book as an Arrow file,
//! beside a label that says which files it was made of and what its bytes hash to.
//!
//! Anything that does not fit (other files, other settings, a cut or changed file, an unknown
//! format) counts as no cache. Both files come into place by renaming, the label last.

use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use polars_io::SerReader;
use polars_io::SerWriter;
use polars_io::ipc::{IpcReader, IpcWriter};
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use super::frame::{Packed, WORDED};
use super::store::{Book, Stamp, temp_in};
use super::{BookError, Settings, files};

/// Rows from which a cache pays.
pub(super) const WORTH_ROWS: usize = 20_000;

/// Changes with every change of the layout or of how canonical files are read.
const FORMAT: u32 = 4;

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

/// What the cache was made of.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
    settings: u64,
    sources: Vec<Stamp>,
    rows: usize,
    table: String,
    table_size: u64,
    table_hash: u64,
    words: Vec<Vec<String>>,
}

/// Nanoseconds since 1970.
pub(super) fn now() -> u64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_nanos() as u64)
}

/// The cached table (all columns, or those named), where it was made of exactly these files.
pub(super) fn load(book: &Book, sources: &[Stamp], columns: Option<&[&str]>) -> Option<Packed> {
    let dir = folder(book);
    let label = read_label(&dir.join(LABEL))?;
    let fits = label.format == FORMAT
        && label.settings == settings_hash(book.settings())
        && label.sources == sources
        && label.words.len() == WORDED.len()
        // The name comes from a file: it may not lead out of the folder.
        && Path::new(&label.table).file_name().is_some_and(|name| name == label.table.as_str());
    if !fits {
        return None;
    }
    let path = dir.join(&label.table);
    let mut file = File::open(&path).ok()?;
    if hash_of(&mut file).ok()? != (label.table_size, label.table_hash) {
        return None;
    }
    let columns = columns.map(|names| names.iter().map(ToString::to_string).collect());
    let rows = IpcReader::new(File::open(&path).ok()?)
        .with_columns(columns)
        .finish()
        .ok()?;
    (rows.height() == label.rows).then_some(Packed {
        rows,
        words: label.words,
    })
}

/// Keeps the table for later runs. A cache that cannot be written is told and does no harm.
pub(super) fn store(
    book: &Book,
    packed: &mut Packed,
    sources: Vec<Stamp>,
    made: u64,
    notice: &mut dyn FnMut(&str),
) {
    if sources.iter().any(|source| {
        source
            .modified
            .saturating_add(unsure_nanos(source.modified))
            > made
    }) {
        return;
    }
    if let Err(error) = try_store(book, packed, sources) {
        notice(&format!(
            "the cache of this book cannot be written, so that each run reads all comps anew: {error}"
        ));
    }
}

fn try_store(book: &Book, packed: &mut Packed, sources: Vec<Stamp>) -> Result<(), BookError> {
    let dir = book.cache_dir()?;
    let table = temp_in(&dir)?;
    let written = write_table(packed, table.as_file()).map_err(BookError::io(&dir, "write"))?;
    let (table_size, table_hash) = written;
    let name = format!("comps-{table_hash:016x}.arrow");
    table
        .persist(dir.join(&name))
        .map_err(|error| BookError::io(dir.join(&name), "write")(error.error))?;
    let label = Label {
        format: FORMAT,
        settings: settings_hash(book.settings()),
        sources,
        rows: packed.height(),
        table: name.clone(),
        table_size,
        table_hash,
        words: packed.words.clone(),
    };
    write_label(&dir, &label)?;
    remove_others(&dir, &name);
    Ok(())
}

/// Writes the rows and returns length and hash of what was written.
fn write_table(packed: &mut Packed, file: &File) -> io::Result<(u64, u64)> {
    let mut output = Hashing {
        output: BufWriter::with_capacity(1 << 20, file),
        hash: Xxh3::new(),
        length: 0,
    };
    IpcWriter::new(&mut output)
        .finish(&mut packed.rows)
        .map_err(|error| io::Error::other(error.to_string()))?;
    output.flush()?;
    Ok((output.length, output.hash.digest()))
}

struct Hashing<W> {
    output: W,
    hash: Xxh3,
    length: u64,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.output.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.length += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.output.flush()
    }
}

/// Length and hash of a file.
fn hash_of(file: &mut File) -> io::Result<(u64, u64)> {
    let mut hash = Xxh3::new();
    let mut length = 0;
    let mut buffer = vec![0; 1 << 18];
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok((length, hash.digest()));
        }
        hash.update(&buffer[..count]);
        length += count as u64;
    }
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

/// Removes tables that no label names any more. One that cannot be removed is left for the
/// next time.
fn remove_others(dir: &Path, kept: &str) {
    let Ok(listing) = fs::read_dir(dir) else {
        return;
    };
    for item in listing.flatten() {
        let name = item.file_name();
        let table = name
            .to_str()
            .is_some_and(|name| name.starts_with("comps-") && name.ends_with(".arrow"));
        if table && name != kept {
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
