//! Making the cached table in bounded memory: rows are spilled in chunks to buckets by model, and
//! identifiers to buckets by their hash, as they come; then each bucket is put in order by itself.
//!
//! Memory holds [`FLUSH_ROWS`] rows while reading and one bucket for each thread after that, however
//! large the book; only the spellings of models are kept throughout. (A bucket is as large as the
//! rows of one model where that model has more.)

use std::collections::{BTreeSet, HashMap, HashSet};
use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::Path;

use polars::prelude::*;
use polars_io::SerWriter;
use polars_io::ipc::IpcWriter;
use xxhash_rust::xxh3::xxh3_64;

use crate::book::comps::cache::table::{
    Contents, Damaged, Id, MODEL_COLUMNS, Span, from_bytes, number, to_bytes,
};
use crate::book::comps::frame::{Builder, Packed, Words, place, short_line};
use crate::book::csv::canonical::Row;
use crate::book::folder::{Folder, Temporary};
use crate::book::ids::id_hash;
use crate::trade::names::match_key;

/// Rows held before they are spilled.
const FLUSH_ROWS: usize = 1 << 17;
/// Bytes of comps files for each bucket of rows, and of identifiers.
const BUCKET_BYTES: u64 = 16 << 20;
const ID_BUCKET_BYTES: u64 = 32 << 20;
/// Most buckets of each kind.
const MOST_BUCKETS: u64 = 1024;
const MOST_ID_BUCKETS: u64 = 256;
/// Rows from which a segment is closed when its last model is whole.
const SEGMENT_ROWS: usize = 4096;
/// Identifiers in a block.
const BLOCK_IDS: usize = 8192;

/// A table that was made, in a temporary file.
pub(crate) struct Built {
    pub(crate) file: Temporary,
    pub(crate) contents: Contents,
}

/// Why no table was made.
pub(crate) enum BuildError {
    /// The folder cannot be written to.
    Io(io::Error),
    /// Identifiers stand twice in one entry.
    Repeated(Vec<Repeat>),
}

impl From<io::Error> for BuildError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl From<PolarsError> for BuildError {
    fn from(error: PolarsError) -> Self {
        Self::Io(io::Error::other(error.to_string()))
    }
}

impl From<Damaged> for BuildError {
    fn from(_: Damaged) -> Self {
        Self::Io(io::Error::other("what was just written reads otherwise"))
    }
}

/// A row whose identifier an earlier row of its entry has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Repeat {
    pub(crate) entry: u32,
    pub(crate) line: u32,
    /// Line of the earlier row.
    pub(crate) first: u32,
}

/// What is kept of every row to settle which are in force.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Claim {
    hash: u64,
    /// See [`place`]: of equal hashes, the row in force comes first.
    place: u64,
    content: u64,
    model: u32,
}

impl Claim {
    const BYTES: usize = 28;

    fn to_bytes(self) -> [u8; Self::BYTES] {
        let mut bytes = [0; Self::BYTES];
        bytes[..8].copy_from_slice(&self.hash.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.place.to_le_bytes());
        bytes[16..24].copy_from_slice(&self.content.to_le_bytes());
        bytes[24..].copy_from_slice(&self.model.to_le_bytes());
        bytes
    }

    fn all_of(bytes: &[u8]) -> impl Iterator<Item = Self> + '_ {
        bytes.chunks_exact(Self::BYTES).map(|bytes| Self {
            hash: number(&bytes[..8]),
            place: number(&bytes[8..16]),
            content: number(&bytes[16..24]),
            model: number(&bytes[24..]) as u32,
        })
    }

    fn entry(self) -> u32 {
        u32::MAX - (self.place >> 32) as u32
    }

    fn line(self) -> u32 {
        self.place as u32
    }
}

/// A file that is only added to.
struct Pile<F> {
    file: F,
    length: u64,
}

impl<F: Write> Pile<F> {
    fn add(&mut self, bytes: &[u8]) -> io::Result<Span> {
        self.file.write_all(bytes)?;
        let offset = self.length;
        self.length += bytes.len() as u64;
        Ok(Span {
            offset,
            length: bytes.len() as u64,
            hash: xxh3_64(bytes),
        })
    }
}

/// Rows or identifiers that belong together: what of them is on file, and what is not yet.
#[derive(Default)]
struct Bucket<T> {
    waiting: T,
    spilled: Vec<Span>,
}

