//! The file of the cached table: segments of rows, blocks of identifiers, and the models.
//!
//! | part | content |
//! |---|---|
//! | segment | all rows of some models (none is in two), packed: length of the words, words as JSON, rows as an Arrow file |
//! | block | identifiers of rows, sorted by their hash: [`Id`] in [`ID_BYTES`] bytes each, little-endian |
//! | models | one Arrow file, a row for each spelling of a model |
//!
//! Where they stand and what they hash to is in [`Contents`], which the label of the cache holds.

use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom};
use std::ops::Range;

use polars::prelude::*;
use polars_io::ipc::{IpcReader, IpcWriter};
use polars_io::{SerReader, SerWriter};
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use crate::book::comps::frame::{Packed, WORDED};

/// Bytes of an [`Id`].
pub(crate) const ID_BYTES: usize = 24;

/// Columns of the table of models: a spelling, its key, its number among the spellings, its rows and the
/// rows of all spellings of the model, by which the table is sorted; the segment that has them.
pub(crate) const MODEL_COLUMNS: [&str; 6] =
    ["model", "model_key", "number", "spelled", "rows", "segment"];

/// A part of the cache is not what it was when it was written.
#[derive(Debug)]
pub(crate) struct Damaged;

impl From<io::Error> for Damaged {
    fn from(_: io::Error) -> Self {
        Self
    }
}

impl From<PolarsError> for Damaged {
    fn from(_: PolarsError) -> Self {
        Self
    }
}

/// A part of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Span {
    pub(crate) offset: u64,
    pub(crate) length: u64,
    /// Of its bytes.
    pub(crate) hash: u64,
}

impl Span {
    /// Reads it, and sees that it is what it was.
    pub(crate) fn read(&self, mut file: &File) -> Result<Vec<u8>, Damaged> {
        file.seek(SeekFrom::Start(self.offset))?;
        let mut bytes = Vec::new();
        file.take(self.length).read_to_end(&mut bytes)?;
        let good = bytes.len() as u64 == self.length && xxh3_64(&bytes) == self.hash;
        good.then_some(bytes).ok_or(Damaged)
    }
}

/// Where the parts of a table are.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Contents {
    pub(crate) segments: Vec<Span>,
    /// Each with the first hash of it.
    pub(crate) blocks: Vec<(u64, Span)>,
    pub(crate) models: Span,
}

impl Contents {
    /// Of everything in the table.
    pub(crate) fn hash(&self) -> u64 {
        let blocks = self.blocks.iter().map(|(_, span)| span);
        let spans = self.segments.iter().chain(blocks).chain([&self.models]);
        let mut hash = Xxh3::new();
        for span in spans {
            hash.update(&span.hash.to_le_bytes());
        }
        hash.digest()
    }
}

/// A number of up to eight bytes, the lowest first.
pub(crate) fn number(bytes: &[u8]) -> u64 {
    let bytes = bytes.iter().rev();
    bytes.fold(0, |number, byte| number << 8 | u64::from(*byte))
}

/// One identifier in force.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Id {
    /// Of the identifier.
    pub(crate) hash: u64,
    /// Of the content of its row.
    pub(crate) content: u64,
    /// Entry of its row.
    pub(crate) entry: u32,
    /// Number of the spelling of its model.
    pub(crate) model: u32,
}

impl Id {
    pub(crate) fn to_bytes(self) -> [u8; ID_BYTES] {
        let mut bytes = [0; ID_BYTES];
        bytes[..8].copy_from_slice(&self.hash.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.content.to_le_bytes());
        bytes[16..20].copy_from_slice(&self.entry.to_le_bytes());
        bytes[20..].copy_from_slice(&self.model.to_le_bytes());
        bytes
    }

    /// The identifiers of a block.
    fn all_of(bytes: &[u8]) -> impl Iterator<Item = Self> + '_ {
        bytes.chunks_exact(ID_BYTES).map(|bytes| Self {
            hash: number(&bytes[..8]),
            content: number(&bytes[8..16]),
            entry: number(&bytes[16..20]) as u32,
            model: number(&bytes[20..]) as u32,
        })
    }
}

/// A packed table as one run of bytes.
pub(crate) fn to_bytes(packed: &mut Packed) -> PolarsResult<Vec<u8>> {
    let words = serde_json::to_vec(&packed.words)
        .map_err(|error| PolarsError::ComputeError(error.to_string().into()))?;
    let mut bytes = (words.len() as u64).to_le_bytes().to_vec();
    bytes.extend(words);
    IpcWriter::new(&mut bytes).finish(&mut packed.rows)?;
    Ok(bytes)
}

/// Back from [`to_bytes`].
pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Packed, Damaged> {
    let (length, rest) = bytes.split_first_chunk().ok_or(Damaged)?;
    let length = usize::try_from(u64::from_le_bytes(*length)).map_err(|_| Damaged)?;
    let (words, rows) = rest.split_at_checked(length).ok_or(Damaged)?;
    let words: Vec<Vec<String>> = serde_json::from_slice(words).map_err(|_| Damaged)?;
    if words.len() != WORDED.len() {
        return Err(Damaged);
    }
    let rows = IpcReader::new(Cursor::new(rows)).finish()?;
    Ok(Packed { rows, words })
}

/// The cached table, opened.
#[derive(Debug)]
pub(crate) struct Table {
    file: File,
    contents: Contents,
}

impl Table {
    pub(crate) fn new(file: File, contents: Contents) -> Self {
        Self { file, contents }
    }

