//! Making the cached table: rows are spilled in chunks to buckets by model as they come; then the rows
//! of each bucket are put together by model.
//!
//! Memory holds [`FLUSH_ROWS`] rows while reading and a bucket for each thread after that, however large
//! the book, and some 30 bytes for every identifier.

use std::cmp::Reverse;
use std::fs::File;
use std::path::Path;

use polars::prelude::*;
use tempfile::NamedTempFile;

use super::table::{ArrowFile, ArrowWriter, Layout, rows_of};
use crate::book::comps::frame::{CONTENT_HASH, Columns, Known, rows_by_key, take};
use crate::book::comps::rows::{Id, Trouble};
use crate::book::csv::canonical::Row;
use crate::book::files;
use crate::book::store::id_hash;
use crate::trade::Problem;

/// Rows held before they are spilled.
const FLUSH_ROWS: usize = 1 << 17;
/// Bytes of comps files for each bucket.
const BUCKET_BYTES: u64 = 4 << 20;
/// Most buckets.
const MOST_BUCKETS: u64 = 1024;
/// Rows from which a part is closed when its last model is whole.
const PART_ROWS: usize = 2048;
/// Identifiers in a batch.
const ID_ROWS: usize = 8192;

/// The files of a table, each with how it is laid out: rows by model, models, identifiers.
pub(crate) struct Built {
    pub(super) files: [(NamedTempFile, Layout); 3],
    /// The first hash of each batch of identifiers.
    pub(super) firsts: Vec<u64>,
}

/// Takes rows and makes the table of them.
pub(crate) struct TableBuilder {
    known: Known,
    spill: (File, ArrowWriter),
    /// Rows that wait, and batches of the spill.
    buckets: Vec<(Columns, Vec<usize>)>,
    waiting: usize,
    failed: Option<PolarsError>,
}

impl TableBuilder {
    /// For about so many bytes of comps; temporary files are made in `dir`.
    ///
    /// # Errors
    /// Where they cannot be made.
    pub(crate) fn new(dir: &Path, bytes: u64) -> PolarsResult<Self> {
        let spill = tempfile::tempfile_in(dir)?;
        let writer = ArrowWriter::new(spill.try_clone()?, &Columns::default().finish()?)?;
        let buckets = (bytes / BUCKET_BYTES).clamp(1, MOST_BUCKETS);
        Ok(Self {
            known: Known::default(),
            spill: (spill, writer),
            buckets: (0..buckets).map(|_| Default::default()).collect(),
            waiting: 0,
            failed: None,
        })
    }

    /// Takes a row of a file, as [`Builder::push`](crate::book::comps::frame::Builder::push) does. After
    /// a failure, which [`TableBuilder::finish`] tells, no row is kept.
    pub(crate) fn push(&mut self, file: &str, row: &Row) -> Option<Problem> {
        match self.known.is_first(file, row) {
            Ok(true) if self.failed.is_none() => {}
            Ok(_) => return None,
            Err(problem) => return Some(problem),
        }
        let key = id_hash(self.known.key(&row.comp.model));
        let bucket = key % self.buckets.len() as u64;
        let (columns, _) = &mut self.buckets[bucket as usize];
        self.known.add(columns, file, row);
        self.waiting += 1;
        if self.waiting >= FLUSH_ROWS {
            self.failed = self.flush().err();
        }
        None
    }

    fn flush(&mut self) -> PolarsResult<()> {
        self.waiting = 0;
        for (columns, spilled) in &mut self.buckets {
            if columns.len() > 0 {
                let rows = std::mem::take(columns).finish()?;
                spilled.push(self.spill.1.add(&rows)?);
            }
        }
        Ok(())
    }

    /// Writes the table to temporary files in `dir`.
    ///
    /// # Errors
    /// Where writing failed.
    pub(crate) fn finish(mut self, dir: &Path) -> Result<Built, Trouble> {
        if let Some(error) = self.failed.take() {
            return Err(error.into());
        }
        self.flush()?;
        let Self {
            spill,
            buckets,
            known,
            ..
        } = self;
        drop(known);
        let spill = ArrowFile::new(spill.0, spill.1.finish()?)?;
        let begin = |like: &DataFrame| -> PolarsResult<(NamedTempFile, ArrowWriter)> {
            let file = files::temp_in(dir)?;
            let output = ArrowWriter::new(file.reopen()?, like)?;
            Ok((file, output))
        };
        let (rows, mut output) = begin(&Columns::default().finish()?)?;
        let mut lists = Lists::default();
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        for round in buckets.chunks(threads) {
            let mut read = Vec::with_capacity(round.len());
            for (_, spilled) in round {
                let batches = spilled.iter().map(|batch| spill.bytes(*batch));
                read.push(batches.collect::<Result<Vec<_>, _>>()?);
            }
            let parts: Vec<PolarsResult<Vec<DataFrame>>> = std::thread::scope(|scope| {
                let running = read.into_iter().map(|read| scope.spawn(|| parts_of(read)));
                let running: Vec<_> = running.collect();
                let joined = running.into_iter().map(|thread| match thread.join() {
                    Ok(parts) => parts,
                    Err(panic) => std::panic::resume_unwind(panic),
                });
                joined.collect()
            });
            for bucket in parts {
                for part in bucket? {
                    let number = output.add(&part)?;
                    lists.note(&part, number as u32)?;
                }
            }
        }
        let rows = (rows, output.finish()?);
        let [models, ids] = lists.finish()?;
        let write = |frame: &DataFrame, rows: usize| -> PolarsResult<(NamedTempFile, Layout)> {
            let (file, mut output) = begin(frame)?;
            for at in (0..frame.height().max(1)).step_by(rows) {
                output.add(&frame.slice(at as i64, rows))?;
            }
            Ok((file, output.finish()?))
        };
        let hashes = ids.column("id_hash")?.u64()?.iter().flatten();
        Ok(Built {
            firsts: hashes.step_by(ID_ROWS).collect(),
            files: [rows, write(&models, usize::MAX)?, write(&ids, ID_ROWS)?],
        })
    }
}

