//! Builds the cached table: rows go in chunks to buckets by model as they arrive; then the rows of
//! each bucket are grouped by model.
//!
//! Memory contains a chunk for each bucket during reading, later a bucket for each thread, and some
//! 30 bytes for every identifier.

use std::cmp::Reverse;
use std::fs::File;
use std::path::Path;

use polars::prelude::*;
use rayon::prelude::*;

use super::table::{ArrowFile, ArrowWriter, Id, Layout, Trouble, rows_of};
use crate::book::comps::frame::{CONTENT_HASH, Columns, Known, rows_by_key, take};
use crate::book::csv::canonical::Row;
use crate::book::folder::{Folder, Temporary};
use crate::book::ids::id_hash;
use crate::trade::Problem;

/// Bytes of comps files for each bucket.
const BUCKET_BYTES: u64 = 2 << 20;
/// Most buckets.
const MOST_BUCKETS: u64 = 256;
/// Number of rows at which a chunk of a bucket is written out.
const CHUNK_ROWS: usize = 4096;
/// Number of rows from which a part ends after its last model.
const PART_ROWS: usize = 1024;
/// Identifiers per batch.
const ID_ROWS: usize = 8192;

/// The files of a table: rows by model, models, identifiers.
pub(crate) struct Built {
    pub(super) files: [Temporary; 3],
    pub(super) layouts: [Layout; 3],
    /// The first hash of each batch of identifiers.
    pub(super) firsts: Vec<u64>,
}

/// Collects rows and builds the table.
pub(crate) struct TableBuilder {
    known: Known,
    /// Files for rows by model, models, identifiers.
    outputs: [Temporary; 3],
    spill: (File, ArrowWriter),
    spilled: usize,
    buckets: Vec<Bucket>,
    failed: Option<PolarsError>,
}

/// Waiting rows, and batches already written out.
type Bucket = (Columns, Vec<usize>);

impl TableBuilder {
    /// For about `bytes` bytes of comps; temporary files go to `dir`, a folder in `folder`.
    ///
    /// # Errors
    /// If they cannot be created.
    pub(crate) fn new(folder: &Folder, dir: &Path, bytes: u64) -> PolarsResult<Self> {
        let temporary = || folder.temporary(dir);
        let spill = temporary()?.unnamed()?;
        let like = Columns::default().finish()?;
        let writer = ArrowWriter::new(spill.try_clone()?, &like, CompatLevel::newest())?;
        let buckets = (bytes / BUCKET_BYTES).clamp(1, MOST_BUCKETS);
        Ok(Self {
            known: Known::default(),
            outputs: [temporary()?, temporary()?, temporary()?],
            spill: (spill, writer),
            spilled: 0,
            buckets: (0..buckets).map(|_| Default::default()).collect(),
            failed: None,
        })
    }

    /// Adds a row of a file, like [`Known::push`].
    pub(crate) fn push(&mut self, file: &str, row: &Row) -> Option<Problem> {
        let bucket = id_hash(self.known.key(&row.comp.model)) % self.buckets.len() as u64;
        let (columns, spilled) = &mut self.buckets[bucket as usize];
        let problem = self.known.push(columns, file, row);
        if columns.len() >= CHUNK_ROWS {
            spilled.push(self.spilled);
            self.spilled += 1;
            let chunk = std::mem::take(columns).finish();
            let added = chunk.and_then(|chunk| self.spill.1.add(&chunk));
            self.failed = self.failed.take().or(added.err());
        }
        problem
    }

    /// Writes the table.
    ///
    /// # Errors
    /// If writing failed.
    pub(crate) fn finish(self) -> Result<Built, Trouble> {
        if let Some(error) = self.failed {
            return Err(error.into());
        }
        drop(self.known);
        let spill = ArrowFile::new(self.spill.0, self.spill.1.finish()?)?;
        let mut files = self.outputs;
        let mut begin = |file: usize, like: &DataFrame| -> PolarsResult<ArrowWriter> {
            let file = files[file].as_file().try_clone()?;
            ArrowWriter::new(file, like, CompatLevel::oldest())
        };
        let mut rows = begin(0, &Columns::default().finish()?)?;
        let mut lists = Lists::default();
        let threads = rayon::current_num_threads();
        let mut buckets = self.buckets.into_iter().peekable();
        while buckets.peek().is_some() {
            let round = buckets.by_ref().take(threads).map(|(columns, spilled)| {
                let spilled = spilled.into_iter().map(|batch| spill.bytes(batch));
                Ok((columns, spilled.collect::<Result<Vec<_>, _>>()?))
            });
            let round: Vec<_> = round.collect::<Result<_, Trouble>>()?;
            let parts = round.into_par_iter();
            let parts = parts.map(|(columns, chunks)| parts_of(columns, chunks));
            let parts: Vec<Vec<DataFrame>> = parts.collect::<PolarsResult<_>>()?;
            for part in parts.into_iter().flatten() {
                rows.add(&part)?;
                lists.note(&part)?;
            }
        }
        let [model_list, id_list] = lists.finish()?;
        let mut models = begin(1, &model_list)?;
        models.add(&model_list)?;
        let mut ids = begin(2, &id_list)?;
        for at in (0..id_list.height()).step_by(ID_ROWS) {
            ids.add(&id_list.slice(at as i64, ID_ROWS))?;
        }
        let hashes = id_list.column("id_hash")?.u64()?.iter().flatten();
        Ok(Built {
            firsts: hashes.step_by(ID_ROWS).collect(),
            layouts: [rows.finish()?, models.finish()?, ids.finish()?],
            files,
        })
    }
}

/// The rows of a bucket in parts, each with all rows of its models.
fn parts_of(columns: Columns, spilled: Vec<Vec<u8>>) -> PolarsResult<Vec<DataFrame>> {
    let mut whole = Columns::default().finish()?;
    for chunk in spilled {
        whole.vstack_mut_owned(rows_of(&chunk)?)?;
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
            parts.push(take(&whole, std::mem::take(&mut waiting))?);
        }
    }
    Ok(parts)
}

/// One spelling of a model.
struct Spelling {
    name: String,
    key: String,
    /// Number of rows with it.
    rows: u32,
    part: u32,
}

/// Models and identifiers of a table.
#[derive(Default)]
struct Lists {
    parts: u32,
    spellings: Vec<Spelling>,
    ids: Vec<Id>,
}

impl Lists {
    /// Adds the rows of the next part.
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
                    part: self.parts,
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
        self.parts += 1;
        Ok(())
    }

    /// The models, those with most rows first and spellings of one together, and the identifiers
    /// ordered by hash.
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
        let sorted = order.iter().map(|&at| &spellings[at]);
        let text = |of: fn(&Spelling) -> &str| sorted.clone().map(of).collect::<Vec<_>>();
        let number = |of: fn(&Spelling) -> u32| sorted.clone().map(of).collect::<Vec<_>>();
        let models = df!(
            "model" => text(|spelling| &spelling.name),
            "model_key" => text(|spelling| &spelling.key),
            "rows" => number(|spelling| spelling.rows),
            "part" => number(|spelling| spelling.part),
        )?;
        self.ids.sort_unstable_by_key(|id| id.hash);
        for id in &mut self.ids {
            id.model = places[id.model as usize];
        }
        Ok([models, Id::frame(&self.ids)?])
    }
}
