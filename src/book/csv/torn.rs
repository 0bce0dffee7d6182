//! The bytes of an append-only file: its finished lines, and a possibly torn last one.

use super::quotes::Quotes;
use crate::book::csv::canonical::{
    LOGGED_COLUMNS, OptionalColumn, Row, io_error, optional_of_header,
};
use crate::trade::Problem;
use crate::trade::cells::{self, Wrong};
use csv::ByteRecord;
use serde::{Deserialize, Serialize};
use std::io;
use xxhash_rust::xxh3::xxh3_64;

/// The beginning of a log that the cache contains.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct LogPart {
    /// Length in bytes, up to the end of a line.
    pub(crate) length: usize,
    hash: u64,
    pub(crate) lines: u64,
    /// Its highest entry number.
    pub(crate) highest: u64,
}

impl LogPart {
    /// Whether these bytes begin with it.
    pub(crate) fn begins(&self, bytes: &[u8]) -> bool {
        let begin = bytes.get(..self.length);
        begin.is_some_and(|begin| self.length == 0 || xxh3_64(begin) == self.hash)
    }
}

/// The bytes of a log, with the end of its last finished line.
#[derive(Debug)]
pub(crate) struct LogBytes {
    pub(crate) bytes: Vec<u8>,
    pub(crate) finished: usize,
    /// The part that the cache contains.
    pub(crate) known: LogPart,
}

impl LogBytes {
    pub(crate) fn new(bytes: Vec<u8>, known: LogPart) -> Self {
        Self {
            finished: known.length + finished_length(&bytes[known.length..]),
            bytes,
            known,
        }
    }

    /// All finished lines as a part; `rows` are their rows.
    pub(crate) fn part(&self, rows: &[Row]) -> LogPart {
        let finished = self.finished();
        LogPart {
            length: finished.len(),
            hash: xxh3_64(finished),
            lines: lines_of(finished),
            highest: rows.iter().map(|row| row.entry).max().unwrap_or(0),
        }
    }

    /// The finished lines after a part.
    pub(crate) fn after(&self, part: &LogPart) -> &[u8] {
        &self.bytes[part.length..self.finished]
    }

    /// The finished lines.
    pub(crate) fn finished(&self) -> &[u8] {
        &self.bytes[..self.finished]
    }

    /// The bytes after the finished lines: empty, or an unfinished line.
    pub(crate) fn tail(&self) -> &[u8] {
        &self.bytes[self.finished..]
    }

    pub(crate) fn is_torn(&self) -> bool {
        !self.tail().is_empty()
    }

    /// The optional columns, in order; `None` if the first row is no header of a log.
    pub(crate) fn optional(&self) -> io::Result<Option<Vec<OptionalColumn>>> {
        let mut header = ByteRecord::new();
        reader_of(&self.bytes)
            .read_byte_record(&mut header)
            .map_err(io_error)?;
        Ok(optional_of_header(&header, &LOGGED_COLUMNS))
    }

    /// Detects an unclosed quote from an edit by hand, which makes all that follows look like one
    /// unfinished line: some lines inside it begin like rows.
    pub(crate) fn unclosed_quote(&self, name: &str) -> Option<Problem> {
        let tail = self.tail();
        // A line of a note may begin with a number, but hardly continues like a row.
        let like_row = |line: &[u8]| {
            let mut cells = line.split(|&b| b == b',');
            let number = cells
                .next()
                .is_some_and(|cell| entry_number(cell).is_some());
            let day = cells.nth(1).and_then(|cell| std::str::from_utf8(cell).ok());
            number && day.is_some_and(|text| cells::day(text.trim()).is_ok())
        };
        let mut lines = tail.split(|&b| b == b'\n').skip(1);
        lines.any(like_row).then(|| self.open_quote(name))
    }

    /// The problem of a quote that opens in the unfinished line.
    pub(crate) fn open_quote(&self, name: &str) -> Problem {
        let fix = "close the quote that opens in this row, or remove it";
        let row = 1 + lines_of(self.finished());
        Wrong::new("a closing double quote", fix).at(name, row, "", "")
    }
}

/// Length up to the end of the last finished record. A line break inside quotes does not end a
/// record.
pub(crate) fn finished_length(bytes: &[u8]) -> usize {
    let (mut finished, mut quotes) = (0, Quotes::CellStart);
    for (at, &byte) in bytes.iter().enumerate() {
        if byte == b'\n' && !quotes.are_open() {
            finished = at + 1;
        }
        quotes = quotes.after(byte, b',');
    }
    finished
}

pub(crate) fn lines_of(bytes: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', bytes).count() as u64
}

/// The entry number in the first cell of a record.
pub(crate) fn entry_number(cell: &[u8]) -> Option<u32> {
    let text = std::str::from_utf8(cell).ok()?;
    text.trim().trim_matches('"').parse().ok()
}

pub(crate) fn reader_of(bytes: &[u8]) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(bytes)
}