/// Takes rows and makes the table of them.
pub(crate) struct TableBuilder {
    spill: Pile<File>,
    output: Temporary,
    rows: Vec<Bucket<Builder>>,
    /// Their number is a power of two.
    claims: Vec<Bucket<Vec<u8>>>,
    models: Words,
    /// Bucket of each spelling of a model.
    buckets: Vec<u32>,
    waiting: usize,
    failed: Option<BuildError>,
}

impl TableBuilder {
    /// For about so many bytes of comps; temporary files are made in `dir`, a folder in `folder`.
    ///
    /// # Errors
    /// Where they cannot be made.
    pub(crate) fn new(folder: &Folder, dir: &Path, bytes: u64) -> io::Result<Self> {
        let rows = (bytes / BUCKET_BYTES).clamp(1, MOST_BUCKETS);
        let claims = (bytes / ID_BUCKET_BYTES)
            .clamp(1, MOST_ID_BUCKETS)
            .next_power_of_two();
        Ok(Self {
            spill: Pile {
                file: folder.temporary(dir)?.unnamed()?,
                length: 0,
            },
            output: folder.temporary(dir)?,
            rows: (0..rows).map(|_| Bucket::default()).collect(),
            claims: (0..claims).map(|_| Bucket::default()).collect(),
            models: Words::default(),
            buckets: Vec::new(),
            waiting: 0,
            failed: None,
        })
    }

    /// Takes a row of a file; rows of newer entries come first. After a failure, which
    /// [`TableBuilder::finish`] tells, it does nothing.
    pub(crate) fn push(&mut self, file: &str, row: &Row) {
        if self.failed.is_some() {
            return;
        }
        let model = self.models.number(&row.comp.model);
        if self.buckets.len() < self.models.len() {
            let key = xxh3_64(match_key(&row.comp.model).as_bytes());
            self.buckets.push((key % self.rows.len() as u64) as u32);
        }
        let bucket = self.buckets[model as usize] as usize;
        let claim = Claim {
            hash: id_hash(&row.comp.comp_id),
            place: place(row.entry as u32, short_line(row.line)),
            content: self.rows[bucket].waiting.add(file, row),
            model,
        };
        let bits = self.claims.len().trailing_zeros();
        let bucket = claim.hash.checked_shr(u64::BITS - bits).unwrap_or(0);
        self.claims[bucket as usize]
            .waiting
            .extend(claim.to_bytes());
        self.waiting += 1;
        if self.waiting >= FLUSH_ROWS {
            self.failed = self.flush().err();
        }
    }

    fn flush(&mut self) -> Result<(), BuildError> {
        self.waiting = 0;
        for bucket in &mut self.rows {
            if bucket.waiting.len() > 0 {
                let mut chunk = std::mem::take(&mut bucket.waiting).finish()?;
                bucket.spilled.push(self.spill.add(&to_bytes(&mut chunk)?)?);
            }
        }
        for bucket in &mut self.claims {
            bucket.spilled.push(self.spill.add(&bucket.waiting)?);
            bucket.waiting.clear();
        }
        Ok(())
    }

    /// Puts everything in order.
    ///
    /// # Errors
    /// Where writing failed, or identifiers stand twice in one entry.
    pub(crate) fn finish(mut self) -> Result<Built, BuildError> {
        if let Some(error) = self.failed.take() {
            return Err(error);
        }
        self.flush()?;
        let Self {
            mut spill,
            mut output,
            rows,
            claims,
            models,
            buckets,
            ..
        } = self;
        let mut pile = Pile {
            file: output.as_file(),
            length: 0,
        };
        let Settled { blocks, dead } = settle(claims, &buckets, rows.len(), &mut spill, &mut pile)?;
        let rows: Vec<Vec<Span>> = rows.into_iter().map(|bucket| bucket.spilled).collect();
        let mut places = Places::new(models);
        let segments = arrange(&rows, &dead, &spill.file, &mut pile, &mut places)?;
        let models = pile.add(&places.into_bytes()?)?;
        Ok(Built {
            file: output,
            contents: Contents {
                segments,
                blocks,
                models,
            },
        })
    }
}

/// Which rows are in force.
struct Settled {
    /// Blocks of identifiers, each with its first hash.
    blocks: Vec<(u64, Span)>,
    /// By bucket of rows, the places of those that are not.
    dead: Vec<Vec<Span>>,
}

