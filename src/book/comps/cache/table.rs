//! The files of the cached table: ordinary Arrow files, in which each batch of rows can be read and
//! checked against its hash separately; and the lists of models and identifiers in them.

use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::sync::Arc;

use polars::prelude::*;
use polars_arrow::io::ipc::read::{
    StreamReader, StreamState, read_file_metadata, read_stream_metadata,
};
use polars_arrow::io::ipc::write::{Block, FileWriter, WriteOptions};
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::xxh3_64;

use crate::book::BookError;

/// Reason why comps could not be read.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Trouble {
    /// The cache has changed: it must be rebuilt.
    #[error("the cache changes while it is read")]
    Damaged,
    /// Anything else.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The table library failed; nobody is the cause.
    #[error(transparent)]
    Internal(#[from] PolarsError),
}

/// Bytes before the schema, after which an Arrow file continues as an Arrow stream.
const MARK: usize = 8;

/// Lengths of the parts of an Arrow file in order, each with the hash of its bytes: the mark and
/// the schema, the batches, the footer; without batches, one part.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Layout(Vec<(u64, u64)>);

/// An opened Arrow file of the cache.
#[derive(Debug)]
pub(crate) struct ArrowFile {
    file: File,
    layout: Layout,
    head: Vec<u8>,
}

impl ArrowFile {
    /// Opens a file with this layout.
    pub(super) fn new(file: File, layout: Layout) -> Result<Self, Trouble> {
        let length: u64 = layout.0.iter().map(|(length, _)| length).sum();
        let whole = file.metadata().is_ok_and(|data| data.len() == length);
        let footer = layout.0.len().saturating_sub(1);
        let head = Vec::new();
        let mut opened = Self { file, layout, head };
        opened.head = opened.read(0)?;
        opened.read(footer)?;
        whole.then_some(opened).ok_or(Trouble::Damaged)
    }

    /// Number of batches.
    pub(super) fn batches(&self) -> usize {
        self.layout.0.len().saturating_sub(2)
    }

    /// The bytes of a part after those of the head, if they are unchanged.
    fn read(&self, part: usize) -> Result<Vec<u8>, Trouble> {
        let parts = &self.layout.0;
        let &(length, hash) = parts.get(part).ok_or(Trouble::Damaged)?;
        let start = parts[..part].iter().map(|(length, _)| length).sum();
        let mut bytes = self.head.clone();
        bytes.reserve_exact(length as usize);
        let mut file = &self.file;
        let read = file.seek(SeekFrom::Start(start));
        let read = read.and_then(|_| file.take(length).read_to_end(&mut bytes));
        let good = read.is_ok() && xxh3_64(&bytes[self.head.len()..]) == hash;
        good.then_some(bytes).ok_or(Trouble::Damaged)
    }

    /// The bytes from which [`rows_of`] reads the rows of a batch.
    pub(super) fn bytes(&self, batch: usize) -> Result<Vec<u8>, Trouble> {
        self.read(batch + 1)
    }

    /// The rows of a batch.
    pub(super) fn rows(&self, batch: usize) -> Result<DataFrame, Trouble> {
        Ok(rows_of(&self.bytes(batch)?)?)
    }
}

/// The rows in a file that has one batch and perhaps no end.
pub(super) fn rows_of(bytes: &[u8]) -> PolarsResult<DataFrame> {
    let mut bytes = Cursor::new(bytes.get(MARK..).unwrap_or_default());
    let schema = read_stream_metadata(&mut bytes)?;
    match StreamReader::new(bytes, schema, None).next().transpose()? {
        Some(StreamState::Some(batch)) => Ok(DataFrame::from(batch)),
        _ => Err(PolarsError::NoData("a batch without rows".into())),
    }
}

/// Writes an Arrow file batch by batch.
pub(super) struct ArrowWriter {
    writer: FileWriter<File>,
    strings: CompatLevel,
}

impl ArrowWriter {
    /// Begins a file of tables like this one. `strings` selects their encoding: readable by all
    /// tools and without data shared between batches, or as in polars.
    pub(super) fn new(file: File, like: &DataFrame, strings: CompatLevel) -> PolarsResult<Self> {
        let schema = Arc::new(like.schema().to_arrow(strings));
        let options = WriteOptions { compression: None };
        let writer = FileWriter::try_new(file, schema, None, options)?;
        Ok(Self { writer, strings })
    }

