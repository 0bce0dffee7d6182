//! Making the cached table: rows are spilled in chunks to buckets by model as they come; then the rows
//! of each bucket are put together by model.
//!
//! Memory holds a chunk for each bucket while reading and a bucket for each thread after that, and
//! some 30 bytes for every identifier.

use std::cmp::Reverse;
use std::path::Path;

use polars::prelude::*;
use tempfile::TempDir;

use super::{Contents, IDS, MODELS, PART, SPILL, read, write};
use crate::book::comps::frame::{CONTENT_HASH, Columns, Known, rows_by_key, take};
use crate::book::comps::rows::{Id, Trouble};
use crate::book::csv::canonical::Row;
use crate::book::files;
use crate::book::store::id_hash;
use crate::trade::Problem;

/// Bytes of comps files for each bucket.
const BUCKET_BYTES: u64 = 2 << 20;
/// Most buckets.
const MOST_BUCKETS: u64 = 256;
/// Rows from which a chunk of a bucket is spilled.
const CHUNK_ROWS: usize = 4096;
/// Rows from which a part is closed when its last model is whole.
const PART_ROWS: usize = 1024;
/// Identifiers in a file.
const ID_ROWS: usize = 8192;

/// The folder of a table, and what is in it.
pub(super) type Built = (TempDir, Contents);

/// Takes rows and makes the table of them.
pub(crate) struct TableBuilder {
    known: Known,
    dir: TempDir,
    spill: TempDir,
    buckets: Vec<Bucket>,
    failed: Option<PolarsError>,
}

impl TableBuilder {
    /// For about so many bytes of comps; temporary folders are made in `dir`.
    ///
    /// # Errors
    /// Where they cannot be made.
    pub(crate) fn new(dir: &Path, bytes: u64) -> PolarsResult<Self> {
        let buckets = (bytes / BUCKET_BYTES).clamp(1, MOST_BUCKETS);
        Ok(Self {
            known: Known::default(),
            dir: files::temp_folder_in(dir)?,
            spill: files::temp_folder_in(dir)?,
            buckets: (0..buckets).map(|_| Default::default()).collect(),
            failed: None,
        })
    }

    /// Takes a row of a file, as [`Known::push`] does.
    pub(crate) fn push(&mut self, file: &str, row: &Row) -> Option<Problem> {
        let bucket = id_hash(self.known.key(&row.comp.model)) % self.buckets.len() as u64;
        let bucket = &mut self.buckets[bucket as usize];
        let problem = self.known.push(&mut bucket.0, file, row);
        if bucket.0.len() >= CHUNK_ROWS {
            let spilled = spill(bucket, self.spill.path());
            self.failed = self.failed.take().or(spilled.err());
        }
        problem
    }

    /// Writes the table.
    ///
    /// # Errors
    /// Where writing failed.
    pub(crate) fn finish(self) -> Result<Built, Trouble> {
        if let Some(error) = self.failed {
            return Err(error.into());
        }
        drop(self.known);
        let (dir, from) = (self.dir.path(), self.spill.path());
        let mut lists = Lists::default();
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let mut buckets = self.buckets.into_iter().peekable();
        while buckets.peek().is_some() {
            let done: Vec<_> = std::thread::scope(|scope| {
                let round = buckets.by_ref().take(threads);
                let running: Vec<_> = round
                    .map(|bucket| scope.spawn(move || arrange(bucket, from, dir)))
                    .collect();
                running.into_iter().map(|thread| thread.join()).collect()
            });
            for parts in done {
                for (file, rows) in
                    parts.unwrap_or_else(|panic| std::panic::resume_unwind(panic))?
                {
                    lists.note(&rows)?;
                    lists.parts.push(file);
                }
            }
        }
        let contents = lists.write(dir)?;
        Ok((self.dir, contents))
    }
}

/// Rows that wait, and files of those that were spilled before.
type Bucket = (Columns, Vec<u64>);

fn spill((columns, spilled): &mut Bucket, dir: &Path) -> PolarsResult<()> {
    spilled.push(write(dir, SPILL, &mut std::mem::take(columns).finish()?)?);
    Ok(())
}

/// Writes the rows of a bucket in parts; the file of each, and its rows.
fn arrange(
    (columns, spilled): Bucket,
    from: &Path,
    to: &Path,
) -> Result<Vec<(u64, DataFrame)>, Trouble> {
    let mut whole = Columns::default().finish()?;
    for file in spilled {
        whole.vstack_mut_owned(read(from, SPILL, file)?)?;
    }
    whole.vstack_mut_owned(columns.finish()?)?;
    whole.rechunk_mut();
    let mut models: Vec<_> = rows_by_key(&whole)?.into_iter().collect();
    models.sort_unstable_by_key(|(key, _)| *key);
    let (mut parts, mut waiting): (_, Vec<IdxSize>) = (Vec::new(), Vec::new());
    let last = models.len().saturating_sub(1);
    for (at, (_, rows)) in models.into_iter().enumerate() {
        waiting.extend(rows);
        if waiting.len() >= PART_ROWS || at == last {
            let mut part = take(&whole, std::mem::take(&mut waiting))?;
            parts.push((write(to, PART, &mut part)?, part));
        }
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

/// What is in a table.
#[derive(Default)]
struct Lists {
    parts: Vec<u64>,
    spellings: Vec<Spelling>,
    ids: Vec<Id>,
}

impl Lists {
    /// Takes in the rows of the next part.
    fn note(&mut self, rows: &DataFrame) -> PolarsResult<()> {
        let mut known: PlHashMap<&str, usize> = PlHashMap::default();
        let text = |name: &str| Ok::<_, PolarsError>(rows.column(name)?.str()?.iter());
        let whole = |name: &str| Ok::<_, PolarsError>(rows.column(name)?.i64()?.iter());
        let models = text("model")?.zip(text("model_key")?);
        let others = whole(CONTENT_HASH)?.zip(whole("entry")?);
        for (((name, key), id), (content, entry)) in models.zip(text("comp_id")?).zip(others) {
            let (name, key) = (name.unwrap_or_default(), key.unwrap_or_default());
            let model = *known.entry(name).or_insert_with(|| {
                self.spellings.push(Spelling {
                    name: name.to_string(),
                    key: key.to_string(),
                    rows: 0,
                    part: self.parts.len() as u32,
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

    /// Writes the models, those with most rows first and spellings of one together, and the
    /// identifiers by their hashes.
    fn write(mut self, dir: &Path) -> PolarsResult<Contents> {
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
        let mut models = DataFrame::new_infer_height(vec![
            text("model", |spelling| &spelling.name),
            text("model_key", |spelling| &spelling.key),
            number("rows", |spelling| spelling.rows),
            number("part", |spelling| spelling.part),
        ])?;
        self.ids.sort_unstable_by_key(|id| id.hash);
        for id in &mut self.ids {
            id.model = places[id.model as usize];
        }
        let ids = self.ids.chunks(ID_ROWS).map(|ids| {
            let file = write(dir, IDS, &mut Id::frame(ids)?)?;
            Ok((ids[0].hash, file))
        });
        Ok(Contents {
            ids: ids.collect::<PolarsResult<_>>()?,
            models: write(dir, MODELS, &mut models)?,
            parts: self.parts,
        })
    }
}