    /// How many segments there are.
    pub(crate) fn segments(&self) -> usize {
        self.contents.segments.len()
    }

    /// The rows of a segment, those of one model in the order of their places.
    pub(crate) fn segment(&self, at: usize) -> Result<Packed, Damaged> {
        let span = self.contents.segments.get(at).ok_or(Damaged)?;
        from_bytes(&span.read(&self.file)?)
    }

    /// Every identifier, sorted by its hash.
    pub(crate) fn ids(&self) -> Result<Vec<(u64, u64)>, Damaged> {
        let bytes = self.contents.blocks.iter().map(|(_, span)| span.length);
        let mut ids = Vec::with_capacity(bytes.sum::<u64>() as usize / ID_BYTES);
        for (_, span) in &self.contents.blocks {
            let bytes = span.read(&self.file)?;
            ids.extend(Id::all_of(&bytes).map(|id| (id.hash, id.content)));
        }
        Ok(ids)
    }

    /// The identifiers of these hashes (sorted) that the table has.
    pub(crate) fn find(&self, hashes: &[u64]) -> Result<Vec<Id>, Damaged> {
        let mut found = Vec::new();
        let mut rest = hashes;
        while let Some(first) = rest.first() {
            let blocks = &self.contents.blocks;
            let Some(at) = blocks
                .partition_point(|(begins, _)| begins <= first)
                .checked_sub(1)
            else {
                rest = &rest[1..];
                continue;
            };
            let next = blocks.get(at + 1).map(|(begins, _)| *begins);
            let here = next.map_or(rest.len(), |next| rest.partition_point(|hash| *hash < next));
            let bytes = blocks[at].1.read(&self.file)?;
            let ids: Vec<Id> = Id::all_of(&bytes).collect();
            let (asked, after) = rest.split_at(here);
            for hash in asked {
                if let Ok(at) = ids.binary_search_by_key(hash, |id| id.hash) {
                    found.push(ids[at]);
                }
            }
            rest = after;
        }
        Ok(found)
    }

    /// Its models.
    pub(crate) fn models(&self) -> Result<Models, Damaged> {
        let bytes = self.contents.models.read(&self.file)?;
        let rows = IpcReader::new(Cursor::new(bytes)).finish()?;
        let text = |at: usize| Ok::<_, Damaged>(rows.column(MODEL_COLUMNS[at])?.str()?.clone());
        let number = |at: usize| Ok::<_, Damaged>(rows.column(MODEL_COLUMNS[at])?.u32()?.clone());
        Ok(Models {
            names: text(0)?,
            keys: text(1)?,
            numbers: number(2)?,
            spelled: number(3)?,
            rows: number(4)?,
            segments: number(5)?,
        })
    }
}

/// The models of a table: spellings, those of one model together, the model with most rows first
/// (of equals the first in the alphabet).
#[derive(Debug)]
pub(crate) struct Models {
    names: StringChunked,
    keys: StringChunked,
    numbers: UInt32Chunked,
    spelled: UInt32Chunked,
    rows: UInt32Chunked,
    segments: UInt32Chunked,
}

/// One model of a table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Model<'a> {
    pub(crate) key: &'a str,
    /// Its comps.
    pub(crate) rows: u32,
    /// The segment that has them.
    pub(crate) segment: u32,
}

/// One spelling of a model.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spelling<'a> {
    pub(crate) name: &'a str,
    /// Of its model.
    pub(crate) key: &'a str,
    /// See [`Id::model`].
    pub(crate) number: u32,
    /// Comps that have it.
    pub(crate) rows: u32,
}

impl Models {
    /// Every spelling.
    pub(crate) fn spellings(&self) -> impl Iterator<Item = Spelling<'_>> {
        (0..self.keys.len()).filter_map(|at| {
            Some(Spelling {
                name: self.names.get(at)?,
                key: self.keys.get(at)?,
                number: self.numbers.get(at)?,
                rows: self.spelled.get(at)?,
            })
        })
    }

    /// The model of this key.
    pub(crate) fn get(&self, key: &str) -> Option<Model<'_>> {
        let at = self.keys.iter().position(|known| known == Some(key))?;
        self.at(at)
    }

    /// Every model, the one with most rows first.
    pub(crate) fn ranked(&self) -> impl Iterator<Item = Model<'_>> {
        let mut last = None;
        (0..self.keys.len()).filter_map(move |at| {
            let model = self.at(at)?;
            (last.replace(model.key) != Some(model.key)).then_some(model)
        })
    }

    /// The models with the spellings of these numbers (sorted), in this order.
    pub(crate) fn numbered(&self, numbers: &[u32]) -> Vec<Option<Model<'_>>> {
        let mut models = vec![None; numbers.len()];
        for (at, number) in self.numbers.iter().enumerate() {
            let places = equal(numbers, number.unwrap_or(u32::MAX));
            for place in places {
                models[place] = self.at(at);
            }
        }
        models
    }

    fn at(&self, at: usize) -> Option<Model<'_>> {
        Some(Model {
            key: self.keys.get(at)?,
            rows: self.rows.get(at)?,
            segment: self.segments.get(at)?,
        })
    }
}

/// Where a number stands in a sorted list.
fn equal(sorted: &[u32], number: u32) -> Range<usize> {
    let start = sorted.partition_point(|other| *other < number);
    let length = sorted[start..].partition_point(|other| *other == number);
    start..start + length
}