    /// Adds a table as a batch.
    pub(super) fn add(&mut self, frame: &DataFrame) -> PolarsResult<()> {
        let mut batches = frame.iter_chunks(self.strings, false);
        batches.try_for_each(|batch| self.writer.write(&batch, None))
    }

    /// Ends the file.
    pub(super) fn finish(mut self) -> PolarsResult<Layout> {
        self.writer.finish()?;
        let mut file = self.writer.into_inner();
        file.rewind()?;
        let blocks = read_file_metadata(&mut file)?.blocks;
        let mut starts: Vec<u64> = blocks.iter().map(|block| block.offset as u64).collect();
        let end = |block: &Block| {
            block.offset as u64 + block.meta_data_length as u64 + block.body_length as u64
        };
        starts.extend(blocks.last().map(end));
        starts.push(file.metadata()?.len());
        file.rewind()?;
        let mut at = 0;
        let mut bytes = Vec::new();
        let parts = starts.into_iter().map(|end| {
            bytes.clear();
            let length = end - std::mem::replace(&mut at, end);
            (&file).take(length).read_to_end(&mut bytes)?;
            Ok((length, xxh3_64(&bytes)))
        });
        Ok(Layout(parts.collect::<PolarsResult<_>>()?))
    }
}

/// One identifier in the cached table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Id {
    /// Hash of the identifier.
    pub(crate) hash: u64,
    /// Hash of the content of its row.
    pub(crate) content: u64,
    /// Entry of its row.
    pub(crate) entry: u32,
    /// Position of the spelling of its model among the [`Models`].
    pub(crate) model: u32,
}

impl Id {
    /// Identifiers as a table.
    pub(super) fn frame(ids: &[Self]) -> PolarsResult<DataFrame> {
        let long = |of: fn(&Self) -> u64| ids.iter().map(of).collect::<Vec<_>>();
        let short = |of: fn(&Self) -> u32| ids.iter().map(of).collect::<Vec<_>>();
        df!(
            "id_hash" => long(|id| id.hash),
            "content_hash" => long(|id| id.content),
            "entry" => short(|id| id.entry),
            "model" => short(|id| id.model),
        )
    }

    /// Reverses [`Id::frame`].
    pub(super) fn all_of(frame: &DataFrame) -> PolarsResult<Vec<Self>> {
        let long = |name: &str| Ok::<_, PolarsError>(frame.column(name)?.u64()?.iter().flatten());
        let hashes = long("id_hash")?.zip(long("content_hash")?);
        let ids = hashes.zip(numbers(frame, "entry")?.zip(numbers(frame, "model")?));
        let id = |((hash, content), (entry, model))| Self {
            hash,
            content,
            entry,
            model,
        };
        Ok(ids.map(id).collect())
    }
}

/// The values of a column of 32-bit numbers.
fn numbers<'f>(frame: &'f DataFrame, name: &str) -> PolarsResult<impl Iterator<Item = u32> + 'f> {
    Ok(frame.column(name)?.u32()?.iter().flatten())
}

/// The spellings of models in the cached table, those of one model together, models with most rows
/// first.
#[derive(Debug, Default)]
pub(crate) struct Models {
    pub(crate) names: StringChunked,
    keys: StringChunked,
    /// Rows in force of each.
    pub(crate) rows: Vec<u32>,
    pub(crate) parts: Vec<u32>,
}

impl Models {
    /// Reads the table of models in the cache.
    pub(super) fn new(frame: &DataFrame) -> PolarsResult<Self> {
        Ok(Self {
            names: frame.column("model")?.str()?.clone(),
            keys: frame.column("model_key")?.str()?.clone(),
            rows: numbers(frame, "rows")?.collect(),
            parts: numbers(frame, "part")?.collect(),
        })
    }

    /// The keys of all spellings with their rows.
    pub(crate) fn keys(&self) -> impl Iterator<Item = (&str, u32)> {
        let keys = self.keys.iter().map(Option::unwrap_or_default);
        keys.zip(self.rows.iter().copied())
    }
}
