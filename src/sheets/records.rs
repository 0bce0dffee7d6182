//! Splits text into records: the beginning and end of each row of a CSV, and its cells.
//!
//! This module finds rows instead of the CSV library, because the library ignores a quote that is
//! never closed, and because problems and rejected rows need the line and the unchanged text. The
//! library splits a row into cells.

use crate::book::csv::quotes::Quotes;
use csv_core::ReadRecordResult;
use memchr::{memchr, memchr2};

/// Error in the quotes of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flaw {
    /// A quote opens a cell, and the file ends before another closes it.
    NeverClosed,
    /// Text follows the quote that closes a cell.
    TextBehindQuote,
}

/// One record as it is in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Raw<'a> {
    /// Its text without the line end.
    pub text: &'a str,
    /// The line on which it begins, from 1.
    pub line: u64,
    /// Error in its quotes.
    pub flaw: Option<Flaw>,
}

/// The records of a text in order, including blank lines.
#[derive(Debug, Clone)]
pub struct Records<'a> {
    text: &'a str,
    at: usize,
    line: u64,
    delimiter: u8,
    /// True after a quote that is never closed: the rest is read line by line.
    quotes_broken: bool,
}

impl<'a> Records<'a> {
    /// Starts at the first line of `text`.
    pub fn new(text: &'a str, delimiter: u8) -> Self {
        Self {
            text,
            at: 0,
            line: 1,
            delimiter,
            quotes_broken: false,
        }
    }

    /// Number of bytes read.
    pub fn position(&self) -> usize {
        self.at
    }

    /// End of the record that begins at `self.at`, and its flaw.
    fn find_end(&mut self) -> (usize, Option<Flaw>) {
        let bytes = self.text.as_bytes();
        let rest = &bytes[self.at..];
        let line_end = memchr2(b'\n', b'\r', rest).unwrap_or(rest.len());
        if memchr(b'"', &rest[..line_end]).is_none() {
            return (self.at + line_end, None);
        }
        let reach = if self.quotes_broken {
            line_end
        } else {
            rest.len()
        };
        match quoted_end(&rest[..reach], self.delimiter) {
            Some((end, flaw)) => (self.at + end, flaw),
            None => {
                self.quotes_broken = true;
                (self.at + line_end, Some(Flaw::NeverClosed))
            }
        }
    }
}

/// Length of the record at the start of `bytes`, by the library's rules of quoting; `None` if the
/// bytes end inside quotes.
fn quoted_end(bytes: &[u8], delimiter: u8) -> Option<(usize, Option<Flaw>)> {
    let mut quotes = Quotes::CellStart;
    let mut flaw = None;
    for (at, &byte) in bytes.iter().enumerate() {
        if matches!(byte, b'\n' | b'\r') && !quotes.are_open() {
            return Some((at, flaw));
        }
        let next = quotes.after(byte, delimiter);
        if (quotes, next) == (Quotes::QuoteInQuoted, Quotes::Plain) {
            flaw = Some(Flaw::TextBehindQuote);
        }
        quotes = next;
    }
    (!quotes.are_open()).then_some((bytes.len(), flaw))
}

impl<'a> Iterator for Records<'a> {
    type Item = Raw<'a>;

    fn next(&mut self) -> Option<Raw<'a>> {
        if self.at >= self.text.len() {
            return None;
        }
        let (start, line) = (self.at, self.line);
        let (end, flaw) = self.find_end();
        let text = &self.text[start..end];
        let end_mark = match &self.text.as_bytes()[end..] {
            [b'\r', b'\n', ..] => 2,
            [] => 0,
            _ => 1,
        };
        self.at = end + end_mark;
        self.line += 1 + if text.contains('"') {
            line_ends(text)
        } else {
            0
        };
        Some(Raw { text, line, flaw })
    }
}

fn line_ends(text: &str) -> u64 {
    let bytes = text.as_bytes();
    let ends = |(at, byte): (usize, &u8)| {
        *byte == b'\n' || (*byte == b'\r' && bytes.get(at + 1) != Some(&b'\n'))
    };
    bytes.iter().enumerate().filter(|pair| ends(*pair)).count() as u64
}

/// Splits records into cells; reuses its buffers.
#[derive(Debug)]
pub struct Cells {
    reader: csv_core::Reader,
    bytes: Vec<u8>,
    text: String,
    ends: Vec<usize>,
    count: usize,
}

impl Cells {
    /// For records with this delimiter.
    pub fn new(delimiter: u8) -> Self {
        let reader = csv_core::ReaderBuilder::new().delimiter(delimiter).build();
        Self {
            reader,
            bytes: vec![0; 512],
            text: String::new(),
            ends: vec![0; 32],
            count: 0,
        }
    }