/// The rows of a bucket in parts, each with all rows of its models.
fn parts_of(batches: Vec<Vec<u8>>) -> PolarsResult<Vec<DataFrame>> {
    let mut whole = Columns::default().finish()?;
    for batch in batches {
        whole.vstack_mut_owned(rows_of(&batch)?)?;
    }
    whole.rechunk_mut();
    let mut models: Vec<_> = rows_by_key(&whole)?.into_iter().collect();
    models.sort_unstable_by_key(|(key, _)| *key);
    let mut parts = Vec::new();
    let mut waiting: Vec<IdxSize> = Vec::new();
    for (_, rows) in models {
        waiting.extend(rows);
        if waiting.len() >= PART_ROWS {
            parts.push(take(&whole, std::mem::take(&mut waiting))?);
        }
    }
    if !waiting.is_empty() {
        parts.push(take(&whole, waiting)?);
    }
    Ok(parts)
}

/// One spelling of a model.
struct Spelling {
    name: String,
    key: String,
    /// Rows that have it.
    rows: u32,
    part: u32,
}

/// The models and the identifiers of a table.
#[derive(Default)]
struct Lists {
    spellings: Vec<Spelling>,
    ids: Vec<Id>,
}

impl Lists {
    /// Takes in the rows of a part.
    fn note(&mut self, part: &DataFrame, number: u32) -> PolarsResult<()> {
        let mut known: PlHashMap<&str, usize> = PlHashMap::default();
        let names = part.column("model")?.str()?.iter();
        let keys = part.column("model_key")?.str()?.iter();
        let ids = part.column("comp_id")?.str()?.iter();
        let contents = part.column(CONTENT_HASH)?.i64()?.iter();
        let entries = part.column("entry")?.i64()?.iter();
        for ((((name, key), id), content), entry) in
            names.zip(keys).zip(ids).zip(contents).zip(entries)
        {
            let (name, key) = (name.unwrap_or_default(), key.unwrap_or_default());
            let model = *known.entry(name).or_insert_with(|| {
                self.spellings.push(Spelling {
                    name: name.to_string(),
                    key: key.to_string(),
                    rows: 0,
                    part: number,
                });
                self.spellings.len() - 1
            });
            self.spellings[model].rows += 1;
            self.ids.push(Id {
                hash: id_hash(id.unwrap_or_default()),
                content: content.unwrap_or_default().cast_unsigned(),
                entry: entry.unwrap_or_default() as u32,
                model: model as u32,
            });
        }
        Ok(())
    }

    /// The models, those with most rows first and spellings of one together, and the identifiers by
    /// their hashes.
    fn finish(mut self) -> PolarsResult<[DataFrame; 2]> {
        let spellings = &self.spellings;
        let mut of_model: PlHashMap<&str, u32> = PlHashMap::default();
        for spelling in spellings {
            *of_model.entry(&spelling.key).or_default() += spelling.rows;
        }
        let mut order: Vec<usize> = (0..spellings.len()).collect();
        order.sort_by_cached_key(|&at| {
            let key = spellings[at].key.as_str();
            (Reverse(of_model[key]), key)
        });
        let mut places = vec![0; order.len()];
        for (place, &at) in (0..).zip(&order) {
            places[at] = place;
        }
        let sorted = || order.iter().map(|&at| &spellings[at]);
        let text = |name: &str, of: fn(&Spelling) -> &str| {
            StringChunked::from_iter_values(name.into(), sorted().map(of)).into_column()
        };
        let number = |name: &str, of: fn(&Spelling) -> u32| {
            UInt32Chunked::from_vec(name.into(), sorted().map(of).collect()).into_column()
        };
        let models = DataFrame::new_infer_height(vec![
            text("model", |spelling| &spelling.name),
            text("model_key", |spelling| &spelling.key),
            number("rows", |spelling| spelling.rows),
            number("part", |spelling| spelling.part),
        ])?;
        self.ids.sort_unstable_by_key(|id| id.hash);
        for id in &mut self.ids {
            id.model = places[id.model as usize];
        }
        Ok([models, Id::frame(&self.ids)?])
    }
}