/// Finds which row of each identifier is in force. Writes their blocks; the places of the others,
/// by bucket of rows, go to the spill.
fn settle(
    claims: Vec<Bucket<Vec<u8>>>,
    buckets: &[u32],
    row_buckets: usize,
    spill: &mut Pile<File>,
    pile: &mut Pile<&mut File>,
) -> Result<Settled, BuildError> {
    let mut blocks = Vec::new();
    let mut dead: Vec<Bucket<Vec<u8>>> = (0..row_buckets).map(|_| Bucket::default()).collect();
    let mut repeats = Vec::new();
    for bucket in claims {
        let mut claims = Vec::new();
        for span in &bucket.spilled {
            claims.extend(Claim::all_of(&span.read(&spill.file)?));
        }
        spill.file.seek(SeekFrom::Start(spill.length))?;
        claims.sort_unstable();
        let mut ids = Vec::new();
        for same in claims.chunk_by(|a, b| a.hash == b.hash) {
            let Some((first, others)) = same.split_first() else {
                continue;
            };
            ids.push(Id {
                hash: first.hash,
                content: first.content,
                entry: first.entry(),
                model: first.model,
            });
            for other in others {
                if other.entry() == first.entry() {
                    repeats.push(Repeat {
                        entry: other.entry(),
                        line: other.line(),
                        first: first.line(),
                    });
                }
                dead[buckets[other.model as usize] as usize]
                    .waiting
                    .extend(other.place.to_le_bytes());
            }
        }
        for block in ids.chunks(BLOCK_IDS) {
            let bytes: Vec<u8> = block.iter().flat_map(|id| id.to_bytes()).collect();
            blocks.push((block[0].hash, pile.add(&bytes)?));
        }
        for bucket in dead.iter_mut().filter(|bucket| !bucket.waiting.is_empty()) {
            bucket.spilled.push(spill.add(&bucket.waiting)?);
            bucket.waiting.clear();
        }
    }
    if repeats.is_empty() {
        let dead = dead.into_iter().map(|bucket| bucket.spilled).collect();
        Ok(Settled { blocks, dead })
    } else {
        Err(BuildError::Repeated(repeats))
    }
}

/// Writes the segments of every bucket, in order; buckets are worked on side by side.
fn arrange(
    rows: &[Vec<Span>],
    dead: &[Vec<Span>],
    spill: &File,
    pile: &mut Pile<&mut File>,
    places: &mut Places,
) -> Result<Vec<Span>, BuildError> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut segments = Vec::new();
    let read = |spans: &[Span]| -> Result<Vec<Vec<u8>>, Damaged> {
        spans.iter().map(|span| span.read(spill)).collect()
    };
    let buckets: Vec<(&Vec<Span>, &Vec<Span>)> = rows.iter().zip(dead).collect();
    for round in buckets.chunks(threads) {
        let mut read_in = Vec::with_capacity(round.len());
        for (rows, dead) in round {
            read_in.push((read(rows)?, read(dead)?.concat()));
        }
        let arranged: Vec<Result<Vec<Segment>, BuildError>> = std::thread::scope(|scope| {
            let running: Vec<_> = read_in
                .into_iter()
                .map(|(rows, dead)| scope.spawn(move || bucket_in_order(rows, &dead)))
                .collect();
            let joined = running.into_iter().map(|thread| match thread.join() {
                Ok(segments) => segments,
                Err(panic) => std::panic::resume_unwind(panic),
            });
            joined.collect()
        });
        for bucket in arranged {
            for segment in bucket? {
                places.note(&segment.models, segments.len() as u32);
                segments.push(pile.add(&segment.bytes)?);
            }
        }
    }
    Ok(segments)
}

/// A finished segment.
struct Segment {
    bytes: Vec<u8>,
    /// Spellings with their rows.
    models: Vec<(String, u32)>,
}

