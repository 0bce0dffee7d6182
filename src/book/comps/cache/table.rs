//! The files of the cached table: ordinary Arrow files, of which one batch of rows can be read and held
//! against its hash by itself.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};
use std::rc::Rc;
use std::sync::Arc;

use polars::prelude::*;
use polars_arrow::io::ipc::read::{StreamReader, StreamState, read_stream_metadata};
use polars_arrow::io::ipc::write::{FileWriter, WriteOptions};
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use crate::book::comps::rows::Trouble;

/// Bytes before the schema: an Arrow file goes on as an Arrow stream after them.
const MARK: usize = 8;

/// A part of a file.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Span {
    offset: u64,
    length: u64,
    /// Of its bytes.
    hash: u64,
}

impl Span {
    /// Adds its bytes to others, where they are what they were.
    fn read(&self, mut file: &File, bytes: &mut Vec<u8>) -> Result<(), Trouble> {
        let start = bytes.len();
        let read = file
            .seek(SeekFrom::Start(self.offset))
            .and_then(|_| file.take(self.length).read_to_end(bytes));
        let hash = xxh3_64(&bytes[start..]);
        let good = read.is_ok_and(|read| read as u64 == self.length) && hash == self.hash;
        good.then_some(()).ok_or(Trouble::Damaged)
    }
}

/// Where the parts of an Arrow file are: the mark and the schema, the batches, the footer.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Layout {
    head: Span,
    batches: Vec<Span>,
    tail: Span,
}

impl Layout {
    /// Adds the hashes of the whole file to one.
    pub(super) fn add_to(&self, hash: &mut Xxh3) {
        for span in self.batches.iter().chain([&self.head, &self.tail]) {
            hash.update(&span.hash.to_le_bytes());
        }
    }
}

/// An Arrow file of the cache, opened.
#[derive(Debug)]
pub(crate) struct ArrowFile {
    file: File,
    head: Vec<u8>,
    layout: Layout,
}

impl ArrowFile {
    /// Opens a file that was laid out so.
    pub(super) fn new(file: File, layout: Layout) -> Result<Self, Trouble> {
        let (mut head, mut tail) = (Vec::new(), Vec::new());
        layout.head.read(&file, &mut head)?;
        layout.tail.read(&file, &mut tail)?;
        let end = layout.tail.offset + layout.tail.length;
        let whole = file.metadata().is_ok_and(|data| data.len() == end);
        let opened = Self { file, head, layout };
        whole.then_some(opened).ok_or(Trouble::Damaged)
    }

    /// How many batches there are.
    pub(crate) fn len(&self) -> usize {
        self.layout.batches.len()
    }

    /// The schema and a batch as they are in the file.
    pub(super) fn bytes(&self, batch: usize) -> Result<Vec<u8>, Trouble> {
        let span = self.layout.batches.get(batch).ok_or(Trouble::Damaged)?;
        let mut bytes = Vec::with_capacity(self.head.len() + span.length as usize);
        bytes.extend(&self.head);
        span.read(&self.file, &mut bytes)?;
        Ok(bytes)
    }

    /// The rows of a batch.
    pub(crate) fn batch(&self, batch: usize) -> Result<DataFrame, Trouble> {
        Ok(rows_of(&self.bytes(batch)?)?)
    }
}

/// The rows in what [`ArrowFile::bytes`] gives.
pub(super) fn rows_of(bytes: &[u8]) -> PolarsResult<DataFrame> {
    let mut bytes = Cursor::new(bytes.get(MARK..).unwrap_or_default());
    let schema = read_stream_metadata(&mut bytes)?;
    match StreamReader::new(bytes, schema, None).next().transpose()? {
        Some(StreamState::Some(batch)) => Ok(DataFrame::from(batch)),
        _ => Err(PolarsError::NoData("a batch without rows".into())),
    }
}

/// Where an Arrow file is written, and what was written since the last span.
struct Sink {
    file: File,
    span: Span,
    hash: Xxh3,
}

impl Sink {
    /// What was written since this was last asked.
    fn span(&mut self) -> Span {
        let hash = self.hash.digest();
        let span = Span { hash, ..self.span };
        self.hash.reset();
        self.span.offset += self.span.length;
        self.span.length = 0;
        span
    }
}

#[derive(Clone)]
struct Shared(Rc<RefCell<Sink>>);

impl Write for Shared {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut sink = self.0.borrow_mut();
        let written = sink.file.write(bytes)?;
        sink.hash.update(&bytes[..written]);
        sink.span.length += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.borrow_mut().file.flush()
    }
}

/// Writes an Arrow file batch by batch.
pub(super) struct ArrowWriter {
    sink: Shared,
    writer: FileWriter<Shared>,
    head: Span,
    batches: Vec<Span>,
}

impl ArrowWriter {
    /// Begins a file of tables like this one.
    pub(super) fn new(file: File, like: &DataFrame) -> PolarsResult<Self> {
        let span = Span {
            offset: 0,
            length: 0,
            hash: 0,
        };
        let sink = Sink {
            file,
            span,
            hash: Xxh3::new(),
        };
        let sink = Shared(Rc::new(RefCell::new(sink)));
        let schema = Arc::new(like.schema().to_arrow(CompatLevel::oldest()));
        let options = WriteOptions { compression: None };
        let writer = FileWriter::try_new(sink.clone(), schema, None, options)?;
        let head = sink.0.borrow_mut().span();
        Ok(Self {
            sink,
            writer,
            head,
            batches: Vec::new(),
        })
    }

    /// Adds a table as a batch, and says which.
    pub(super) fn add(&mut self, frame: &DataFrame) -> PolarsResult<usize> {
        for batch in frame.iter_chunks(CompatLevel::oldest(), false) {
            self.writer.write(&batch, None)?;
        }
        self.batches.push(self.sink.0.borrow_mut().span());
        Ok(self.batches.len() - 1)
    }

    /// Ends the file.
    pub(super) fn finish(mut self) -> PolarsResult<Layout> {
        self.writer.finish()?;
        let tail = self.sink.0.borrow_mut().span();
        Ok(Layout {
            head: self.head,
            batches: self.batches,
            tail,
        })
    }
}