    /// Reads the cells of `record`; none if it is empty.
    pub fn read(&mut self, record: &str) {
        self.reader.reset();
        let (mut input, mut written) = (record.as_bytes(), 0);
        self.count = 0;
        loop {
            let (result, read, wrote, ended) = self.reader.read_record(
                input,
                &mut self.bytes[written..],
                &mut self.ends[self.count..],
            );
            input = &input[read..];
            written += wrote;
            self.count += ended;
            match result {
                // An empty input on the next call signals the end of the record.
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull => self.bytes.resize(self.bytes.len() * 2, 0),
                ReadRecordResult::OutputEndsFull => self.ends.resize(self.ends.len() * 2, 0),
                ReadRecordResult::Record | ReadRecordResult::End => break,
            }
        }
        // The library only removes ASCII characters from a valid text.
        let text = std::str::from_utf8(&self.bytes[..written]).unwrap_or_default();
        self.text.clear();
        self.text.push_str(text);
    }

    /// Number of cells.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Whether the record has no cells.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// A cell; empty after the last.
    pub fn get(&self, at: usize) -> &str {
        if at >= self.count {
            return "";
        }
        let start = if at == 0 { 0 } else { self.ends[at - 1] };
        self.text.get(start..self.ends[at]).unwrap_or_default()
    }

    /// The cells in order.
    pub fn iter(&self) -> impl Iterator<Item = &str> {
        (0..self.count).map(|at| self.get(at))
    }

    /// Whether every cell is blank.
    pub fn all_blank(&self) -> bool {
        self.iter().all(|cell| cell.trim().is_empty())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn records(text: &str) -> Vec<(&str, u64, Option<Flaw>)> {
        Records::new(text, b',')
            .map(|raw| (raw.text, raw.line, raw.flaw))
            .collect()
    }

    #[test]
    fn lines_and_quoted_newlines() {
        assert_eq!(
            records("a,b\r\n\"x\r\ny\",2\n\n5\" screen,3\rlast"),
            [
                ("a,b", 1, None),
                ("\"x\r\ny\",2", 2, None),
                ("", 4, None),
                ("5\" screen,3", 5, None),
                ("last", 6, None),
            ]
        );
    }

    #[test]
    fn broken_quotes_are_reported_and_the_rest_is_read() {
        assert_eq!(
            records("a,\"b\nc,d\ne,\"f\"\n"),
            // The quote of line 3 closes the cell that line 1 opened, and text follows it.
            [("a,\"b\nc,d\ne,\"f\"", 1, Some(Flaw::TextBehindQuote))]
        );
        assert_eq!(
            records("a,\"b\nc,d\ne,f\n"),
            [
                ("a,\"b", 1, Some(Flaw::NeverClosed)),
                ("c,d", 2, None),
                ("e,f", 3, None)
            ]
        );
    }

    #[test]
    fn many_unclosed_quotes_take_linear_time() {
        let text = "x\"y,\"z\n".repeat(300_000);
        assert_eq!(Records::new(&text, b',').count(), 300_000);
    }

    #[test]
    fn cells_grow_with_the_record() {
        let mut cells = Cells::new(b';');
        cells.read(&format!("\"{}\";b;\"c \"\"d\"\"\"", "long".repeat(1000)));
        assert_eq!(
            (cells.len(), cells.get(1), cells.get(2), cells.get(3)),
            (3, "b", "c \"d\"", "")
        );
        assert_eq!(cells.get(0).len(), 4000);
        cells.read(&";".repeat(99));
        assert_eq!(cells.len(), 100);
        assert!(cells.all_blank());
        cells.read("");
        assert!(cells.is_empty());
    }

    proptest! {
        /// Splitting here and reading with the library agree with the library alone.
        #[test]
        fn agrees_with_the_library(text in "[ab,\"\r\n ]{0,60}") {
            let mut ours = Vec::new();
            let mut cells = Cells::new(b',');
            for raw in Records::new(&text, b',') {
                if raw.flaw == Some(Flaw::NeverClosed) {
                    return Ok(());
                }
                cells.read(raw.text);
                if !cells.is_empty() {
                    ours.push(cells.iter().map(str::to_string).collect::<Vec<_>>());
                }
            }
            let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
            let theirs: Vec<Vec<String>> =
                reader.records().map(|record| record.unwrap().iter().map(str::to_string).collect()).collect();
            prop_assert_eq!(ours, theirs);
        }
    }
}