/// The segments of one bucket from its chunks and the places (little-endian) of rows not in force.
fn bucket_in_order(chunks: Vec<Vec<u8>>, dead: &[u8]) -> Result<Vec<Segment>, BuildError> {
    let parts: Vec<Packed> = chunks
        .into_iter()
        .map(|chunk| from_bytes(&chunk))
        .collect::<Result<_, _>>()?;
    let whole = Packed::concat(parts)?;
    let dead: HashSet<&[u8]> = dead.chunks_exact(size_of::<u64>()).collect();
    let ranks = ranks(&whole.model_keys());
    let numbers = whole.rows.column("model")?.u32()?;
    // Rows by model; those of one stay in the order they came in.
    let mut rows: Vec<(u32, IdxSize)> = Vec::with_capacity(whole.height());
    for ((row, place), number) in (0..).zip(whole.places()?).zip(numbers.iter()) {
        let in_force = dead.is_empty() || !dead.contains(place.to_le_bytes().as_slice());
        let rank = number.and_then(|number| ranks.get(number as usize));
        if let Some(rank) = rank.filter(|_| in_force) {
            rows.push((*rank, row));
        }
    }
    rows.sort_unstable();
    let mut segments = Vec::new();
    let mut waiting: Vec<IdxSize> = Vec::new();
    for model in rows.chunk_by(|a, b| a.0 == b.0) {
        waiting.extend(model.iter().map(|(_, row)| row));
        if waiting.len() >= SEGMENT_ROWS {
            segments.push(segment(&whole, std::mem::take(&mut waiting))?);
        }
    }
    if !waiting.is_empty() {
        segments.push(segment(&whole, waiting)?);
    }
    Ok(segments)
}

/// Numbers for these keys of models by their order.
fn ranks(keys: &[String]) -> Vec<u32> {
    let sorted: BTreeSet<&String> = keys.iter().collect();
    let ranks: HashMap<&String, u32> = sorted.into_iter().zip(0..).collect();
    keys.iter().map(|key| ranks[key]).collect()
}

fn segment(whole: &Packed, rows: Vec<IdxSize>) -> Result<Segment, BuildError> {
    let mut packed = whole.part(rows)?;
    let mut counts = vec![0; packed.words_of("model").len()];
    for number in packed.rows.column("model")?.u32()?.iter().flatten() {
        counts[number as usize] += 1;
    }
    Ok(Segment {
        bytes: to_bytes(&mut packed)?,
        models: packed
            .words_of("model")
            .iter()
            .cloned()
            .zip(counts)
            .collect(),
    })
}

/// Where the models are.
struct Places {
    words: Words,
    /// Segment and rows of each spelling; none where all its rows have been replaced.
    found: Vec<Option<(u32, u32)>>,
}

impl Places {
    fn new(words: Words) -> Self {
        Self {
            found: vec![None; words.len()],
            words,
        }
    }

    fn note(&mut self, models: &[(String, u32)], segment: u32) {
        for (model, rows) in models {
            if let Some(number) = self.words.find(model) {
                self.found[number as usize] = Some((segment, *rows));
            }
        }
    }

    /// The table of models as an Arrow file.
    fn into_bytes(self) -> PolarsResult<Vec<u8>> {
        struct Line {
            name: String,
            key: String,
            number: u32,
            spelled: u32,
            rows: u32,
            segment: u32,
        }
        let names = (0..).zip(self.words.into_list());
        let mut lines: Vec<Line> = names
            .zip(self.found)
            .filter_map(|((number, name), found)| {
                let (segment, rows) = found?;
                let key = match_key(&name);
                Some(Line {
                    name,
                    key,
                    number,
                    spelled: rows,
                    rows,
                    segment,
                })
            })
            .collect();
        lines.sort_unstable_by(|a, b| (&a.key, a.number).cmp(&(&b.key, b.number)));
        for spellings in lines.chunk_by_mut(|a, b| a.key == b.key) {
            let rows = spellings.iter().map(|line| line.spelled).sum();
            spellings.iter_mut().for_each(|line| line.rows = rows);
        }
        lines.sort_by_key(|line| std::cmp::Reverse(line.rows));
        let text = |at: usize, of: fn(&Line) -> &str| {
            StringChunked::from_iter_values(MODEL_COLUMNS[at].into(), lines.iter().map(of))
                .into_column()
        };
        let number = |at: usize, of: fn(&Line) -> u32| {
            UInt32Chunked::from_vec(MODEL_COLUMNS[at].into(), lines.iter().map(of).collect())
                .into_column()
        };
        let mut table = DataFrame::new(
            lines.len(),
            vec![
                text(0, |line| &line.name),
                text(1, |line| &line.key),
                number(2, |line| line.number),
                number(3, |line| line.spelled),
                number(4, |line| line.rows),
                number(5, |line| line.segment),
            ],
        )?;
        let mut bytes = Vec::new();
        IpcWriter::new(&mut bytes).finish(&mut table)?;
        Ok(bytes)
    }
}
